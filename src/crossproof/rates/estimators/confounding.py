"""Recorded properties of tags, and which of them no model can tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.rates.estimators.clusters import group_sum
from crossproof.text import percent

SHARED = 0.75
"""Share of one factor's variation that another explains at or above which the two are called inseparable."""


@dataclass(frozen=True)
class Factor:
    """A recorded property of tags.

    Either `values` (tag,), NaN where missing, or `group` (tag,) into `levels`, -1 where missing.
    `unit`: what a slope is per, such as "hour later"; `least_span`: how far apart values must lie for it.
    """

    name: str
    values: Floats | None = None
    group: Ints | None = None
    levels: tuple[str, ...] = ()
    unit: str = ""
    least_span: float = 0.0

    @property
    def known(self) -> Bools:
        """Tags that have an entry."""
        if self.values is not None:
            return np.asarray(np.isfinite(self.values))
        assert self.group is not None
        return np.asarray(self.group >= 0)


def shared_variation(a: Factor, b: Factor, weight: Floats) -> float:
    """Share (0 to 1) of the one factor's variation that the other explains, the larger of the two ways.

    Two numbers: the squared correlation. Levels and a number: eta squared. Levels and levels: the uncertainty
    coefficient (mutual information over entropy; Theil 1970, American Journal of Sociology 76:103-154).
    NaN where either does not vary.
    """
    both = a.known & b.known & (weight > 0)
    w = weight[both]
    if both.sum() < 3:
        return float("nan")
    if a.values is not None and b.values is not None:
        x, y = a.values[both], b.values[both]
        x, y = x - np.average(x, weights=w), y - np.average(y, weights=w)
        spread = float(np.sum(w * x * x) * np.sum(w * y * y))
        return float(np.sum(w * x * y) ** 2 / spread) if spread > 0 else float("nan")
    if a.values is not None:
        a, b = b, a
    assert a.group is not None
    group = a.group[both]
    if b.values is not None:
        y = b.values[both]
        y = y - np.average(y, weights=w)
        spread = float(np.sum(w * y * y))
        if spread <= 0 or len(np.unique(group)) < 2:
            return float("nan")
        total = group_sum(group, w, len(a.levels))
        sums = group_sum(group, w * y, len(a.levels))
        return float(np.sum(sums[total > 0] ** 2 / total[total > 0]) / spread)
    assert b.group is not None
    table = group_sum(
        group * len(b.levels) + b.group[both], w, len(a.levels) * len(b.levels)
    ).reshape(len(a.levels), len(b.levels)) / w.sum()  # fmt: skip
    rows, columns = _entropy(table.sum(axis=1)), _entropy(table.sum(axis=0))
    if min(rows, columns) <= 1e-12:
        return float("nan")
    return float((rows + columns - _entropy(table.ravel())) / min(rows, columns))


def _entropy(share: Floats) -> float:
    some = share[share > 0]
    return float(-np.sum(some * np.log(some)))


def shared_sentences(factors: Sequence[Factor], weight: Floats) -> list[str]:
    """In words, the pairs of factors that nobody can tell apart in these records."""
    out = []
    for i, a in enumerate(factors):
        for b in factors[i + 1 :]:
            share = shared_variation(a, b, weight)
            if share >= SHARED:
                out.append(
                    f"{a.name} and {b.name} go together in these records ({percent(share)} of one follows "
                    f"from the other): their effects cannot be told apart. Next season, mix them."
                )
    return out
