"""Rates of groups of tags as table columns: the same columns for people, lines, hours and the season."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.results import CLASSES
from crossproof.rates.estimators.betabinomial import Estimates
from crossproof.rates.estimators.clusters import choose_clusters, group_sum, moment_rho
from crossproof.rates.estimators.crossing_rates import TrueSuccess, tag_weight, true_success
from crossproof.rates.estimators.group_means import GroupMeans, group_means
from crossproof.rates.estimators.intervals import rate, ratio_interval
from crossproof.rates.tables.tally import HELD, UNDETERMINED, RateOptions, Tally

RATE_NAMES: tuple[str, ...] = ("hybrid_rate", "selfing_rate", "outcrossing_rate", "off_pedigree_rate")
"""Names of the rates, in the order of CLASSES."""


@dataclass(frozen=True)
class Success:
    """True success and hybrid seeds of every tag; arrays (tag,)."""

    true: TrueSuccess
    hybrid_seeds: Floats
    rho: float


def tag_success(tally: Tally) -> Success:
    """True success of every tag, and its estimated hybrid seeds (NaN where no plant has a verdict)."""
    rho = moment_rho(tally.cluster_weighted[:, 0], tally.cluster_n, np.zeros(len(tally.cluster_n), dtype=int))
    per_pod = rate(tally.seeds, np.where(tally.pods > 0, tally.pods, 0.0))
    true = true_success(
        flowers=tally.flowers,
        pods=tally.pods,
        pods_tested=tally.pods_tested,
        pods_with_hybrid=tally.pods_with_hybrid,
        determined=tally.determined,
        hybrids=tally.weighted[:, 0],
        any_hybrid=tally.any_hybrid,
        seeds_per_pod=np.where(per_pod > 0, per_pod, np.nan),
        rho=rho,
    )
    hybrid_rate = rate(tally.weighted[:, 0], tally.determined)
    seeds = np.fmax(np.where(np.isnan(tally.seeds), tally.tested, tally.seeds), tally.tested)
    hybrid_seeds = np.where(tally.pods == 0, 0.0, seeds * hybrid_rate)
    return Success(true, hybrid_seeds, rho)


def bounds(counts: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest rate of each class if no, or every, plant without a verdict that counts were of it.

    `counts` (row, 5): plants per class, then those. Returns two arrays (row, class).
    """
    total = counts.sum(axis=1, keepdims=True)
    return rate(counts[:, :4], total), rate(counts[:, :4] + counts[:, 4:], total)


