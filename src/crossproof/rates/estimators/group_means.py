"""The rate of each group (person, mother line, hour) when the tags inside a group differ too.

    y, n    plants of the class, and plants looked at, in one cluster (tag, or pod of it)
    g       group the cluster belongs to
    mu_g    mean rate of the group
    rho     correlation of two plants of one cluster, the same for all groups
    m, k    mean and size of the beta distribution that the groups' mu are drawn from

Two levels. Inside a group the clusters are beta-binomial with mean mu_g and correlation rho. One person's
tags say little of rho, all tags together say much, so rho's posterior comes from all groups at once:

    p(rho | all) ~ p(rho) * prod_g Z_g(rho),   Z_g(rho) = integral L_g(mu, rho) p(mu) dmu

*Raw*: p(mu_g) is Jeffreys' beta(1/2, 1/2), each group for itself:
    p(mu_g | all) = sum_rho p(rho | all) L_g(mu_g, rho) p(mu_g) / Z_g(rho)
*Shrunk*: mu_g ~ beta(m k, (1 - m) k), with m flat and k^(-1/2) flat (Gelman et al., Bayesian Data
Analysis 3, section 5.3), both on a grid: a small group is drawn towards the whole, a large one hardly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, expit, logit, logsumexp

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.betabinomial import Estimates, quantiles, reach
from crossproof.rates.estimators.clusters import group_sum, moment_rho

_RHO = np.concatenate([[0.0005], np.linspace(0.02, 0.98, 25)])
_RHO.flags.writeable = False
_POINTS = 121
_KEPT_GROUPS = 100
"""Groups whose densities on the grid (half a megabyte each) are kept rather than made a second time."""
_MOST_GROUPS = 2000
"""Above this a grid per group would be slow; such groups are tags or pods, for which see shrink_clusters."""


@dataclass(frozen=True)
class GroupMeans:
    """Raw and shrunk rates of groups; arrays (group,), NaN where a group has no cluster.

    `rho` is the posterior mean of the correlation inside clusters; `effective` the number of independent
    plants each group is worth, sum n / (sum n (1 + (n - 1) rho) / sum n).
    """

    raw: Estimates
    shrunk: Estimates
    rho: float
    effective: Floats


def effective_size(n: ArrayLike, group: Ints, groups: int, rho: float) -> Floats:
    """Independent plants that each group of correlated clusters is worth (Kish's design effect); (group,)."""
    nn = np.asarray(n, dtype=float)
    total = group_sum(group, nn, groups)
    variance = group_sum(group, nn * (1 + np.maximum(nn - 1, 0.0) * rho), groups)
    out = np.zeros(groups)
    np.divide(total**2, variance, out=out, where=variance > 0)
    return out


def group_means(
    y: ArrayLike, n: ArrayLike, group: ArrayLike, groups: int, *, level: float = 0.95
) -> GroupMeans:
    """Raw and shrunk rate of every group, with limits.

    Parameters: `y`, `n`, `group` (cluster,): plants of the class, plants, and 0-based group; `groups`, how
    many there are. Clusters without plants are passed over. Equal-tailed posterior limits at `level`.
    Measured coverage: docs/rates.md.
    """
    yy, nn = np.asarray(y, dtype=float).ravel(), np.asarray(n, dtype=float).ravel()
    gg = np.asarray(group, dtype=np.int64).ravel()
    assert yy.shape == nn.shape == gg.shape
    known = np.isfinite(yy) & np.isfinite(nn) & (nn > 0)
    nn, gg = nn[known], gg[known]
    yy = np.clip(yy[known], 0.0, nn)
    empty = np.full(groups, np.nan)
    if not len(nn) or groups > _MOST_GROUPS:
        nothing = Estimates(empty, empty, empty)
        return GroupMeans(nothing, nothing, float("nan"), np.zeros(groups))
    present, inner = np.unique(gg, return_inverse=True)
    count = len(present)
    longest = int(np.ceil(nn.max()))
    reach_y = reach(yy, inner, count, longest)
    reach_q = reach(nn - yy, inner, count, longest)
    reach_n = reach(nn, inner, count, longest)
    points = _points(yy, nn, inner, count)  # group, point

    step = points[:, 1] - points[:, 0]
    log_l = np.empty((count, len(_RHO), _POINTS))  # group, rho, point
    size = (1 - _RHO) / _RHO
    i = np.arange(longest)
    for g in range(count):
        mu, nu = expit(points[g]), expit(-points[g])
        last = int(np.max(np.nonzero(reach_n[g])[0])) + 1
        a = np.log(size[:, None, None] * mu[:, None] + i[:last]) @ reach_y[g, :last]
        b = np.log(size[:, None, None] * nu[:, None] + i[:last]) @ reach_q[g, :last]
        log_l[g] = a + b - (np.log(size[:, None] + i[:last]) @ reach_n[g, :last])[:, None]
    # Jeffreys' prior on the logit scale
    jeffreys = -0.5 * (np.logaddexp(0, -points) + np.logaddexp(0, points))  # group, point
    joint = log_l + jeffreys[:, None, :]
    log_z = logsumexp(joint, axis=2) + np.log(step)[:, None]  # group, rho
    log_rho = log_z.sum(axis=0) + np.log(_rho_width())
    rho_weight = np.exp(log_rho - logsumexp(log_rho))
    rho = float(rho_weight @ _RHO)

    # likelihood of mu_g with rho summed out, the group's own share in rho's posterior taken back out
    log_rest = np.log(np.maximum(rho_weight, 1e-300)) - log_z
    likelihood = logsumexp(log_l + log_rest[:, :, None], axis=1)  # group, point
    likelihood -= likelihood.max(axis=1, keepdims=True)
    raw = _reach_ends(_summary(np.exp(likelihood + jeffreys), points, level), yy, nn, inner, count)
    shrunk = _shrunk(likelihood, points, step, level)
    return GroupMeans(
        _spread(raw, present, groups),
        _spread(shrunk, present, groups),
        rho,
        effective_size(nn, gg, groups, rho),
    )


def _rho_width() -> Floats:
    """Prior mass of each rho: flat on 0 to 1."""
    edges = np.concatenate([[0.0], (_RHO[1:] + _RHO[:-1]) / 2, [1.0]])
    return np.diff(edges)


def _points(y: Floats, n: Floats, group: Ints, groups: int) -> Floats:
    """Logits at which each group's posterior is held, (group, point): eight standard errors either way."""
    total = group_sum(group, n, groups)
    p = (group_sum(group, y, groups) + 0.5) / (total + 1.0)
    # a wide guess of the correlation, so that the grid is never too narrow
    worth = np.maximum(effective_size(n, group, groups, min(0.95, moment_rho(y, n, group) + 0.15)), 0.7)
    spread = np.clip(8.0 / np.sqrt(worth * p * (1 - p)), 0.2, 16.0)
    centre = logit(p)
    return np.linspace(centre - spread, centre + spread, _POINTS, axis=1)


def _summary(density: Floats, points: Floats, level: float) -> Estimates:
    mean = np.sum(density * expit(points), axis=1) / density.sum(axis=1)
    low, high = quantiles(density, points, (1 - level) / 2)
    return Estimates(mean, low, high)


def _reach_ends(raw: Estimates, y: Floats, n: Floats, group: Ints, groups: int) -> Estimates:
    """Limits that take in the plain rate, so that a group without a single self has 0 in its interval.

    The usual amendment of Jeffreys' interval (Brown, Cai & DasGupta 2001, Statistical Science 16:101-133).
    """
    plain = group_sum(group, y, groups) / group_sum(group, n, groups)
    return Estimates(raw.mean, np.minimum(raw.low, plain), np.maximum(raw.high, plain))


def _shrunk(likelihood: Floats, points: Floats, step: Floats, level: float) -> Estimates:
    """Posterior of each group's rate under a beta population of groups whose m and k are on a grid."""
    best = np.take_along_axis(points, likelihood.argmax(axis=1)[:, None], axis=1)[:, 0]
    centre = float(np.clip(np.median(best), -6.0, 6.0))
    reachable = max(2.0, float(np.ptp(np.clip(best, -6.0, 6.0))))
    m = expit(np.linspace(centre - reachable, centre + reachable, 31))
    log_k = np.linspace(0.0, 6.5, 14)
    m2, k2 = (axis.ravel() for axis in np.meshgrid(m, np.exp(log_k), indexing="ij"))
    alpha, beta = m2 * k2, (1 - m2) * k2
    log_weight = np.log(alpha) + np.log(beta) - 2.5 * np.log(k2)  # grid
    groups = len(points)
    log_share = np.empty((groups, len(alpha)))
    kept: list[Floats] = []
    for g in range(groups):
        density_g = _beta_density(points[g], alpha, beta)
        share = density_g @ np.exp(likelihood[g]) * step[g]
        if groups <= _KEPT_GROUPS:
            kept.append(density_g)
        # a population so far from the group that the product underflows has no weight anyway
        log_share[g] = np.log(np.maximum(share, 1e-300))
    log_weight = log_weight + log_share.sum(axis=0)
    log_weight -= logsumexp(log_weight)
    density = np.empty_like(points)
    for g in range(groups):
        rest = log_weight - log_share[g]
        rest -= rest.max()
        keep = rest > -25.0
        of_grid = kept[g][keep] if kept else _beta_density(points[g], alpha[keep], beta[keep])
        prior = np.exp(rest[keep]) @ of_grid
        density[g] = prior * np.exp(likelihood[g])
    return _summary(density, points, level)


def _beta_density(points: Floats, alpha: Floats, beta: Floats) -> Floats:
    """Density on the logit scale of beta(alpha, beta), (grid, point)."""
    edges = np.stack([-np.logaddexp(0.0, -points), -np.logaddexp(0.0, points)])
    log_density = np.column_stack([alpha, beta]) @ edges - betaln(alpha, beta)[:, None]
    return np.asarray(np.exp(log_density))


def _spread(estimates: Estimates, present: Ints, groups: int) -> Estimates:
    """Estimates of the groups that have clusters, put back among all groups."""
    out = np.full((3, groups), np.nan)
    out[:, present] = estimates.mean, estimates.low, estimates.high
    return Estimates(out[0], out[1], out[2])
