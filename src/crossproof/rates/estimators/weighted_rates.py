"""A group's rate as a weighted mean over its tags, with limits that cover what the weights stand for.

    r_t     share of the class among the plants (or pods) of tag t
    n_t     plants (or pods) that r_t was counted from
    w_t     weight of the tag: its plants, its seeds or its pods
    p       sum w r / sum w, the rate of a group
    rho     correlation of two plants (pods) of one tag, of all groups together
    kappa   the variance of p seen between tags over the one that rho foresees
    d       degrees of freedom of kappa

Weights decide the question. Weighted by seeds, p is the share of the seed; weighted by pods, each counting
once however many seeds it has, it is the share of the flowers that set a pod (weighting by inverse cluster
size: Williamson, Datta & Satten 2003, Biometrics 59:36-42). Where selfed flowers set more seed the two
differ, and the mean of a beta-binomial distribution is neither: it gives large tags less weight than they
have.

The variance of p foreseen is p (1 - p) sum w^2 (rho + (1 - rho) / n) / W^2. What is seen, T / (T - 1) sum w^2
(r - p)^2 / W^2, is true whatever the weights go with, but badly known from few tags. kappa of a group is
drawn towards that of all groups as if that were known from PRIOR_TAGS tags (a moderated variance; Smyth 2004,
Statistical Applications in Genetics and Molecular Biology 3:3). The limits are Jeffreys' for as many
independent plants as that variance is worth, made fewer by the square of normal over Student's t on d degrees
of freedom (Korn & Graubard 1998, Survey Methodology 24:193-201), and never more than the plants counted: a
few tags that agree by luck tell no more than as many independent plants.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.betabinomial import Estimates, hyper_posterior, shrink_clusters
from crossproof.rates.estimators.clusters import group_sum, moment_rho
from crossproof.rates.estimators.laws import beta_quantile, normal_quantile, student_quantile

PRIOR_TAGS = 20.0
"""Tags' worth of trust in the kappa of all groups; chosen by coverage, docs/rates.md."""


@dataclass(frozen=True)
class WeightedRates:
    """Raw and shrunk rates of groups; arrays (group,), NaN where a group has no tag.

    `effective`: independent plants each rate is worth; `rho`: correlation inside tags.
    """

    raw: Estimates
    shrunk: Estimates
    rho: float
    effective: Floats


def weighted_rates(
    share: ArrayLike,
    size: ArrayLike,
    weight: ArrayLike,
    group: ArrayLike,
    groups: int,
    *,
    level: float = 0.95,
) -> WeightedRates:
    """Rate of every group.

    Parameters (tag,): `share` r, between 0 and 1; `size` n; `weight` w; `group` from 0. Tags with a size or a
    weight of 0 are passed over.
    """
    r, n, w = (np.asarray(x, dtype=float).ravel() for x in (share, size, weight))
    g = np.asarray(group, dtype=np.int64).ravel()
    used = np.isfinite(r) & (n > 0) & (w > 0) & (g >= 0)
    r, n, w, g = np.clip(r[used], 0.0, 1.0), n[used], w[used], g[used]
    nothing = np.full(groups, np.nan)
    if not len(r):
        none = Estimates(nothing, nothing, nothing)
        return WeightedRates(none, none, float("nan"), np.zeros(groups))
    rho = moment_rho(r * n, n, g)
    tags, total = group_sum(g, np.ones(len(g)), groups), group_sum(g, w, groups)
    there = tags > 0
    p = np.divide(group_sum(g, w * r, groups), total, out=nothing.copy(), where=there)
    design = group_sum(g, w**2 * (rho + (1 - rho) / n), groups)
    seen = group_sum(g, w**2 * (r - p[g]) ** 2, groups)
    seen *= np.divide(tags, tags - 1, out=np.zeros(groups), where=tags > 1)
    kappa, degrees = _moderated(seen, p * (1 - p) * design, tags)
    worth = np.divide(total**2, kappa * design, out=np.zeros(groups), where=there)
    tail = (1 - level) / 2
    worth *= (normal_quantile(tail) / student_quantile(tail, degrees)) ** 2
    alone = group_sum(g, w**2 / n, groups)
    worth = np.minimum(worth, np.divide(total**2, alone, out=np.zeros(groups), where=there))
    low, high = nothing.copy(), nothing.copy()
    y, m = p[there] * worth[there], worth[there]
    low[there] = np.where(y <= 0, 0.0, beta_quantile(tail, y + 0.5, m - y + 0.5))
    high[there] = np.where(y >= m, 1.0, beta_quantile(1 - tail, y + 0.5, m - y + 0.5))
    low, high = np.fmin(low, p), np.fmax(high, p)
    drawn = np.where(there, np.nan_to_num(p) * worth, 0.0)
    shrunk = shrink_clusters(drawn, worth, hyper_posterior(drawn[there], worth[there]), level=level)
    at = np.where(there, 1.0, np.nan)
    return WeightedRates(
        Estimates(p, low, high),
        Estimates(shrunk.mean * at, shrunk.low * at, shrunk.high * at),
        rho,
        worth,
    )


def _moderated(seen: Floats, foreseen: Floats, tags: Floats) -> tuple[Floats, Floats]:
    """kappa of every group drawn towards that of all, and its degrees of freedom; (group,)."""
    told = (tags > 1) & (foreseen > 1e-12)
    own = np.divide(seen, foreseen, out=np.ones(len(tags)), where=told)
    degrees = np.where(told, tags - 1, 0.0)
    # many small groups at low rates: most show no spread, a few show much, so the mean goes by their variance
    information = np.where(told, degrees, 0.0)
    whole = float(information @ own / information.sum()) if information.sum() > 0 else 1.0
    prior = min(PRIOR_TAGS, float(degrees.sum()))
    kappa = np.divide(
        prior * whole + degrees * own, prior + degrees, out=np.ones(len(tags)), where=prior + degrees > 0
    )
    return np.maximum(kappa, 0.05), np.maximum(prior + degrees, 2.0)


def worth_of(value: ArrayLike, low: ArrayLike, high: ArrayLike) -> Floats:
    """Independent plants whose 95 % limits would be as wide as these; any shape, 0 where unknown.

    By Wilson's width for a share of 0 or 1, else by the width on the log-odds scale.
    """
    p, a, b = (np.asarray(x, dtype=float) for x in (value, low, high))
    z = float(normal_quantile(0.975))
    inner = np.clip(p, 1e-6, 1 - 1e-6)
    left, right = np.clip(a, 1e-6, 1 - 1e-6), np.clip(b, 1e-6, 1 - 1e-6)
    odds = np.log(right / (1 - right)) - np.log(left / (1 - left))
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = (2 * z / odds) ** 2 / (inner * (1 - inner))
        edge = z**2 * (1 / np.maximum(b - a, 1e-9) - 1)
    worth = np.where((p <= 1e-6) | (p >= 1 - 1e-6) | (a <= 0) | (b >= 1), edge, middle)
    return np.where(np.isfinite(worth), np.maximum(worth, 0.0), 0.0)