def group_rates(
    tally: Tally, success: Success, group: Ints, groups: int, options: RateOptions
) -> tuple[pd.DataFrame, dict[str, GroupMeans]]:
    """All rates of every group of tags.

    Parameters: `group` (tag,), 0-based, -1 for tags of no group. Returns the table (one row per group, in
    the order of the numbers) and the group means that made it, by the name of the rate.
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
        "tags_tested": group_sum(where, tally.determined[of] > 0, groups),
        "flowers": total(tally.flowers),
        "pods": np.where(total(np.isfinite(tally.pods).astype(float)) > 0, total(tally.pods), np.nan),
        "seeds": np.where(total(np.isfinite(tally.seeds).astype(float)) > 0, total(tally.seeds), np.nan),
        "tested": total(tally.tested),
        "determined": total(tally.determined),
    }
    for index, verdict in enumerate(CLASSES):
        table[str(verdict)] = counts[:, index]
    table[UNDETERMINED], table[HELD] = total(tally.undetermined), total(tally.held)
    expected = total(tally.expected)
    for index, verdict in enumerate(CLASSES):
        table[f"expected_{verdict}"] = expected[:, index]

    means: dict[str, GroupMeans] = {}
    cluster_group = group[tally.cluster_tag]
    used = cluster_group >= 0
    pods = tally.cluster_weighted[used], tally.cluster_n[used], cluster_group[used], tally.cluster_tag[used]
    clusters = choose_clusters(pods[0][:, 0], *pods[1:])
    low, high = bounds(counts)
    for index, name in enumerate(RATE_NAMES):
        found = group_means(
            clusters.sums(pods[0][:, index]),
            clusters.sums(pods[1]),
            pods[2][clusters.first],
            groups,
            level=options.level,
        )
        means[name] = found
        plain = rate(total(tally.weighted[:, index]), table["determined"])
        table |= _columns(name, plain, found.raw)
        table[f"{name}_bound_low"], table[f"{name}_bound_high"] = low[:, index], high[:, index]
        table |= _columns(f"{name}_shrunk", found.shrunk.mean, found.shrunk)

    has_pods = of & np.isfinite(tally.pods) & (tally.flowers > 0)
    pod_set = group_means(
        np.fmin(tally.pods, tally.flowers)[has_pods], tally.flowers[has_pods], group[has_pods], groups,
        level=options.level,
    )  # fmt: skip
    means["pod_set"] = pod_set
    plain = rate(
        group_sum(group[has_pods], np.fmin(tally.pods, tally.flowers)[has_pods], groups),
        group_sum(group[has_pods], tally.flowers[has_pods], groups),
    )
    table |= _columns("pod_set", plain, pod_set.raw)

    weight, information = tag_weight(
        flowers=tally.flowers, pods=tally.pods, looked_at=tally.determined > 0, seen=success.true.seen,
        group=group, groups=groups,
    )  # fmt: skip
    true_columns, means["true_success"] = _true_success(
        tally, success, (weight, information), group, groups, options
    )
    table |= true_columns
    table |= _per_flower(tally, success, weight, group, groups, options)
    frame = pd.DataFrame(table)
    whole = ["tags", "tags_tested", "flowers", "tested", "determined", *map(str, CLASSES), UNDETERMINED, HELD]
    frame[whole] = frame[whole].round().astype("int64")
    frame[["pods", "seeds"]] = frame[["pods", "seeds"]].round().astype("Int64")
    return frame, means


def _columns(name: str, value: Floats, limits: Estimates) -> dict[str, Floats]:
    return {name: value, f"{name}_low": limits.low, f"{name}_high": limits.high}


def _true_success(
    tally: Tally,
    success: Success,
    weights: tuple[Floats, Floats],
    group: Ints,
    groups: int,
    options: RateOptions,
) -> tuple[dict[str, Floats], GroupMeans]:
    """True success per flower; its bounds take none, or every one, of the pods that nobody looked at."""
    said = (group >= 0) & np.isfinite(success.true.flowers) & (tally.flowers > 0)
    where = group[said]
    weight, share = weights[0][said], weights[1][said]
    means = group_means(
        success.true.flowers[said] * share, tally.flowers[said] * share, where, groups, level=options.level
    )
    plain = rate(
        group_sum(where, success.true.flowers[said] * weight, groups),
        group_sum(where, tally.flowers[said] * weight, groups),
    )
    name = "true_success"
    table = _columns(name, plain, means.raw)
    told = (group >= 0) & (tally.flowers > 0) & (said | np.isfinite(tally.pods))
    low = np.nan_to_num(success.true.low)
    high = np.where(said, success.true.high, np.fmin(tally.pods, tally.flowers))
    flowers = group_sum(group[told], tally.flowers[told], groups)
    for side, edge in (("low", low), ("high", high)):
        table[f"{name}_bound_{side}"] = rate(group_sum(group[told], edge[told], groups), flowers)
    return table | _columns(f"{name}_shrunk", means.shrunk.mean, means.shrunk), means


def _per_flower(
    tally: Tally, success: Success, weight: Floats, group: Ints, groups: int, options: RateOptions
) -> dict[str, Floats]:
    """Hybrid seeds per flower with limits from the spread between tags."""
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
        (frame["determined"] < options.min_group_plants) | (frame["tags_tested"] < options.min_group_tags)
    )
