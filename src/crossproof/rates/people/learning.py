"""Whether a person's selfs become rarer with practice.

    y, m    selfs and hybrids of one tag
    x       log2(1 + flowers the person had pollinated before this tag): one more is a doubling

Practice makes most difference at first, so the log-odds of a self are taken to change by the same amount with
each doubling of the flowers done.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.factors import EVENTS_PER_TERM
from crossproof.rates.estimators.logistic import fit


@dataclass(frozen=True)
class Trend:
    """Odds ratio of a self per doubling of practice, with limits; NaN and a note where it cannot be said."""

    odds_ratio: float
    low: float
    high: float
    p: float
    note: str


def experience(person: Ints, moment: Ints, flowers: Floats) -> Floats:
    """Flowers each tag's person had pollinated before it, (tag,); 0 for a tag of no person.

    `moment`: place of the tag in time, no two alike.
    """
    out = np.zeros(len(person))
    order = np.lexsort((moment, person))
    done = np.cumsum(flowers[order]) - flowers[order]
    first = (
        np.concatenate([[True], person[order][1:] != person[order][:-1]])
        if len(order)
        else (np.zeros(0, dtype=bool))
    )
    start = np.maximum.accumulate(np.where(first, np.arange(len(order)), 0)) if len(order) else order
    out[order] = done - done[start]
    return np.where(person >= 0, out, 0.0)


def learning_slope(
    y: Floats, m: Floats, flowers_before: Floats, *, level: float = 0.95, least_tags: int = 5
) -> Trend:
    """One person's trend over the season; errors robust to correlation within tags.

    Parameters (tag,): `y`, `m` whole; `flowers_before`.
    """
    nan = float("nan")
    some = (y + m) > 0
    if some.sum() < least_tags or min(y.sum(), m.sum()) < EVENTS_PER_TERM:
        return Trend(nan, nan, nan, nan, "too few")
    x = np.log2(1.0 + flowers_before)
    if np.ptp(x[some]) <= 0:
        return Trend(nan, nan, nan, nan, "no trend over time can be seen")
    design = np.column_stack([np.ones(len(x)), x - x[some].mean()])
    found = fit(y[some], m[some], design[some], np.flatnonzero(some), level=level)
    if found is None:
        return Trend(nan, nan, nan, nan, "no finite fit: selfs and hybrids separate in time")
    ratio, low, high = np.exp(np.clip([found.coefficient[1], found.low[1], found.high[1]], -700.0, 700.0))
    return Trend(float(ratio), float(low), float(high), float(found.p[1]), "")
