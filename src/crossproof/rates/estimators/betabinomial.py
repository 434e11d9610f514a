"""Rates that vary from tag to tag: the beta-binomial, by maximum likelihood and as a posterior on a grid.

    y, n    plants of the class counted, and plants looked at, in one cluster (a tag, or a pod of it)
    alpha, beta   of the beta distribution that the clusters' rates are drawn from
    mu      alpha / (alpha + beta), the mean rate
    size    alpha + beta, "how many plants' worth of agreement" the clusters have
    rho     1 / (1 + size), correlation of two plants of one cluster: 0 independent, 1 all alike
    weight  posterior probability of a grid point; weights of a grid sum to 1

The likelihood of one cluster, without the binomial coefficient (which no parameter is in), is

    prod_{i<y} (alpha + i) * prod_{i<n-y} (beta + i) / prod_{i<n} (size + i)

so a whole group needs only how many clusters reach beyond each i. An expected count that is not whole
enters the last factor with its fraction as exponent: the same value at whole numbers, straight between them
on the log scale. (Skellam 1948, J R Stat Soc B 10:257-261; Griffiths 1973, Biometrics 29:637-648.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, expit, gammaln, logit, logsumexp

from crossproof.model.arrays import Floats, Ints

_LONG = 500
"""Plants of one cluster, above which factors are no longer written out."""


@dataclass(frozen=True)
class HyperPosterior:
    """Posterior over (alpha, beta) on a grid; arrays all of the grid's length, `weight` sums to 1."""

    alpha: Floats
    beta: Floats
    weight: Floats

    @property
    def mean_alpha(self) -> float:
        """Posterior mean of alpha."""
        return float(self.weight @ self.alpha)

    @property
    def mean_beta(self) -> float:
        """Posterior mean of beta."""
        return float(self.weight @ self.beta)

    @property
    def mean_mu(self) -> float:
        """Posterior mean of the mean rate."""
        return float(self.weight @ (self.alpha / (self.alpha + self.beta)))

    @property
    def mode(self) -> tuple[float, float]:
        """(alpha, beta) of the grid point with most weight per unit of the grid."""
        best = int(np.argmax(self.weight))
        return float(self.alpha[best]), float(self.beta[best])


def reach(values: Floats, group: Ints, groups: int, longest: int, weight: Floats | None = None) -> Floats:
    """How many clusters of each group reach beyond i: sum of clip(value - i, 0, 1); (group, i).

    `weight` (cluster,): what each counts, 1 where absent.
    """
    steps = np.arange(longest)
    out = np.zeros((groups, longest))
    for start in range(0, len(values), 65536):  # the clip array stays small for large seasons
        part = slice(start, start + 65536)
        beyond = np.clip(values[part, None] - steps, 0.0, 1.0)
        np.add.at(out, group[part], beyond if weight is None else beyond * weight[part, None])
    return out


def _clean(y: ArrayLike, n: ArrayLike, weight: ArrayLike = 1.0) -> tuple[Floats, Floats, Floats]:
    yy, nn = np.asarray(y, dtype=float).ravel(), np.asarray(n, dtype=float).ravel()
    assert yy.shape == nn.shape
    power = np.broadcast_to(np.asarray(weight, dtype=float).ravel(), yy.shape)
    known = np.isfinite(yy) & np.isfinite(nn) & (nn > 0) & (power > 0)
    return np.clip(yy[known], 0.0, nn[known]), nn[known], power[known]


def grid_log_likelihood(
    y: ArrayLike, n: ArrayLike, alpha: Floats, beta: Floats, weight: ArrayLike = 1.0
) -> Floats:
    """Natural-log likelihood of one group of clusters at each (alpha, beta), any shape, both above 0.

    Without the binomial coefficients; 0 for no clusters. `weight` (cluster,): power of each one's likelihood.
    """
    yy, nn, power = _clean(y, n, weight)
    flat_a, flat_b = np.ravel(alpha), np.ravel(beta)
    total = np.zeros(len(flat_a))
    longest = int(np.ceil(nn.max(initial=0.0)))
    if longest > _LONG:
        # The same by gamma functions: a few clusters of thousands of plants have too many factors.
        total = _rising(yy, flat_a, power) + _rising(nn - yy, flat_b, power)
        total = total - _rising(nn, flat_a + flat_b, power)
    elif longest:
        zero = np.zeros(len(nn), dtype=np.int64)
        steps = np.arange(longest)
        total = (
            np.log(flat_a[:, None] + steps) @ reach(yy, zero, 1, longest, power)[0]
            + np.log(flat_b[:, None] + steps) @ reach(nn - yy, zero, 1, longest, power)[0]
            - np.log((flat_a + flat_b)[:, None] + steps) @ reach(nn, zero, 1, longest, power)[0]
        )
    return total.reshape(np.shape(alpha))


def _rising(counts: Floats, start: Floats, power: Floats) -> Floats:
    """Sum over clusters of power * log(start (start + 1) .. (start + count - 1)), of the shape of `start`."""
    values, place = np.unique(counts, return_inverse=True)
    times = np.bincount(np.ravel(place), power, len(values))
    whole = np.floor(values)
    ends = gammaln(start[:, None] + whole) - gammaln(start)[:, None]
    ends += (values - whole) * np.log(start[:, None] + whole)
    return np.asarray(ends @ times)


