"""How many seeds to test and flowers to pollinate, at the team's own rates and with their uncertainty.

    r          hybrids wanted
    n          seeds tested; F flowers pollinated
    h_c        hybrid rate of one cluster (a pod, or the seeds of one tag): beta(alpha, beta) over clusters
    s          pod set, pods per flower: beta over what is known of it
    q          probability that a hybrid, once tested, gets a right and determined verdict
    prob       wanted probability of at least r

Seeds of one pod share their fate, so counts of hybrids are sums of beta-binomials, not one binomial; the
uncertainty of (alpha, beta) is the posterior of `rates.betabinomial`, summed over its grid. With one known
rate for every seed this is Sedcole's number (Sedcole 1977, Crop Sci 17:667-668, `memory`): the smallest n
with P(Binomial(n, p) >= r) >= prob.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, gammaln
from scipy.stats import beta as beta_distribution
from scipy.stats import binom

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.betabinomial import HyperPosterior, hyper_posterior

MOST_SEEDS = 5000
"""Numbers above this are reported as "more than"."""

_POD_POINTS = 7
_KEPT_WEIGHT = 0.999


@dataclass(frozen=True)
class TeamRates:
    """A team's rates from its own records, with what is not known about them.

    `hyper`: posterior of the beta distribution of hybrid rates over tags. `pod_alpha`, `pod_beta`: of pod
    set. `seeds_per_pod` (count,): probability of 0, 1, 2 ... seeds in a pod. `tags`, `plants`, `flowers`:
    records behind it. `assumed`: parts taken from a stated assumption because there are no records.
    """

    hyper: HyperPosterior
    pod_alpha: float
    pod_beta: float
    seeds_per_pod: Floats
    tags: int
    plants: int
    flowers: int
    assumed: tuple[str, ...]

    @property
    def mean_seeds(self) -> float:
        """Mean seeds per pod."""
        return float(np.arange(len(self.seeds_per_pod)) @ self.seeds_per_pod)

    @property
    def hybrid_rate(self) -> float:
        """Mean hybrid rate."""
        return self.hyper.mean_mu

    @property
    def pod_set(self) -> float:
        """Mean pod set."""
        return self.pod_alpha / (self.pod_alpha + self.pod_beta)


ASSUMED_SIZE = 10.0
"""Plants' worth of agreement between tags, where no record tells; no source."""

ASSUMED_POD_SET = (2.0, 2.0)
ASSUMED_SEEDS_PER_POD = 3


def team_rates(
    hybrids: ArrayLike,
    determined: ArrayLike,
    flowers: ArrayLike,
    pods: ArrayLike,
    seeds: ArrayLike,
    class_prior: tuple[float, float, float, float],
    *,
    hybrid_weight: ArrayLike = 1.0,
    pod_weight: ArrayLike = 1.0,
) -> TeamRates:
    """Rates from one row per tag of earlier records; NaN where a number was not written down.

    hybrids, determined (tag,): plants; flowers, pods, seeds (tag,). Where nothing is known the hybrid rate
    is the class prior's share, as a beta worth 10 plants, pod set is beta(2, 2) and a pod has 3 seeds;
    `assumed` says so. `hybrid_weight`, `pod_weight` (tag,): what a tag of an earlier season counts.
    """
    y, n, fl, po, se = (
        np.asarray(a, dtype=np.float64).ravel() for a in (hybrids, determined, flowers, pods, seeds)
    )
    power, pod_power = (
        np.broadcast_to(np.asarray(w, dtype=float), y.shape) for w in (hybrid_weight, pod_weight)
    )
    assumed = []
    tested = np.isfinite(y) & np.isfinite(n) & (n > 0)
    if tested.any():
        hyper = hyper_posterior(y[tested], n[tested], weight=power[tested])
    else:
        assumed.append("hybrid rate")
        share = class_prior[0] / sum(class_prior)
        hyper = HyperPosterior(
            np.array([ASSUMED_SIZE * share]), np.array([ASSUMED_SIZE * (1 - share)]), np.array([1.0])
        )
    counted = np.isfinite(fl) & np.isfinite(po) & (fl > 0)
    if counted.any():
        set_pods = np.minimum(po[counted], fl[counted])
        pod_alpha = 0.5 + float(pod_power[counted] @ set_pods)
        pod_beta = 0.5 + float(pod_power[counted] @ (fl[counted] - set_pods))
    else:
        assumed.append("pod set")
        pod_alpha, pod_beta = ASSUMED_POD_SET
    with_seeds = np.isfinite(se) & np.isfinite(po) & (po > 0)
    if with_seeds.any():
        per_pod = se[with_seeds] / po[with_seeds]
        low = np.floor(per_pod).astype(np.int64)
        part = per_pod - low
        top = int(low.max()) + 2
        weight = po[with_seeds] / po[with_seeds].sum()
        seeds_pmf: Floats = np.zeros(top)
        np.add.at(seeds_pmf, low, weight * (1 - part))
        np.add.at(seeds_pmf, low + 1, weight * part)
    else:
        assumed.append("seeds per pod")
        seeds_pmf = np.eye(ASSUMED_SEEDS_PER_POD + 1)[-1]
    return TeamRates(
        hyper=hyper,
        pod_alpha=pod_alpha,
        pod_beta=pod_beta,
        seeds_per_pod=seeds_pmf,
        tags=int(tested.sum()),
        plants=round(float(n[tested].sum())),
        flowers=round(float(fl[counted].sum())),
        assumed=tuple(assumed),
    )


