"""How many markers a sample, and a blank, may be expected to call.

n_called ~ (1 - FAILED) BetaBinomial(n, usual, 20) + FAILED Uniform(0..n)        sample
n_called ~ (1 - STRAY) BetaBinomial(n, background, 20) + STRAY Uniform(0..n)     blank
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from crossproof.inference.plates.arrays import EMPTY, Plate
from crossproof.model.arrays import Floats

FAILED = 0.03
"""Probability that a sample fails, calling at any rate."""
STRAY = 0.03
"""Probability that a blank calls at any rate."""
PRECISION = 20.0
"""Precision (a + b) of call rates between wells."""


def beta_binomial_log(x: NDArray[np.integer], n: int, mean: float, precision: float) -> Floats:
    """log P(x of n) with beta-binomial mean and precision (a + b)."""
    mean = float(np.clip(mean, 1e-3, 1 - 1e-3))
    a, b = mean * precision, (1 - mean) * precision
    choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return np.asarray(choose + betaln(x + a, n - x + b) - betaln(a, b))


def call_rate_log(
    n_called: NDArray[np.integer], n: int, usual: float, background: float
) -> tuple[Floats, Floats]:
    """log P(markers called) of a sample and of a blank, (well,) each."""
    anything = -np.log(n + 1.0)
    sample = np.logaddexp(
        np.log1p(-FAILED) + beta_binomial_log(n_called, n, usual, PRECISION), np.log(FAILED) + anything
    )
    blank = np.logaddexp(
        np.log1p(-STRAY) + beta_binomial_log(n_called, n, background, PRECISION), np.log(STRAY) + anything
    )
    return sample, blank


def usual_call_rate(plates: Sequence[Plate]) -> float:
    """Median call rate of the wells that called at all."""
    rates = np.concatenate([p.n_called / max(p.n_markers, 1) for p in plates]) if plates else np.array([])
    rates = rates[rates > 0.3]
    return float(np.median(rates)) if len(rates) else 0.9


def background_call_rate(plates: Sequence[Plate]) -> float:
    """Call rate of blanks: median over the season's blanks, drawn to 0.02 by the weight of two blanks.

    Blanks that call like samples are left out: they are what the checks look for.
    """
    rates = np.concatenate([(p.n_called / max(p.n_markers, 1))[p.identity == EMPTY] for p in plates])
    return float(np.median(np.concatenate([rates[rates < 0.5], [0.02, 0.02]])))