def hyper_posterior(
    y: ArrayLike,
    n: ArrayLike,
    *,
    weight: ArrayLike = 1.0,
    logit_mean: Floats | None = None,
    log_size: Floats | None = None,
) -> HyperPosterior:
    """Posterior over (alpha, beta) given clusters, on a grid of log(alpha/beta) and log(alpha+beta).

    The prior is (alpha + beta)^(-5/2), which is flat on the mean and on size^(-1/2), about the standard
    deviation between clusters (Gelman et al., Bayesian Data Analysis 3, section 5.3); on the grid's scale
    it is alpha * beta * (alpha + beta)^(-5/2). The grid is bounded, so that the posterior exists for
    seasons without a single self as well.
    Parameters: `weight` (cluster,), power of each likelihood; `logit_mean`, `log_size`: grid points, evenly
    spaced; wide ones are chosen where absent.
    """
    yy, nn, power = _clean(y, n, weight)
    if logit_mean is None:
        centre, spread = 0.0, 6.0
        if len(nn):
            p = (float(power @ yy) + 0.5) / (float(power @ nn) + 1.0)
            # even at full correlation a cluster counts as one plant
            spread = min(8.0, 6.0 / np.sqrt(max(float(power.sum()), 0.5) * p * (1 - p)))
            centre = float(logit(p))
        logit_mean = np.linspace(centre - spread, centre + spread, 41)
    if log_size is None:
        log_size = np.linspace(-3.0, 7.0, 31)
    eta, lam = (axis.ravel() for axis in np.meshgrid(logit_mean, log_size, indexing="ij"))
    size = np.exp(lam)
    alpha, beta = expit(eta) * size, expit(-eta) * size
    log_weight = grid_log_likelihood(yy, nn, alpha, beta, power) + np.log(alpha) + np.log(beta) - 2.5 * lam
    return HyperPosterior(alpha, beta, np.exp(log_weight - logsumexp(log_weight)))


@dataclass(frozen=True)
class Estimates:
    """Estimate and limits of one rate for each group; arrays (group,), NaN where nothing is known."""

    mean: Floats
    low: Floats
    high: Floats
    variance: Floats | None = None


_POINTS = np.linspace(-18.0, 18.0, 361)
"""Logits at which a shrunk rate's posterior is held; 0.1 apart, the ends beyond any rate that matters."""


def shrink_clusters(y: ArrayLike, n: ArrayLike, hyper: HyperPosterior, *, level: float = 0.95) -> Estimates:
    """Every cluster's own rate, drawn towards the whole by the posterior over (alpha, beta).

    The posterior of a cluster's rate is the mixture of beta(alpha + y, beta + n - y) over the grid. A
    cluster without plants gets what is known of the whole. Parameters: `y`, `n` (cluster,).
    """
    yy = np.asarray(y, dtype=float).ravel()
    nn = np.asarray(n, dtype=float).ravel()
    nn = np.where(np.isfinite(nn) & np.isfinite(yy), nn, 0.0)
    yy = np.clip(np.where(nn > 0, yy, 0.0), 0.0, nn)
    # clusters repeat: (0 of 4), (4 of 4); to a thousandth of a plant
    pairs, back = np.unique(np.round(np.column_stack([yy, nn]), 3), axis=0, return_inverse=True)
    back = np.ravel(back)
    keep = hyper.weight > 1e-7
    alpha, beta, weight = hyper.alpha[keep], hyper.beta[keep], hyper.weight[keep] / hyper.weight[keep].sum()
    log_p, log_q = -np.logaddexp(0.0, -_POINTS), -np.logaddexp(0.0, _POINTS)
    # density on the logit scale, (grid, point)
    prior = np.exp(np.outer(alpha, log_p) + np.outer(beta, log_q) - betaln(alpha, beta)[:, None])
    mean, low, high, variance = (np.empty(len(pairs)) for _ in range(4))
    tail = (1 - level) / 2
    for start in range(0, len(pairs), 512):
        part = slice(start, start + 512)
        y1, n1 = pairs[part, :1], pairs[part, 1:]
        shift = betaln(alpha + y1, beta + n1 - y1) - betaln(alpha, beta)  # pair, grid
        size = alpha + beta + n1
        each = (alpha + y1) / size
        mean[part] = each @ weight
        variance[part] = (each**2 + each * (1 - each) / (size + 1)) @ weight - mean[part] ** 2
        # dividing by the cluster's own likelihood at each grid point, as the weight already holds it
        others = np.log(weight) - shift
        own = y1 * log_p + (n1 - y1) * log_q
        density = np.exp(others - others.max(axis=1, keepdims=True)) @ prior
        density *= np.exp(own - own.max(axis=1, keepdims=True))
        low[part], high[part] = quantiles(density, _POINTS, tail)
    return Estimates(mean[back], low[back], high[back], variance[back])


def quantiles(density: Floats, points: Floats, tail: float) -> tuple[Floats, Floats]:
    """Rates at the two tails of densities (row, point) over evenly spaced logits (point,) or (row, point)."""
    middle = (density[:, 1:] + density[:, :-1]) / 2
    cumulative = np.concatenate([np.zeros((len(density), 1)), np.cumsum(middle, axis=1)], axis=1)
    cumulative /= cumulative[:, -1:]
    grid = np.broadcast_to(points, density.shape)
    low = np.array([np.interp(tail, c, g) for c, g in zip(cumulative, grid, strict=True)])
    high = np.array([np.interp(1 - tail, c, g) for c, g in zip(cumulative, grid, strict=True)])
    return np.asarray(expit(low)), np.asarray(expit(high))
