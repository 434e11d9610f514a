"""How many seeds to test and flowers to pollinate, at the team's own rates and with their uncertainty.

    r          hybrids wanted
    n          seeds tested; F flowers pollinated
    h_c        hybrid rate of one cluster (a pod, or the seeds of one tag): beta(alpha, beta) over clusters
    s          pod set, pods per flower: beta over what is known of it
    K          pods of F flowers: beta-binomial
    m          mean seeds per pod, known to a standard error
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
from scipy.special import betainc, betaln, gammaln, roots_hermitenorm, roots_sh_jacobi

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.betabinomial import HyperPosterior, hyper_posterior
from crossproof.rates.estimators.laws import binomial_chance

MOST_SEEDS = 5000
"""Numbers above this are reported as "more than"."""

_KEPT_WEIGHT = 1 - 1e-6
_SEED_POINTS = 7
_POD_SET_POINTS = 24
_WELL_KNOWN = 1000.0
_WORK = 400_000
_NOTHING = 1e-9


@dataclass(frozen=True)
class TeamRates:
    """A team's rates from its own records, with what is not known about them.

    `hyper`: posterior of the beta distribution of hybrid rates over tags. `pod_alpha`, `pod_beta`: of pod
    set. `seeds_per_pod` (count,): probability of 0, 1, 2 ... seeds in a pod. `tags`, `plants`, `flowers`:
    records behind it. `assumed`: parts taken from a stated assumption because there are no records.
    `seeds_error`: standard error of the mean seeds per pod.
    """

    hyper: HyperPosterior
    pod_alpha: float
    pod_beta: float
    seeds_per_pod: Floats
    tags: int
    plants: int
    flowers: int
    assumed: tuple[str, ...]
    seeds_error: float = 0.0

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
        seeds_error = _seeds_error(per_pod, weight)
    else:
        assumed.append("seeds per pod")
        seeds_pmf, seeds_error = np.eye(ASSUMED_SEEDS_PER_POD + 1)[-1], 0.0
    return TeamRates(
        hyper=hyper,
        pod_alpha=pod_alpha,
        pod_beta=pod_beta,
        seeds_per_pod=seeds_pmf,
        tags=int(tested.sum()),
        plants=round(float(n[tested].sum())),
        flowers=round(float(fl[counted].sum())),
        assumed=tuple(assumed),
        seeds_error=seeds_error,
    )


def _seeds_error(per_pod: Floats, weight: Floats) -> float:
    """Standard error of the mean seeds per pod, from how the tags' own means differ; weight sums to 1.

    Widened to the standard deviation of Student's t for the few degrees of freedom that few tags leave. One
    tag tells nothing of that: its mean is taken to be off by a half.
    """
    mean = float(weight @ per_pod)
    effective = 1 / float(weight @ weight)
    if effective < 1.5:
        return mean / 2
    variance = float(weight**2 @ (per_pod - mean) ** 2) * effective / (effective - 1)
    freedom = effective - 1
    return float(np.sqrt(variance * (freedom / (freedom - 2) if freedom > 3 else 3.0)))


def sedcole(p: float, r: int, prob: float) -> int:
    """Smallest n with P(Binomial(n, p) >= r) >= prob; the fixed-rate case.

    p: rate above 0, at most 1; r: at least 1. Raises ValueError outside.
    """
    if not 0 < p <= 1 or r < 1 or not 0 < prob < 1:
        raise ValueError(
            "the rate lies above 0 and at most 1, at least 1 is wanted, with a probability below 1"
        )
    low, high = r - 1, r
    while betainc(r, high - r + 1, p) < prob:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if betainc(r, middle - r + 1, p) >= prob else (middle, high)
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
    left, of = np.meshgrid(np.arange(pmf.shape[1]), np.arange(pmf.shape[1]))
    chance = np.where(left <= of, binomial_chance(np.minimum(left, of), of, keep), 0.0)
    return np.asarray(pmf @ chance)


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


def pod_pmf(rates: TeamRates, seen: float) -> tuple[Floats, Floats]:
    """Verified hybrids from one pod, (grid, count), and the weight of each grid point.

    The grid crosses the hybrid rate's posterior with what is not known of the mean seeds per pod.
    """
    alpha, beta, weight = _grid(rates.hyper)
    top = len(rates.seeds_per_pod)
    by_seeds = np.zeros((len(alpha), top, top))  # grid, seeds of the pod, hybrids
    for m in range(top):
        by_seeds[:, m, : m + 1] = thinned(beta_binomial_pmf(m, alpha, beta), seen)
    seeds, likely = _seed_distributions(rates)
    pmf = np.einsum("ns,gsh->ngh", seeds, by_seeds)
    return pmf.reshape(-1, top), np.outer(likely, weight).ravel()


def _seed_distributions(rates: TeamRates) -> tuple[Floats, Floats]:
    """Distributions of seeds per pod that the records allow, (node, count), and their weights.

    The records' own distribution, tilted by exp(t s) to each mean that a Gauss-Hermite rule asks for.
    """
    count = np.arange(len(rates.seeds_per_pod))
    varies = (rates.seeds_per_pod > 0).sum() > 1
    if rates.seeds_error <= 0 or not varies:
        return rates.seeds_per_pod[None, :], np.ones(1)
    nodes, likely = roots_hermitenorm(_SEED_POINTS)
    tilt = np.linspace(-8.0, 8.0, 641) / max(1.0, float(count[-1]))
    with np.errstate(divide="ignore"):
        log_pmf = np.log(rates.seeds_per_pod) + tilt[:, None] * count
    pmf = np.exp(log_pmf - log_pmf.max(axis=1, keepdims=True))
    pmf /= pmf.sum(axis=1, keepdims=True)
    at = np.interp(rates.mean_seeds + nodes * rates.seeds_error, pmf @ count, np.arange(len(tilt)))
    return pmf[np.rint(at).astype(np.int64)], np.asarray(likely / likely.sum())


class _Pods:
    """P(fewer than r verified hybrids) of 0, 1, 2 ... pods, worked out as far as asked for."""

    def __init__(self, r: int, rates: TeamRates, seen: float) -> None:
        base, self._weight = _fewer_rows(*pod_pmf(rates, seen), most=max(64, _WORK // max(r, 1)))
        self._base, self._r = base, r
        self._now = np.zeros((len(base), r))
        self._now[:, 0] = 1.0
        self.short = [1.0]

    def up_to(self, pods: int) -> Floats:
        """The chances for 0 .. pods pods; shorter where more pods leave next to none."""
        while len(self.short) <= pods and self.short[-1] > _NOTHING:
            self._now = _times(self._now, self._base, self._r)
            self.short.append(float(self._weight @ self._now.sum(axis=1)))
        return np.array(self.short[: pods + 1])


def _fewer_rows(pmf: Floats, weight: Floats, most: int) -> tuple[Floats, Floats]:
    """The same mixture with at most `most` rows: rows of nearly the same mean become one.

    Steps of the mean are even, so that rare low means stay by themselves.
    """
    if len(pmf) <= most:
        return pmf, weight
    mean = pmf @ np.arange(pmf.shape[1])
    place = np.rint((mean - mean.min()) / max(float(np.ptp(mean)), 1e-12) * (most - 1)).astype(np.int64)
    _, place = np.unique(place, return_inverse=True)
    total: Floats = np.bincount(place, weight).astype(np.float64)
    merged = np.stack([np.bincount(place, weight * column) for column in pmf.T], axis=1)
    return merged / total[:, None], total


def chance_from_flowers(flowers: int, rates: TeamRates, pods: _Pods) -> float:
    """P(at least r verified hybrids from so many flowers), summed over every number of pods they may set."""
    alpha, beta = np.array([rates.pod_alpha]), np.array([rates.pod_beta])
    short = pods.up_to(flowers)
    return float(1 - beta_binomial_pmf(flowers, alpha, beta)[0, : len(short)] @ short)


def flowers_needed(r: int, prob: float, rates: TeamRates, seen: float = 1.0) -> int | None:
    """Smallest number of flowers with P(at least r verified hybrids) >= prob; None above MOST_SEEDS."""
    if seen <= 0 or r <= 0:
        return None if r > 0 else 0
    pods = _Pods(r, rates, seen)
    return smallest_number(1, MOST_SEEDS, prob, lambda n: chance_from_flowers(n, rates, pods))


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
    base, weight = _fewer_rows(*pod_pmf(rates, seen), most=256)
    nodes, likely = _pod_set_nodes(rates.pod_alpha, rates.pod_beta, flowers)
    size = flowers * (base.shape[1] - 1) + 1
    out = np.zeros(size // 2 + 1, dtype=np.complex128)
    n_fft = size
    shown = np.fft.rfft(base, n_fft, axis=1)
    for pod_set, chance in zip(nodes, likely / likely.sum(), strict=True):
        out += chance * (weight @ np.exp(flowers * np.log(1 - pod_set + pod_set * shown)))
    pmf = np.maximum(np.fft.irfft(out, n_fft), 0.0)
    return np.asarray(pmf / pmf.sum())


def _pod_set_nodes(alpha: float, beta: float, flowers: int) -> tuple[Floats, Floats]:
    """Gauss's rule for a polynomial of degree `flowers` in pod set; of the normal shape where it is known
    well."""
    size = alpha + beta
    if size > _WELL_KNOWN:
        nodes, likely = roots_hermitenorm(_SEED_POINTS)
        mean = alpha / size
        return np.clip(mean + nodes * np.sqrt(mean * (1 - mean) / (size + 1)), 0.0, 1.0), likely
    nodes, likely = roots_sh_jacobi(min(_POD_SET_POINTS, flowers // 2 + 1), size - 1, alpha)
    return np.asarray(nodes), np.asarray(likely)


def interval(pmf: Floats, level: float) -> tuple[float, int, int]:
    """Mean and the central `level` of a distribution of counts: whole numbers, at least `level` between
    them."""
    count = np.arange(len(pmf))
    cumulative = np.cumsum(pmf)
    tail = (1 - level) / 2
    low = int(np.searchsorted(cumulative, tail, side="right"))
    high = int(np.searchsorted(cumulative, 1 - tail, side="left"))
    return float(count @ pmf), min(low, len(pmf) - 1), min(high, len(pmf) - 1)
