"""People beside each other: funnel limits, overdispersion, observed against expected, false discovery.

    O, E    selfs observed, and expected of an average person with the same mothers, hours and weeks
    n       determined plants
    theta   rate of the whole
    phi     how much more the groups' z vary than chance lets them (1: not at all)
    rho     correlation of two plants of one tag
    p, q    two-sided p value, and the same after control of the false discovery rate

Funnel limits are the exact binomial quantiles, interpolated between whole counts (Spiegelhalter 2005,
Statistics in Medicine 24:1185-1202, appendix A.1.1). Plants of a tag share their fate, so a person's n is
counted in independent plants before it enters the funnel. O is tested against E in fair_test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Bools, Floats, Objects
from crossproof.rates.estimators.laws import binomial_chance, binomial_quantile, binomial_up_to
from crossproof.rates.people.standing import Position


def funnel_limit(theta: float, n: ArrayLike, quantile: float) -> Floats:
    """Exact funnel limit at one quantile, as a rate; any shape of `n`, NaN where n is 0.

    The smallest r with P(R <= r) > quantile, moved back by the part of its probability that lies beyond the
    quantile: (r - a) / n, a = (P(R <= r) - quantile) / P(R = r). May leave [0, 1]: the count that would be
    needed does not exist, and no group of this size can be outside. `n` need not be whole: between whole
    numbers the limit is interpolated.
    """
    size = np.asarray(n, dtype=float)
    low, high = np.floor(size), np.ceil(size)

    def whole(m: Floats) -> Floats:
        m = np.maximum(m, 1.0)
        r = binomial_quantile(quantile, m, theta)
        # ppf gives P(R <= r) >= quantile; the definition wants more than the quantile
        r = r + (binomial_up_to(r, m, theta) <= quantile)
        beyond = binomial_up_to(r, m, theta) - quantile
        return np.asarray((r - beyond / binomial_chance(r, m, theta)) / m)

    out = np.full(size.shape, np.nan)
    some = size > 0
    if some.any() and 0 < theta < 1:
        below, above = whole(low[some]), whole(high[some])
        out[some] = below + (size[some] - low[some]) * (above - below)
    elif some.any():
        out[some] = theta
    return out


def z_scores(count: ArrayLike, n: ArrayLike, theta: float) -> Floats:
    """(p - theta) / sqrt(theta (1 - theta) / n); NaN where it cannot be formed."""
    x, m = np.asarray(count, dtype=float), np.asarray(n, dtype=float)
    out = np.full(m.shape, np.nan)
    some = (m > 0) & (0 < theta < 1)
    out[some] = (x[some] / m[some] - theta) / np.sqrt(theta * (1 - theta) / m[some])
    return out


def overdispersion(z: ArrayLike, *, winsorised: float = 0.0) -> float:
    """phi = mean of z squared (Spiegelhalter 2005, section 5), NaN where no z is known.

    `winsorised`: share at each end that is drawn in to the nearest kept value first, so that one outlying
    group does not widen the limits it is judged by.
    """
    known = np.asarray(z, dtype=float)
    known = np.sort(known[np.isfinite(known)])
    if not len(known):
        return float("nan")
    cut = int(winsorised * len(known))
    if cut:
        known = np.clip(known, known[cut], known[-cut - 1])
    return float(np.mean(known**2))


@dataclass(frozen=True)
class Funnel:
    """Limits (group,) about each `centre`, kept in [0, 1], and the place; `phi` estimated, `used` applied."""

    theta: float
    centre: Floats
    low_95: Floats
    high_95: Floats
    low_998: Floats
    high_998: Floats
    position: Objects
    phi: float
    used: float


def funnel(
    count: ArrayLike,
    n: ArrayLike,
    *,
    effective: ArrayLike | None = None,
    expected: ArrayLike | None = None,
    least: int = 10,
) -> Funnel:
    """Funnel of all groups about the rate expected of each, the pooled rate where none is given.

    Parameters (group,): `count` of `n`; `effective`: independent plants that n is worth, n where absent;
    `expected`: rate of an average person under the group's conditions.
    `least`: groups needed for phi to apply. With fewer, phi would measure the very differences that are
    looked for and hide them; it is then reported only. Limits are widened by sqrt(phi) about theta where phi
    is above 1 (multiplicative model, phi from z winsorised at 10 %).
    """
    x, size = np.asarray(count, dtype=float), np.asarray(n, dtype=float)
    worth = size if effective is None else np.asarray(effective, dtype=float)
    theta = float(x.sum() / size.sum()) if size.sum() > 0 else float("nan")
    p = np.full(size.shape, np.nan)
    np.divide(x, size, out=p, where=size > 0)
    centre = np.full(size.shape, theta) if expected is None else np.asarray(expected, dtype=float)
    centre = np.where(np.isfinite(centre), centre, theta)
    z = [float(z_scores([a * b], [b], c)[0]) for a, b, c in zip(p, worth, centre, strict=True)]
    phi = overdispersion(z, winsorised=0.1)
    used = phi if np.isfinite(phi) and phi > 1 and int((size > 0).sum()) >= least else 1.0
    edges = []
    for quantile in (0.025, 0.975, 0.001, 0.999):
        limit = np.full(size.shape, np.nan)
        for k in np.flatnonzero(np.isfinite(centre)):
            limit[k] = funnel_limit(float(centre[k]), worth[k : k + 1], quantile)[0]
        edges.append(centre + (limit - centre) * np.sqrt(used))
    low95, high95, low998, high998 = edges
    position = np.full(size.shape, Position.UNKNOWN, dtype=object)
    position[np.isfinite(p)] = Position.INSIDE
    position[p < low95] = Position.BELOW_95
    position[p > high95] = Position.ABOVE_95
    position[p < low998] = Position.BELOW_998
    position[p > high998] = Position.ABOVE_998
    low95, high95, low998, high998 = (np.clip(edge, 0.0, 1.0) for edge in edges)
    return Funnel(theta, centre, low95, high95, low998, high998, position, phi, used)


def false_discovery(p: ArrayLike) -> Floats:
    """q values (Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300); NaN where p is NaN, and not counted
    there.

    The least of p m / rank over all p values that are as large, m of them in all.
    """
    values = np.asarray(p, dtype=float)
    out = np.full(values.shape, np.nan)
    known = np.isfinite(values)
    order = np.argsort(values[known], kind="stable")
    share = np.arange(1, len(order) + 1) / max(len(order), 1)
    q = np.empty(len(order))
    q[order] = np.minimum(np.minimum.accumulate((values[known][order] / share)[::-1])[::-1], 1.0)
    out[known] = q
    return out


@dataclass(frozen=True)
class ControlChart:
    """Attributes (p) chart; arrays (sample,). `out`: outside the limits."""

    centre: float
    low: Floats
    high: Floats
    out: Bools


def p_chart(
    count: ArrayLike, n: ArrayLike, *, effective: ArrayLike | None = None, used: ArrayLike | None = None
) -> ControlChart:
    """Shewhart's p chart with limits at three standard deviations.

    Parameters (sample,): `count` of `n`; `effective`: independent plants that n is worth; `used`: samples
    that the centre is computed from, all where absent (leaving out those with a known cause).
    """
    x, size = np.asarray(count, dtype=float), np.asarray(n, dtype=float)
    worth = size if effective is None else np.asarray(effective, dtype=float)
    kept = np.ones(len(size), dtype=bool) if used is None else np.asarray(used, dtype=bool)
    if size[kept].sum() <= 0:
        nothing = np.full(len(size), np.nan)
        return ControlChart(float("nan"), nothing, nothing, np.zeros(len(size), dtype=bool))
    centre = float(x[kept].sum() / size[kept].sum())
    width = np.full(len(size), np.nan)
    some = worth > 0
    width[some] = 3 * np.sqrt(centre * (1 - centre) / worth[some])
    low, high = np.maximum(centre - width, 0.0), np.minimum(centre + width, 1.0)
    p = np.full(len(size), np.nan)
    np.divide(x, size, out=p, where=size > 0)
    return ControlChart(centre, low, high, (p < low) | (p > high))
