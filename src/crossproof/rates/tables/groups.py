"""Rates of groups of tags as table columns: the same columns for people, lines, hours and the season."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.results import CLASSES
from crossproof.rates.estimators.betabinomial import Estimates, hyper_posterior, shrink_clusters
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.crossing_rates import (
    TrueSuccess,
    looked_at,
    no_pod_weight,
    pods_on_flowers,
    product_limits,
    true_success,
)
from crossproof.rates.estimators.group_means import GroupMeans, group_means
from crossproof.rates.estimators.intervals import rate, ratio_interval
from crossproof.rates.estimators.pod_mixture import Pods, pod_success
from crossproof.rates.estimators.weighted_rates import weighted_rates, worth_of
from crossproof.rates.tables.grouping import OPERATOR, grouping
from crossproof.rates.tables.tally import COUNTED, HELD, UNDETERMINED, RateOptions, Tally

RATE_NAMES: tuple[str, ...] = ("hybrid_rate", "selfing_rate", "outcrossing_rate", "off_pedigree_rate")
"""Names of the rates, in the order of CLASSES."""


SELFED_SEED, SELFED_FLOWERS = "selfed_seed_share", "selfed_flower_share"
"""Two questions about selfing: how much of the seed is selfed, and how often a pollination went wrong."""


@dataclass(frozen=True, eq=False)
class Success:
    """True success and hybrid seeds of every tag, (tag,), and the pods it rests on, (pod,)."""

    true: TrueSuccess
    hybrid_seeds: Floats
    pods_on_flowers: Floats
    pods: Pods


@lru_cache(maxsize=1)
def tag_success(tally: Tally) -> Success:
    """True success of every tag, and its estimated hybrid seeds (NaN where no plant has a verdict)."""
    pods = pods_on_flowers(
        flowers=tally.flowers,
        pods=tally.pods,
        pods_tested=tally.pods_tested,
        determined=tally.counted,
    )
    seen = looked_at(
        pods=pods,
        seeds_per_pod=_seeds_per_pod(tally),
        hybrids=tally.cluster_verdicts[:, 0],
        typed=tally.cluster_n,
        found=tally.cluster_any,
        tag=tally.cluster_tag,
        named=tally.cluster_pod != "",
    )
    one = pod_success(seen, np.zeros(len(seen.tag), dtype=np.int64), 1)
    true = true_success(
        flowers=tally.flowers,
        pods=pods,
        pods_tested=tally.pods_tested,
        any_hybrid=tally.any_hybrid,
        seen=seen,
        of_pod=one.of_pod,
    )
    hybrid_rate = rate(tally.weighted[:, 0], tally.counted)
    seeds = np.fmax(np.where(np.isnan(tally.seeds), tally.tested, tally.seeds), tally.tested)
    hybrid_seeds = np.where(tally.pods == 0, 0.0, seeds * hybrid_rate)
    return Success(true, hybrid_seeds, pods, seen)


def _seeds_per_pod(tally: Tally) -> Floats:
    """Seeds of a pod of each tag, the season's mean where the tag's were not counted; NaN where none were."""
    per_pod = rate(tally.seeds, np.where(tally.pods > 0, tally.pods, 0.0))
    known = per_pod > 0
    pods = float(tally.pods[known].sum())
    usual = float(tally.seeds[known].sum()) / pods if pods > 0 else float("nan")
    return np.where(known, per_pod, usual)


@dataclass(frozen=True)
class Selfing:
    """Share of selfs of every tag as the two questions count it; arrays (tag,), NaN where not known.

    `seed`: of the seed harvested; `pods`: mean over its pods, each counting once; `seeds`, `pods_weight`:
    what the tag weighs in either; `pods_seen`: pods that plants came from.
    """

    seed: Floats
    pods: Floats
    seeds: Floats
    pods_weight: Floats
    pods_seen: Floats


@lru_cache(maxsize=1)
def tag_selfing(tally: Tally, success: Success) -> Selfing:
    """Selfing of every tag by seed and by pod.

    A tag's seeds are counted for all its pods together. Where selfed pods have more seeds, a pod's seeds are
    taken to be as many as a regression of seeds on selfed and other pods over all tags gives, so that few
    plants from each pod stand for the seed of each.
    """
    tags, of = tally.tags, tally.cluster_tag
    named = tally.cluster_pod != ""
    labelled = tally.pods_tested > 0
    use = named | ~labelled[of]
    share = rate(tally.cluster_weighted[:, 1], tally.cluster_n)[use]
    tag, n = of[use], tally.cluster_n[use]
    count = group_sum(tag, np.ones(len(tag)), tags)
    by_pod = rate(group_sum(tag, share, tags), count)
    seeds = np.where(np.isnan(tally.seeds), tally.tested, tally.seeds)
    pods = np.where(np.isnan(success.pods_on_flowers), 1.0, success.pods_on_flowers)
    whole = np.isfinite(by_pod) & (seeds > 0) & (pods > 0)
    selfed, other = 1.0, 1.0
    if labelled.any() and whole.sum() > 2:
        design = np.column_stack([pods * by_pod, pods * (1 - by_pod)])[whole]
        found = np.linalg.lstsq(design, seeds[whole], rcond=None)[0]
        if (found > 0).all():
            selfed, other = float(found[0]), float(found[1])
    few = labelled & (tally.counted < seeds)
    size = np.where(few[tag], np.fmax(share * selfed + (1 - share) * other, n), n)
    by_seed = rate(group_sum(tag, size * share, tags), group_sum(tag, size, tags))
    return Selfing(by_seed, by_pod, seeds, pods, np.where(labelled, count, np.fmin(pods, tally.counted)))


def bounds(counts: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest rate of each class if no, or every, plant without a verdict that counts were of it.

    `counts` (row, 5): plants per class, then those. Returns two arrays (row, class).
    """
    total = counts.sum(axis=1, keepdims=True)
    return rate(counts[:, :4], total), rate(counts[:, :4] + counts[:, 4:], total)


