"""What an average person would have had with the same mothers, hours and weeks (indirect standardisation).

    y, n    selfs and determined plants of one tag
    e       a tag's expected selfing rate given its conditions, from all people's tags together
    O, E    sums of y and of n e over a person's tags

The model is a logistic regression of the selfing rate on hour (with its square), mother line and week,
without the person. E of all people together equals O, as the intercept makes it. What a person's conditions
explain is taken out; what person and conditions share (a mother that only one person crosses) goes with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.confounding import Factor
from crossproof.rates.estimators.factors import EVENTS_PER_TERM, join_small_levels
from crossproof.rates.estimators.logistic import fit, fit_penalised, independent_columns


@dataclass(frozen=True)
class Standard:
    """Expected rate of every tag, (tag,), the factors it allows for and those that had to be left out.

    `design`: the columns of the model, (tag, column), first column 1, none a sum of others.
    """

    rate: Floats
    allowed: tuple[str, ...]
    left_out: tuple[str, ...]
    penalised: bool
    design: Floats


def expected_rate(
    y: Floats, n: Floats, factors: Sequence[Factor], *, least_plants: int = 20, least_tags: int = 5
) -> Standard:
    """Every tag's expected rate given its conditions.

    Parameters: `y`, `n` (tag,), whole; `factors` in order of importance: levels, or numbers, which enter with
    their square. Small levels are joined, missing entries are a level of their own, and factors enter while
    ten events per term remain. Fitted by maximum likelihood with cluster-robust errors where that exists,
    else by a ridge.
    """
    m = n - y
    total = float(n.sum())
    pooled = float(y.sum() / total) if total > 0 else float("nan")
    events = float(min(y.sum(), m.sum()))
    columns = [np.ones(len(n))]
    allowed: list[str] = []
    left_out: list[str] = []
    for original in factors:
        factor = join_small_levels(original, n, least_plants=least_plants, least_tags=least_tags)
        new = _columns(factor, n)
        if not new:
            continue
        if events < EVENTS_PER_TERM * (len(columns) - 1 + len(new)):
            left_out.append(factor.name)
            continue
        columns += new
        allowed.append(factor.name)
    if not allowed or not 0 < pooled < 1:
        return Standard(np.full(len(n), pooled), (), tuple(left_out), False, np.ones((len(n), 1)))
    design = np.column_stack(columns)
    some = n > 0
    keep = independent_columns(design[some])
    design = design[:, keep]
    found = fit(y[some], m[some], design[some], np.flatnonzero(some))
    if found is not None:
        eta = design @ found.coefficient
        return Standard(1 / (1 + np.exp(-eta)), tuple(allowed), tuple(left_out), False, design)
    ridge = fit_penalised(y, m, design)
    return Standard(ridge.fitted, tuple(allowed), tuple(left_out), True, design)


def _columns(factor: Factor, n: Floats) -> list[Floats]:
    known = factor.known
    if not (known & (n > 0)).any():
        return []
    missing = [(~known).astype(float)] if (~known & (n > 0)).any() else []
    if factor.values is not None:
        centre = float(np.average(factor.values[known], weights=n[known] + 1e-9))
        deviation = float(np.std(factor.values[known & (n > 0)]))
        if deviation <= 1e-9:
            return []
        value = np.where(known, (factor.values - centre) / deviation, 0.0)
        return [value, value**2, *missing]
    assert factor.group is not None
    plants = group_sum(factor.group[known], n[known], len(factor.levels))
    order = np.argsort(-plants, kind="stable")
    return [(factor.group == k).astype(float) for k in order[1:] if plants[k] > 0] + missing


def alone_share(person: Ints, n: Floats, factor: Factor, people: int, *, mostly: float = 0.9) -> Floats:
    """Share of each person's plants whose level of a factor is (nearly) this person's only; (person,).

    High means that person and factor cannot be told apart for this person. NaN where nothing is known.
    """
    assert factor.group is not None
    rows = (person >= 0) & factor.known & (n > 0)
    p, g, w = person[rows], factor.group[rows], n[rows]
    levels = len(factor.levels)
    both = group_sum(p * levels + g, w, people * levels).reshape(people, levels)
    by_level = np.maximum(both.sum(axis=0), 1e-12)
    only = np.where(both / by_level >= mostly, both, 0.0).sum(axis=1)
    out = np.full(people, np.nan)
    np.divide(only, both.sum(axis=1), out=out, where=both.sum(axis=1) > 0)
    return out