def sedcole(p: float, r: int, prob: float) -> int:
    """Smallest n with P(Binomial(n, p) >= r) >= prob; the fixed-rate case.

    p: rate above 0, at most 1; r: at least 1. Raises ValueError outside.
    """
    if not 0 < p <= 1 or r < 1 or not 0 < prob < 1:
        raise ValueError(
            "the rate lies above 0 and at most 1, at least 1 is wanted, with a probability below 1"
        )
    low, high = r - 1, r
    while binom.sf(r - 1, high, p) < prob:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if binom.sf(r - 1, middle, p) >= prob else (middle, high)
    return high


def beta_binomial_pmf(n: int, alpha: Floats, beta: Floats) -> Floats:
    """P(0 .. n of n) at each (alpha, beta), (grid, n + 1)."""
    k = np.arange(n + 1)
    choose = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    a, b = np.asarray(alpha)[:, None], np.asarray(beta)[:, None]
    return np.asarray(np.exp(choose + betaln(a + k, b + n - k) - betaln(a, b)))


def thinned(pmf: Floats, keep: float) -> Floats:
    """Distribution of how many are left when each of a number is kept with probability `keep`; (grid,
    count)."""
    k = np.arange(pmf.shape[1])
    return np.asarray(pmf @ binom.pmf(k[None, :], k[:, None], keep))


def _grid(hyper: HyperPosterior) -> tuple[Floats, Floats, Floats]:
    order = np.argsort(-hyper.weight)
    kept = order[: int(np.searchsorted(np.cumsum(hyper.weight[order]), _KEPT_WEIGHT)) + 1]
    weight = hyper.weight[kept]
    return hyper.alpha[kept], hyper.beta[kept], weight / weight.sum()


def _times(left: Floats, right: Floats, r: int) -> Floats:
    """Products of polynomials (grid, degree) below degree r."""
    out = np.zeros((max(len(left), len(right)), r))
    for i in range(min(r, right.shape[1])):
        width = min(r - i, left.shape[1])
        out[:, i : i + width] += left[:, :width] * right[:, i : i + 1]
    return out


def _power(base: Floats, exponent: int, r: int) -> Floats:
    out = np.zeros((len(base), r))
    out[:, 0] = 1.0
    square = _times(out, base, r)
    while exponent:
        if exponent & 1:
            out = _times(out, square, r)
        square = _times(square, square, r)
        exponent >>= 1
    return out


def chance_from_seeds(n: int, r: int, rates: TeamRates, seen: float, cluster: int) -> float:
    """P(at least r verified hybrids among n seeds) that come in clusters of `cluster` seeds sharing their
    fate."""
    if r <= 0:
        return 1.0
    alpha, beta, weight = _grid(rates.hyper)
    full, rest = divmod(n, cluster)
    some = _power(thinned(beta_binomial_pmf(cluster, alpha, beta), seen), full, r)
    some = _times(some, thinned(beta_binomial_pmf(rest, alpha, beta), seen), r)
    return float(np.clip(1 - weight @ some.sum(axis=1), 0.0, 1.0))