@lru_cache(maxsize=1)
def _of_operators(tally: Tally, options: RateOptions) -> pd.DataFrame:
    of = grouping(tally, OPERATOR, options)
    return group_rates(tally, tag_success(tally), of.group, len(of.levels), options)


def operator_rates(tally: Tally, options: RateOptions) -> pd.DataFrame:
    """`group_rates` of every person, made once for the two tables that show them."""
    return _of_operators(tally, options).copy()


def group_rates(
    tally: Tally, success: Success, group: Ints, groups: int, options: RateOptions
) -> pd.DataFrame:
    """All rates of every group of tags: one row per group, in the order of the numbers.

    Parameters: `group` (tag,), 0-based, -1 for tags of no group.
    """
    of = group >= 0
    where = group[of]

    def total(values: Floats) -> Floats:
        values = np.nan_to_num(values[of])
        if values.ndim == 1:
            return group_sum(where, values, groups)
        return np.column_stack([group_sum(where, v, groups) for v in values.T])

    counts = total(tally.verdicts)
    table: dict[str, Floats] = {
        "tags": group_sum(where, np.ones(len(where)), groups),
        "tags_tested": group_sum(where, tally.counted[of] > 0, groups),
        "flowers": total(tally.flowers),
        "pods": np.where(total(np.isfinite(tally.pods).astype(float)) > 0, total(tally.pods), np.nan),
        "seeds": np.where(total(np.isfinite(tally.seeds).astype(float)) > 0, total(tally.seeds), np.nan),
        "tested": total(tally.tested),
        "determined": total(tally.determined),
        COUNTED: total(tally.counted),
    }
    for index, kind in enumerate(CLASSES):
        table[str(kind)] = counts[:, index]
    table[UNDETERMINED], table[HELD] = total(tally.undetermined), total(tally.held)
    expected = total(tally.expected)
    for index, kind in enumerate(CLASSES):
        table[f"expected_{kind}"] = expected[:, index]

    low, high = bounds(counts)
    for index, name in enumerate(RATE_NAMES):
        found = weighted_rates(
            rate(tally.weighted[:, index], tally.counted), tally.counted, tally.counted,
            group, groups, level=options.level,
        )  # fmt: skip
        plain = rate(total(tally.weighted[:, index]), table[COUNTED])
        table |= _columns(name, plain, found.raw)
        table[f"{name}_bound_low"], table[f"{name}_bound_high"] = low[:, index], high[:, index]
        table |= _columns(f"{name}_shrunk", found.shrunk.mean, found.shrunk)
    selfing = tag_selfing(tally, success)
    for name, share, size, weight in (
        (SELFED_SEED, selfing.seed, tally.counted, selfing.seeds),
        (SELFED_FLOWERS, selfing.pods, selfing.pods_seen, selfing.pods_weight),
    ):
        found = weighted_rates(share, size, weight, group, groups, level=options.level)
        table |= _columns(name, found.raw.mean, found.raw)

    has_pods = of & np.isfinite(tally.pods) & (tally.flowers > 0)
    pod_set = group_means(
        np.fmin(tally.pods, tally.flowers)[has_pods], tally.flowers[has_pods], group[has_pods], groups,
        level=options.level,
    )  # fmt: skip
    plain = rate(
        group_sum(group[has_pods], np.fmin(tally.pods, tally.flowers)[has_pods], groups),
        group_sum(group[has_pods], tally.flowers[has_pods], groups),
    )
    table |= _columns("pod_set", plain, pod_set.raw)

    table |= _true_success(tally, success, group, groups, options, (has_pods, pod_set))
    table |= _per_flower(tally, success, group, groups, options)
    frame = pd.DataFrame(table)
    whole = ["tags", "tags_tested", "flowers", "tested", "determined", COUNTED]
    whole += [*map(str, CLASSES), UNDETERMINED, HELD]
    frame[whole] = frame[whole].round().astype("int64")
    frame[["pods", "seeds"]] = frame[["pods", "seeds"]].round().astype("Int64")
    return frame


