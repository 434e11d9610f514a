"""A season's records and verdicts as the arrays that the rates are computed from. Pandas in, arrays out.

    tag       one row of the crossing records, in their order
    cluster   the plants that share their fate: a pod where the plants carry one, else the tag
    class     hybrid, self, outcross, off_pedigree (the order of CLASSES)

*Determined* plants have one of the four verdicts and are not held. Where a tag's plants wait for a parent, or
for an answer about their tag, it is the hybrids that wait while selfs have their verdict: such a tag would
count as selfed. *Counted* are the determined plants of all other tags. Rates are taken over them, each
counted by its posterior. Expected counts are sums of posteriors over every plant that has data.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Ints, Objects
from crossproof.model.declaration import default
from crossproof.model.results import CLASSES, PARENT_REASONS, Decision, Reason, Verdict
from crossproof.rates.estimators.clusters import group_sum

POSTERIORS = tuple(f"p_{c}" for c in CLASSES)


@dataclass(frozen=True)
class RateOptions:
    """Settings of the rates; the names are those of config.yaml.

    `level`: of all intervals. `temperature_step`: width of a temperature class in degrees Celsius.
    """

    target_hybrids: int = default("target_hybrids")
    rates_by: tuple[str, ...] = default("rates_by")
    min_group_plants: int = default("min_group_plants")
    min_group_tags: int = default("min_group_tags")
    success_probability: float = default("success_probability")
    test_cost: float = default("test_cost")
    currency: str = default("currency")
    level: float = 0.95
    temperature_step: float = 4.0

    @classmethod
    def of(cls, settings: object) -> RateOptions:
        """Take the fields that `settings` (a Config, a mapping) has; defaults for the rest."""
        found: dict[str, Any] = {}
        for field in fields(cls):
            value = (
                settings.get(field.name)
                if isinstance(settings, Mapping)
                else getattr(settings, field.name, None)
            )
            if value is not None:
                found[field.name] = tuple(value) if field.name == "rates_by" else value
        return cls(**found)


@dataclass(frozen=True, eq=False)
class Tally:
    """One season counted. Arrays (tag,) or (tag, class) unless said; `cluster_*` are (cluster,).

    A tally is equal to itself alone, so that what was worked out of one can be kept for the next table.
    """

    crosses: pd.DataFrame
    tested: Floats
    verdicts: Floats
    """Plants per verdict, (tag, 5): the classes, then all whose verdict does not count (held ones too)."""
    expected: Floats
    determined: Floats
    counted: Floats
    """Determined plants of tags none of whose plants wait for a parent or for an answer about their tag."""
    weighted: Floats
    """Sums of posteriors over counted plants."""
    held: Floats
    """Plants whose decision is hold."""
    retest: Floats
    """Plants whose decision is retest."""
    parent_untyped: Floats
    """Those of them that wait for a parent to be typed."""
    parents_to_type: Objects
    """Names of those parents, joined by "and"; "" where unknown."""
    flowers: Floats
    pods: Floats
    seeds: Floats
    any_hybrid: Floats
    pods_tested: Floats
    pods_with_hybrid: Floats
    cluster_tag: Ints
    cluster_n: Floats
    cluster_weighted: Floats
    cluster_verdicts: Floats
    """Counted plants per class, (cluster, class), whole numbers."""
    cluster_any: Floats
    """Chance that a plant of the cluster is a hybrid."""
    cluster_pod: Objects
    pods_recorded: bool
    yields: Floats
    """Shares of the pods with a hybrid that have 1, 2, 3 .. of them; [1] where pods are not recorded."""
    lost: int
    """Plants whose cross is not in the records."""

    @property
    def undetermined(self) -> Floats:
        """Plants without a verdict, held ones not counted, (tag,)."""
        return self.verdicts[:, len(CLASSES)] - self.held

    @property
    def tags(self) -> int:
        """Number of tags."""
        return len(self.crosses)


def number(frame: pd.DataFrame, column: str) -> Floats:
    """A column as floats, NaN where absent or not a number."""
    if column not in frame:
        return np.full(len(frame), np.nan)
    return np.asarray(pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan))


def text(frame: pd.DataFrame, column: str) -> Objects:
    """A column as strings, "" where absent or missing."""
    if column not in frame:
        return np.full(len(frame), "", dtype=object)
    values = frame[column].astype(object).where(frame[column].notna(), "")
    # each distinct value once: a season has few mothers and many plants
    codes, distinct = pd.factorize(values, sort=False)
    words = np.array([str(v).strip() for v in distinct], dtype=object)
    return words[codes] if len(words) else np.full(len(frame), "", dtype=object)


def tally(crosses: pd.DataFrame, verdicts: pd.DataFrame) -> Tally:
    """Count one season.

    Parameters: `crosses`, one row per tag, columns as the records reader gives them; `verdicts`, one row per
    plant. Columns that are absent count as not recorded.
    """
    crosses = crosses.reset_index(drop=True)
    tags = len(crosses)
    # a cross_id that appears twice is an error of the records; its plants go to the first row
    place = {name: row for row, name in reversed(list(enumerate(text(crosses, "cross_id"))))}
    tag_all = np.array([place.get(name, -1) for name in text(verdicts, "cross_id")], dtype=np.int64)
    known = tag_all >= 0
    plants = verdicts.loc[known].reset_index(drop=True)
    tag = tag_all[known]

    names = text(plants, "verdict")
    kind = np.full(len(plants), len(CLASSES), dtype=np.int64)
    for index, name in enumerate(CLASSES):
        kind[names == str(name)] = index
    decisions = text(plants, "decision")
    held = decisions == Decision.HOLD
    # where nobody decided, a plant without a verdict waits for a second sample
    retest = (decisions == Decision.RETEST) | ((decisions == "") & (kind == len(CLASSES)))
    reason = text(plants, "reason")
    untyped = retest & np.isin(reason, [r.value for r in PARENT_REASONS])
    kind[held] = len(CLASSES)
    waits = group_sum(tag, untyped | (held & (reason == Reason.SAMPLE_HELD)), tags) > 0
    posterior = np.column_stack([number(plants, p) for p in POSTERIORS]) if len(plants) else np.zeros((0, 4))
    has_data: Bools = np.asarray(np.isfinite(posterior).all(axis=1), dtype=bool)
    posterior = np.where(has_data[:, None], posterior, 0.0)
    determined = kind < len(CLASSES)
    sure = determined & ~waits[tag]
    # a determined plant without posteriors counts by its verdict
    bare = determined & ~has_data
    posterior[bare] = np.eye(5)[kind[bare], :4]
    weight = np.where(sure[:, None], posterior, 0.0)

    flowers = number(crosses, "flowers")
    flowers = np.where(np.isnan(flowers), 1.0, flowers)
    pods, seeds = number(crosses, "pods"), number(crosses, "seeds")

    pod = text(plants, "pod")
    labels = sorted(set(pod), key=_pod_order)
    place_of = {label: index for index, label in enumerate(labels)}
    codes = np.array([place_of[p] for p in pod], dtype=np.int64)
    cluster_key = tag * (len(labels) + 1) + codes
    keys, cluster = np.unique(cluster_key[sure], return_inverse=True)
    cluster = np.ravel(cluster)
    clusters = len(keys)
    cluster_tag = keys // (len(labels) + 1)
    cluster_pod = np.array([labels[key % (len(labels) + 1)] for key in keys], dtype=object)
    cluster_n = group_sum(cluster, np.ones(len(cluster)), clusters)
    cluster_weighted = _sums(cluster, weight[sure], clusters)
    cluster_verdicts = _sums(cluster, np.eye(5)[kind[sure], :4], clusters)
    log_none = np.log1p(-np.minimum(posterior[sure, 0], 1 - 1e-12))
    pod_any = -np.expm1(group_sum(cluster, log_none, clusters))
    named = cluster_pod != ""
    hybrids_per_pod = np.round(cluster_weighted[:, 0][named]).astype(np.int64)
    hits = hybrids_per_pod[hybrids_per_pod > 0]
    # fewer than ten pods say little of the spread; then a success counts one hybrid
    yields = np.bincount(hits)[1:] / len(hits) if len(hits) >= 10 else np.array([1.0])

    return Tally(
        crosses=crosses,
        tested=group_sum(tag, np.ones(len(tag)), tags),
        verdicts=_sums(tag, np.eye(5)[kind], tags),
        expected=_sums(tag, posterior, tags),
        determined=group_sum(tag, determined, tags),
        counted=group_sum(tag, sure, tags),
        weighted=_sums(tag, weight, tags),
        held=group_sum(tag, held, tags),
        retest=group_sum(tag, retest, tags),
        parent_untyped=group_sum(tag, untyped, tags),
        parents_to_type=_names_by_tag(tag[untyped], text(plants, "parents_to_type")[untyped], tags),
        flowers=flowers,
        pods=pods,
        seeds=seeds,
        any_hybrid=-np.expm1(group_sum(tag[sure], log_none, tags)),
        pods_tested=group_sum(cluster_tag[named], np.ones(int(named.sum())), tags),
        pods_with_hybrid=group_sum(cluster_tag[named], pod_any[named], tags),
        cluster_tag=cluster_tag,
        cluster_n=cluster_n,
        cluster_weighted=cluster_weighted,
        cluster_verdicts=cluster_verdicts,
        cluster_any=pod_any,
        cluster_pod=cluster_pod,
        pods_recorded=bool(named.any()),
        yields=yields,
        lost=int((~known).sum()),
    )


def _names_by_tag(tag: Ints, joined: Objects, tags: int) -> Objects:
    """Distinct names of each tag, from cells that join names by ;, (tag,)."""
    found: list[dict[str, None]] = [{} for _ in range(tags)]
    for i, cell in zip(tag, joined, strict=True):
        found[i].update(dict.fromkeys(name for name in cell.split(";") if name))
    return np.array([" and ".join(names) for names in found], dtype=object)


def _pod_order(label: str) -> tuple[int, int, str]:
    """Pod 2 before pod 10, numbers before names."""
    return (0, int(label), label) if label.isascii() and label.isdigit() else (1, 0, label)


def _sums(index: Ints, values: Floats, size: int) -> Floats:
    """Column sums of values (row, column) by index, (size, column)."""
    return np.column_stack([group_sum(index, values[:, c], size) for c in range(values.shape[1])])


UNDETERMINED = str(Verdict.UNDETERMINED)
HELD = "held"
COUNTED = "counted"
