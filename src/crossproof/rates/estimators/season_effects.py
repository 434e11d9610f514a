"""One season beside another: how far a person, line or hour is from its seasons, with the season as chance.

    d_gs    log-odds of level g in season s less those of everyone else in that season
    v_gs    its variance
    tau2    variance of a level between seasons beyond v, the same for all levels of a factor
    delta_g mean of d_gs over the seasons that level g was there

d_gs is normal with mean delta_g and variance v_gs + tau2. Comparing inside a season takes out what the
season did to everyone; tau2 takes in that a line may do better one year than another. tau2 is the moment
estimator of DerSimonian & Laird 1986 (Controlled Clinical Trials 7:177-188), its sum taken over all levels,
so that two or three seasons of each are enough to know it; t on the degrees of freedom it was estimated
from.

A trend is the weighted slope of a rate's log-odds over the seasons. What its limits take in differs: *these
seasons*, the seasons as they were; *any seasons*, with a variance between seasons about the line, estimated
on two degrees of freedom fewer than there are seasons. From three seasons, a lasting change and three years
that happened to differ cannot be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.laws import normal_quantile, normal_tail, student_quantile, student_tail


@dataclass(frozen=True)
class SeasonEffects:
    """Per level, (level,): mean log-odds, 95 % limits, p, seasons; `between` is tau2. NaN where unknown."""

    mean: Floats
    low: Floats
    high: Floats
    p: Floats
    seasons: Floats
    between: float


@dataclass(frozen=True)
class Trend:
    """Odds ratio per season, limits for these seasons, p for these and for any; NaN where unknown."""

    odds_ratio: float
    low: float
    high: float
    p_these: float
    p_any: float
    seasons: int


def log_odds(rate: ArrayLike, worth: ArrayLike) -> tuple[Floats, Floats]:
    """Log-odds of rates known from `worth` independent plants, and their variances; NaN where unknown.

    Half a plant is added to either side (Haldane 1956, Annals of Human Genetics 20:309-311).
    """
    p, n = np.asarray(rate, dtype=float), np.asarray(worth, dtype=float)
    known = np.isfinite(p) & (n > 0)
    yes, no = np.where(known, p * n, np.nan) + 0.5, np.where(known, (1 - p) * n, np.nan) + 0.5
    return np.log(yes / no), 1 / yes + 1 / no


def season_effects(value: ArrayLike, variance: ArrayLike, level: ArrayLike, levels: int) -> SeasonEffects:
    """Mean of every level over its seasons.

    Parameters (level and season,): `value` d, `variance` v, `level` from 0; entries with NaN are passed over.
    """
    d, v = np.asarray(value, dtype=float), np.asarray(variance, dtype=float)
    g = np.asarray(level, dtype=np.int64)
    known = np.isfinite(d) & np.isfinite(v) & (v > 0)
    d, v, g = d[known], v[known], g[known]
    w = 1 / v
    count, total = group_sum(g, np.ones(len(g)), levels), group_sum(g, w, levels)
    there = count > 0
    mean = np.divide(group_sum(g, w * d, levels), total, out=np.full(levels, np.nan), where=there)
    degrees = float((count[there] - 1).sum())
    q = float(np.sum(w * (d - mean[g]) ** 2))
    squares = np.divide(group_sum(g, w**2, levels), total, out=np.zeros(levels), where=there)
    scale = float((total - squares)[there].sum())
    between = max(0.0, (q - degrees) / scale) if scale > 0 and degrees > 0 else 0.0
    w = 1 / (v + between)
    total = group_sum(g, w, levels)
    mean = np.divide(group_sum(g, w * d, levels), total, out=np.full(levels, np.nan), where=there)
    error = np.divide(1.0, np.sqrt(total), out=np.full(levels, np.nan), where=there)
    # without a second season of any level the variance between seasons is not known at all
    law = max(degrees, 1.0) if between > 0 else np.inf
    if degrees == 0:
        none = np.full(levels, np.nan)
        return SeasonEffects(mean, none, none, none, count, float("nan"))
    known_between = np.isfinite(law)
    reach = float(student_quantile(0.975, law) if known_between else normal_quantile(0.975))
    ratio = np.abs(mean / error)
    beyond = student_tail(ratio, law) if known_between else normal_tail(ratio)
    return SeasonEffects(mean, mean - reach * error, mean + reach * error, 2 * beyond, count, between)


def trend(value: ArrayLike, variance: ArrayLike, time: ArrayLike) -> Trend:
    """Slope of log-odds over time; (season,) each, entries with NaN passed over. From two seasons on."""
    y, v, x = (np.asarray(a, dtype=float) for a in (value, variance, time))
    known = np.isfinite(y) & np.isfinite(v) & (v > 0) & np.isfinite(x)
    y, v, x = y[known], v[known], x[known]
    nan = float("nan")
    if len(y) < 2 or np.ptp(x) <= 0:
        return Trend(nan, nan, nan, nan, nan, len(y))

    def fitted(w: Floats) -> tuple[float, float, float]:
        middle = float(w @ x / w.sum())
        spread = float(w @ (x - middle) ** 2)
        slope = float(w @ ((x - middle) * y)) / spread
        rest = y - float(w @ y / w.sum()) - slope * (x - middle)
        return slope, float(np.sqrt(1 / spread)), float(w @ rest**2)

    w = 1 / v
    slope, error, q = fitted(w)
    p_these = float(2 * normal_tail(abs(slope / error)))
    p_any = nan
    degrees = len(y) - 2
    if degrees > 0:
        design = np.column_stack([np.ones(len(x)), x])
        hat = np.linalg.solve((design.T * w) @ design, (design.T * w**2) @ design)
        between = max(0.0, (q - degrees) / float(w.sum() - np.trace(hat)))
        apart, wide, _ = fitted(1 / (v + between))
        p_any = float(2 * student_tail(abs(apart / wide), degrees))
    reach = 1.959964 * error
    return Trend(
        float(np.exp(slope)),
        float(np.exp(slope - reach)),
        float(np.exp(slope + reach)),
        p_these,
        p_any,
        len(y),
    )
