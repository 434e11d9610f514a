"""Quantiles and tails of the normal, Student's t, beta and binomial distributions.

They are `scipy.special`'s under names of their own. `scipy.stats` gives the same numbers, but takes longer to
load than all the rates of a small season take.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from crossproof.model.arrays import Floats


def normal_quantile(p: ArrayLike) -> Floats:
    """x with P(X <= x) = p of a standard normal X."""
    return np.asarray(special.ndtri(p), dtype=float)


def normal_tail(x: ArrayLike) -> Floats:
    """P(X > x) of a standard normal X."""
    return np.asarray(special.ndtr(-np.asarray(x, dtype=float)), dtype=float)


def student_quantile(p: ArrayLike, degrees: ArrayLike) -> Floats:
    """x with P(X <= x) = p of Student's t with these degrees of freedom."""
    return np.asarray(special.stdtrit(degrees, p), dtype=float)


def student_tail(x: ArrayLike, degrees: ArrayLike) -> Floats:
    """P(X > x) of Student's t with these degrees of freedom."""
    return np.asarray(special.stdtr(degrees, -np.asarray(x, dtype=float)), dtype=float)


def beta_quantile(p: ArrayLike, a: ArrayLike, b: ArrayLike) -> Floats:
    """x with P(X <= x) = p of a beta(a, b)."""
    return np.asarray(special.betaincinv(a, b, p), dtype=float)


def beta_upper_quantile(p: ArrayLike, a: ArrayLike, b: ArrayLike) -> Floats:
    """x with P(X > x) = p of a beta(a, b)."""
    return np.asarray(special.betainccinv(a, b, p), dtype=float)


def binomial_up_to(k: ArrayLike, n: ArrayLike, p: float) -> Floats:
    """P(X <= k) of a binomial(n, p); `k`, `n` whole, k from 0."""
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    inside = special.betaincc(np.minimum(k, n - 1) + 1, np.maximum(n - k, 1.0), p)
    return np.where(k >= n, 1.0, inside)


def binomial_chance(k: ArrayLike, n: ArrayLike, p: float) -> Floats:
    """P(X = k) of a binomial(n, p); `k`, `n` whole, 0 <= k <= n."""
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    ways = special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1)
    return np.asarray(np.exp(ways + special.xlogy(k, p) + special.xlog1py(n - k, -p)), dtype=float)


def binomial_quantile(q: float, n: ArrayLike, p: float) -> Floats:
    """The smallest whole k with P(X <= k) >= q of a binomial(n, p); `n` whole."""
    n = np.asarray(n, dtype=float)
    low, high = np.zeros(n.shape), n.copy()  # k lies in low .. high
    while (low < high).any():
        middle = np.floor((low + high) / 2)
        enough = binomial_up_to(middle, n, p) >= q
        low, high = np.where(enough, low, np.minimum(middle + 1, high)), np.where(enough, middle, high)
    return low


def wilson_limits(count: Floats, total: Floats, level: float) -> tuple[Floats, Floats]:
    """Wilson's limits of a proportion (Wilson 1927, J Am Stat Assoc 22:209-212); `total` above 0."""
    z = float(-normal_quantile((1 - level) / 2))
    share = count / total
    middle = (share + z**2 / (2 * total)) / (1 + z**2 / total)
    reach = z * np.sqrt(share * (1 - share) / total + z**2 / (4 * total**2)) / (1 + z**2 / total)
    return middle - reach, middle + reach


def exact_limits(count: Floats, total: Floats, level: float) -> tuple[Floats, Floats]:
    """Clopper and Pearson's limits of a proportion (1934, Biometrika 26:404-413); `total` above 0."""
    tail = (1 - level) / 2
    rest = total - count
    with np.errstate(invalid="ignore"):
        low = np.where(count > 0, beta_quantile(tail, np.maximum(count, 1e-9), rest + 1), 0.0)
        high = np.where(rest > 0, beta_upper_quantile(tail, count + 1, np.maximum(rest, 1e-9)), 1.0)
    return low, high


def jeffreys_limits(count: Floats, total: Floats, level: float) -> tuple[Floats, Floats]:
    """Quantiles of a beta(count + 1/2, total - count + 1/2); `total` above 0."""
    tail, a, b = (1 - level) / 2, count + 0.5, total - count + 0.5
    return beta_quantile(tail, a, b), beta_upper_quantile(tail, a, b)


def agresti_coull_limits(count: Floats, total: Floats, level: float) -> tuple[Floats, Floats]:
    """Wald's limits about the middle of Wilson's; `total` above 0."""
    z = float(-normal_quantile((1 - level) / 2))
    return wald_limits(count + z**2 / 2, total + z**2, level)


def wald_limits(count: Floats, total: Floats, level: float) -> tuple[Floats, Floats]:
    """The share and its standard error on either side; `total` above 0."""
    share = count / total
    reach = float(-normal_quantile((1 - level) / 2)) * np.sqrt(share * (1 - share) / total)
    return share - reach, share + reach
