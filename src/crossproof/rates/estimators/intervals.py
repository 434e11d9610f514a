"""Intervals of one proportion and of a difference, and the correction of a rate for wrong verdicts.

    x   number counted (may be an expected count, so not whole)
    n   number looked at
    p   x / n

Empty groups give NaN.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.laws import (
    agresti_coull_limits,
    exact_limits,
    jeffreys_limits,
    student_quantile,
    wald_limits,
    wilson_limits,
)

Method = Literal["exact", "wilson", "jeffreys", "agresti_coull", "wald"]

_LIMITS: dict[str, Callable[[Floats, Floats, float], tuple[Floats, Floats]]] = {
    "exact": exact_limits,
    "wilson": wilson_limits,
    "jeffreys": jeffreys_limits,
    "agresti_coull": agresti_coull_limits,
    "wald": wald_limits,
}

NONE = 1e-9
"""Plants; a count within this of 0 or of all is taken for it."""


def rate(count: ArrayLike, total: ArrayLike) -> Floats:
    """count / total, NaN where nothing was looked at."""
    x, n = np.broadcast_arrays(np.asarray(count, dtype=float), np.asarray(total, dtype=float))
    out = np.full(x.shape, np.nan)
    np.divide(x, n, out=out, where=n > 0)
    return out


def proportion_interval(
    count: ArrayLike, total: ArrayLike, *, level: float = 0.95, method: Method = "exact"
) -> tuple[Floats, Floats]:
    """Limits of a proportion.

    Parameters: `count` and `total`, any shape, `0 <= count <= total`; `level` between 0 and 1.
    Returns (low, high) of that shape, inside [0, 1], NaN where `total` is 0.
    `exact` is Clopper and Pearson 1934 (Biometrika 26:404-413): it never covers less than `level`, at the
    price of being wide; for a count that is not whole it is the same beta quantile, in between its
    neighbours. The others are as Brown, Cai & DasGupta 2001 describe them (Statistical Science 16:101-133).
    """
    x, n = np.broadcast_arrays(np.asarray(count, dtype=float), np.asarray(total, dtype=float))
    low, high = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
    some = (n > 0) & np.isfinite(x)
    if some.any():
        xs = np.clip(x[some], 0.0, n[some])
        # Sums of posteriors may be as small as numbers get, where the quantile fails; such a plant is none.
        xs = np.where(xs < NONE, 0.0, np.where(n[some] - xs < NONE, n[some], xs))
        lo, hi = _LIMITS[method](xs, n[some], level)
        low[some], high[some] = np.clip(lo, 0.0, 1.0), np.clip(hi, 0.0, 1.0)
    return low, high


def ratio_interval(
    numerator: ArrayLike, denominator: ArrayLike, *, level: float = 0.95
) -> tuple[float, float, float]:
    """Sum(numerator) / sum(denominator) over independent clusters, with limits.

    For ratios that are not proportions (hybrid seeds per flower). The clusters are the tags; the spread of
    the ratio between them is the linearised variance of a ratio estimator (Cochran 1977, Sampling
    Techniques, section 6.4), carried on the log scale with Student's t on tags - 1 degrees of freedom, so
    the lower limit stays above 0. NaN limits below three tags, where the
    spread is hardly known, or where the ratio is 0.
    """
    x, n = np.asarray(numerator, dtype=float), np.asarray(denominator, dtype=float)
    known = np.isfinite(x) & np.isfinite(n) & (n > 0)
    x, n = x[known], n[known]
    if n.sum() <= 0:
        return float("nan"), float("nan"), float("nan")
    ratio = float(x.sum() / n.sum())
    tags = len(n)
    if tags < 3 or ratio <= 0:
        return ratio, float("nan"), float("nan")
    residual = x - ratio * n
    error = np.sqrt(tags / (tags - 1) * np.sum(residual**2)) / n.sum()
    width = float(student_quantile(0.5 + level / 2, tags - 1) * error / ratio)
    return ratio, ratio * float(np.exp(-width)), ratio * float(np.exp(min(width, 700.0)))