def _columns(name: str, value: Floats, limits: Estimates) -> dict[str, Floats]:
    return {name: value, f"{name}_low": limits.low, f"{name}_high": limits.high}


def _true_success(
    tally: Tally,
    success: Success,
    group: Ints,
    groups: int,
    options: RateOptions,
    pod_set: tuple[Bools, GroupMeans],
) -> dict[str, Floats]:
    """True success per flower: pod set times the mean chance of a pod; bounds as in `bounds`.

    `pod_set`: that of some tags (tag,), which serves where it is of the same pods.
    """
    pods = success.pods_on_flowers
    found = pod_success(success.pods, group[success.pods.tag], groups)
    told = (group >= 0) & np.isfinite(pods) & (tally.flowers > 0)
    where, flowers = group[told], group_sum(group[told], tally.flowers[told], groups)
    podded = group_sum(where, pods[told], groups)
    share = rate(podded, flowers)
    of, known_set = pod_set
    if np.array_equal(of, told) and np.array_equal(pods[told], np.fmin(tally.pods, tally.flowers)[told]):
        set_ = known_set.raw
    else:
        set_ = group_means(pods[told], tally.flowers[told], where, groups, level=options.level).raw
    # nothing but podless tags: that no flower succeeded is known
    barren = (flowers > 0) & (podded == 0)
    mean, low, high = (np.where(barren, 0.0, x) for x in (found.mean, found.low, found.high))
    high = np.where(barren, 1.0, high)
    name = "true_success"
    value = share * mean
    limits = product_limits((share, set_.low, set_.high), (mean, low, high))
    known = np.isfinite(value)
    raw = Estimates(value, *(np.where(known, x, np.nan) for x in limits))
    raw = Estimates(value, np.fmin(raw.low, value), np.fmax(raw.high, value))
    table = _columns(name, value, raw)
    seen = np.isfinite(success.true.high)
    edge = {
        "low": np.nan_to_num(success.true.low),
        "high": np.where(seen, success.true.high, np.nan_to_num(pods)),
    }
    for side, values in edge.items():
        table[f"{name}_bound_{side}"] = rate(group_sum(where, values[told], groups), flowers)
    worth = worth_of(value, raw.low, raw.high)
    worth = np.where(known, np.fmin(worth, flowers), 0.0)
    count = np.nan_to_num(value) * worth
    shrunk = shrink_clusters(count, worth, hyper_posterior(count[known], worth[known]), level=options.level)
    at = np.where(known, 1.0, np.nan)
    shrunk = Estimates(shrunk.mean * at, shrunk.low * at, shrunk.high * at)
    table |= _columns(f"{name}_shrunk", shrunk.mean, shrunk)
    table["pods_with_several_typed"] = found.several
    return table


def _per_flower(
    tally: Tally, success: Success, group: Ints, groups: int, options: RateOptions
) -> dict[str, Floats]:
    """Hybrid seeds per flower with limits from the spread between tags."""
    weight = no_pod_weight(tally.flowers, tally.pods, tally.counted > 0, group, groups)
    out = np.full((3, groups), np.nan)
    said = np.flatnonzero((group >= 0) & np.isfinite(success.hybrid_seeds) & (tally.flowers > 0))
    order = said[np.argsort(group[said], kind="stable")]
    edges = np.searchsorted(group[order], np.arange(groups + 1))
    for g in range(groups):
        part = order[edges[g] : edges[g + 1]]
        if len(part):
            flowers = tally.flowers[part] * weight[part]
            out[:, g] = ratio_interval(success.hybrid_seeds[part], flowers, level=options.level)
    name = "hybrids_per_flower"
    return {name: out[0], f"{name}_low": out[1], f"{name}_high": out[2]}


def too_few(frame: pd.DataFrame, options: RateOptions) -> Bools:
    """Groups with too little data to be judged: an interval is all that can be said of them."""
    return np.asarray(
        (frame[COUNTED] < options.min_group_plants) | (frame["tags_tested"] < options.min_group_tags)
    )