def seeds_needed(r: int, prob: float, rates: TeamRates, seen: float = 1.0, cluster: int = 1) -> int | None:
    """Smallest number of seeds with P(at least r verified hybrids) >= prob; None above MOST_SEEDS.

    seen: probability that a hybrid is verified as one; cluster: seeds of one pod, which share their fate.
    """
    if seen <= 0:
        return None
    return smallest_number(r, MOST_SEEDS, prob, lambda n: chance_from_seeds(n, r, rates, seen, cluster))


def flower_pmf(rates: TeamRates, seen: float) -> tuple[Floats, Floats]:
    """Verified hybrids from one flower, (grid, count), and the weight of each grid point.

    The grid crosses the hybrid rate's posterior with quantiles of pod set.
    """
    alpha, beta, weight = _grid(rates.hyper)
    top = len(rates.seeds_per_pod)
    per_pod = np.zeros((len(alpha), top))
    for m, share in enumerate(rates.seeds_per_pod):
        if share > 0:
            per_pod[:, : m + 1] += share * thinned(beta_binomial_pmf(m, alpha, beta), seen)
    middles = (np.arange(_POD_POINTS) + 0.5) / _POD_POINTS
    pod_set = beta_distribution.ppf(middles, rates.pod_alpha, rates.pod_beta)
    per_flower = pod_set[:, None, None] * per_pod
    per_flower[:, :, 0] += 1 - pod_set[:, None]
    weights = np.repeat(weight[None, :] / _POD_POINTS, _POD_POINTS, axis=0)
    return per_flower.reshape(-1, top), weights.ravel()


def flowers_needed(r: int, prob: float, rates: TeamRates, seen: float = 1.0) -> int | None:
    """Smallest number of flowers with P(at least r verified hybrids) >= prob; None above MOST_SEEDS."""
    if seen <= 0 or r <= 0:
        return None if r > 0 else 0
    base, weight = flower_pmf(rates, seen)
    return smallest_number(1, MOST_SEEDS, prob, lambda n: 1 - float(weight @ _power(base, n, r).sum(axis=1)))


def smallest_number(low: int, most: int, prob: float, chance: Callable[[int], float]) -> int | None:
    """Smallest number in low .. most at which a rising chance reaches prob, or None."""
    below, above = low - 1, max(low, 1)
    while chance(above) < prob:
        if above >= most:
            return None
        below, above = above, min(2 * above, most)
    while above - below > 1:
        middle = (below + above) // 2
        below, above = (below, middle) if chance(middle) >= prob else (middle, above)
    return above


def hybrids_from_flowers(flowers: int, rates: TeamRates, seen: float = 1.0) -> Floats:
    """Distribution of verified hybrids from so many flowers, (count,): mixed over what is not known of the
    rates."""
    base, weight = flower_pmf(rates, seen)
    size = flowers * (base.shape[1] - 1) + 1
    out = np.zeros(size // 2 + 1, dtype=np.complex128)
    n_fft = size
    for start in range(0, len(base), 256):
        part = slice(start, start + 256)
        out += weight[part] @ np.fft.rfft(base[part], n_fft, axis=1) ** flowers
    pmf = np.maximum(np.fft.irfft(out, n_fft), 0.0)
    return np.asarray(pmf / pmf.sum())


def interval(pmf: Floats, level: float) -> tuple[float, int, int]:
    """Mean and the central `level` of a distribution of counts: whole numbers, at least `level` between
    them."""
    count = np.arange(len(pmf))
    cumulative = np.cumsum(pmf)
    tail = (1 - level) / 2
    low = int(np.searchsorted(cumulative, tail, side="right"))
    high = int(np.searchsorted(cumulative, 1 - tail, side="left"))
    return float(count @ pmf), min(low, len(pmf) - 1), min(high, len(pmf) - 1)
