"""Exact tail probabilities of sums of independent evidence, marker by marker.

    S      sum over markers of a score (a log likelihood ratio, natural log)
    K(t)   log E[exp(-t S)], the sum of the markers' own
    thr    the least S at which a verdict is given

P(S >= thr) comes from the convolution of the markers' score distributions on a grid. Rounding each score to
the grid moves S by a known amount at most, so the answer carries strict bounds. Where Chernoff's bound
P(S < thr) <= exp(K(t) + t thr) (Chernoff 1952, Ann Math Stat 23:493-507, eq. 3.7, `memory`) is already below
NEGLIGIBLE nothing is convolved.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from crossproof.model.arrays import Bools, Floats, Ints

NEGLIGIBLE = 1e-9
_TILT_STEP = 0.05
_TILT_STEPS = (1, 3, 6, 10, 14, 18, 20)
_TILTS = _TILT_STEP * np.array(_TILT_STEPS)
_MOST_CELLS = 1 << 15
_FEW_OUTCOMES = 8
_FINEST_STEP = 1e-3
_AT_ONCE = 8_000


@dataclass(frozen=True)
class Tail:
    """A probability with strict bounds, `low <= true value <= high`."""

    low: float
    value: float
    high: float


def _powers(unit: Floats) -> Iterator[Floats]:
    """The powers of an array at `_TILT_STEPS`, by multiplication alone."""
    small = {1: unit, 2: unit * unit}
    small |= {3: small[2] * unit, 4: small[2] * small[2]}
    power, done = None, 0
    for steps in _TILT_STEPS:
        power = small[steps - done] if power is None else power * small[steps - done]
        done = steps
        yield power


def chernoff_exponent(score: Floats, prob: Floats) -> Floats:
    """K(t) at a fixed set of t, (..., marker, tilt); score and prob are (..., marker, outcome)."""
    unit = np.exp(-_TILT_STEP * score)
    # All tilts are multiples of one step: multiplying is cheaper than exp.
    total = [np.einsum("...o,...o->...", prob, power) for power in _powers(unit)]
    return np.asarray(np.log(np.stack(total, axis=-1)))


def failure_bound(exponent: Floats, threshold: Floats | float) -> Floats:
    """Upper bound of P(S < threshold), (...), from K summed over markers, (..., tilt)."""
    shifted = exponent + _TILTS * np.asarray(threshold)[..., None]
    return np.asarray(np.exp(np.minimum(shifted.min(axis=-1), 0.0)))


def sum_bound(exponent: Floats, log_weight: Floats, log_limit: Floats | float) -> Floats:
    """Upper bound of P(sum over r of exp(log_weight_r - S_r) > limit), of the shape of `log_limit`.

    exponent (r, tilt): K of each S_r summed over markers. For 0 < t <= 1, (x + y)^t <= x^t + y^t, so that by
    Markov's inequality the chance is at most sum_r E[exp(t (log_weight_r - S_r))] / limit^t.
    """
    log_mean = np.logaddexp.reduce(exponent + _TILTS * log_weight[:, None], axis=0)  # tilt
    shifted = log_mean - _TILTS * np.asarray(log_limit)[..., None]
    return np.asarray(np.exp(np.minimum(shifted.min(axis=-1), 0.0)))


def sum_bounds(exponent: Floats, weight: Floats) -> Floats:
    """`sum_bound` for many sets of weights, (set,); exponent (r, tilt), weight (set, r) over the limit."""
    factor, least = np.exp(exponent), np.ones(len(weight))
    rows = max(1, _AT_ONCE // max(weight.shape[1], 1))
    for start in range(0, len(weight), rows):  # arrays that stay in the cache
        part = least[start : start + rows]
        for column, power in enumerate(_powers(weight[start : start + rows] ** _TILT_STEP)):
            np.minimum(part, power @ factor[:, column], out=part)
    return least


def scored_enough(scored_prob: Floats, least: int) -> float:
    """P(at least `least` markers scored), a Poisson-binomial tail; scored_prob is (marker,).

    By the recurrence that adds one marker after another, with one state for all numbers that are enough; all
    terms are sums of products of numbers at least 0, so no digits cancel.
    """
    p = np.asarray(scored_prob, dtype=np.float64)
    assert np.all((p >= -1e-6) & (p <= 1 + 1e-6)), "probabilities"
    if least <= 0:
        return 1.0
    # Single-precision shares may pass 1 by rounding. Plain numbers: numpy takes longer for being called.
    fewer, enough = [1.0, *[0.0] * (least - 1)], 0.0
    for before, scored in enumerate(np.clip(p, 0.0, 1.0).tolist()):
        missed = 1 - scored
        enough += fewer[-1] * scored
        for number in range(min(before + 1, least - 1), 0, -1):
            fewer[number] = fewer[number] * missed + fewer[number - 1] * scored
        fewer[0] *= missed
    return min(1.0, enough)


def evidence_tail(
    score: Floats,
    prob: Floats,
    threshold: float,
    scored: Bools | None = None,
    least_scored: int = 0,
    most_cells: int = _MOST_CELLS,
) -> Tail:
    """P(S >= threshold and at least `least_scored` markers scored), with bounds.

    score (marker, outcome): natural log; prob (marker, outcome): rows sum to 1; scored (marker, outcome): the
    outcome counts as a marker scored (all, where None). most_cells: of the grid; fewer are faster and leave
    wider bounds. No marker: S is 0.
    """
    n = len(score)
    if n < least_scored:
        return Tail(0.0, 0.0, 0.0)
    if n == 0:
        value = float(threshold <= 0)
        return Tail(value, value, value)
    assert np.allclose(prob.sum(axis=1), 1.0)
    mask = np.ones(score.shape, dtype=bool) if scored is None else scored
    fails = float(failure_bound(chernoff_exponent(score, prob).sum(axis=0), threshold))
    if least_scored > 0:
        fails += 1 - scored_enough(np.where(mask, prob, 0.0).sum(axis=1), least_scored)
    if fails < NEGLIGIBLE:
        return Tail(1 - fails, 1.0, 1.0)
    passes = float(failure_bound(chernoff_exponent(-score, prob).sum(axis=0), -threshold))
    if passes < NEGLIGIBLE:
        return Tail(0.0, 0.0, passes)
    values, mass, error = _distribution(score, prob, mask, least_scored, most_cells)
    slack = error + 1e-9 * (1 + abs(threshold))
    low, mid, high = (
        float(min(1.0, mass[values >= threshold + shift].sum())) for shift in (slack, -1e-9, -slack)
    )
    return Tail(low, mid, high)


def below(score: Floats, prob: Floats, thresholds: Floats, most_cells: int) -> tuple[Floats, Floats]:
    """Strict bounds of P(S < threshold), (threshold,) each: at least, at most."""
    if not len(score):
        passed = (np.asarray(thresholds) > 0).astype(np.float64)
        return passed, passed
    values, mass, error = _distribution(score, prob, np.ones(score.shape, dtype=bool), 0, most_cells)
    total = np.concatenate([[0.0], np.cumsum(mass)])
    slack = error + 1e-9 * (1 + np.abs(thresholds))
    low, high = (total[np.searchsorted(values, thresholds + s, side="left")] for s in (-slack, slack))
    return np.minimum(low, 1.0), np.minimum(high, 1.0)


def _distribution(
    score: Floats,
    prob: Floats,
    scored: Bools,
    least_scored: int,
    most_cells: int,
) -> tuple[Floats, Floats, float]:
    """Grid values, their probabilities (with enough markers scored) and the most that rounding moved S."""
    span = float((score.max(axis=1) - score.min(axis=1)).sum())
    step = max(_FINEST_STEP, span / max(1024, most_cells - 4 * len(score)))
    cells = np.rint(score / step).astype(np.int64)
    error = float(np.abs(score - cells * step).max(axis=1).sum())
    lowest = cells.min(axis=1, keepdims=True)
    cells -= lowest
    total = int(cells.max(axis=1).sum()) + 1
    if score.shape[1] <= _FEW_OUTCOMES:
        mass = _added_up(cells, prob, scored, least_scored, total)
    else:
        mass = _convolved(cells, prob, scored, least_scored, total)
    values = np.asarray((np.arange(total) + int(lowest.sum())) * step, dtype=np.float64)
    return values, mass, error


def _added_up(cells: Ints, prob: Floats, scored: Bools, least_scored: int, total: int) -> Floats:
    """Probability of each grid cell, one marker added after the other; all terms are at least 0."""
    mass = np.zeros((least_scored + 1, total))  # by number of markers scored, the last row: enough
    mass[0, 0] = 1.0
    end = 1
    for cell, chance, seen in zip(cells, prob, scored, strict=True):
        before, start = mass[:, :end].copy(), end
        end += int(cell.max())
        mass[:, :end] = 0.0
        for at, p, counts in zip(cell.tolist(), chance.tolist(), seen.tolist(), strict=True):
            if p == 0:
                continue
            part = before * p
            if counts and least_scored:
                mass[1:, at : at + start] += part[:-1]
                mass[-1, at : at + start] += part[-1]
            else:
                mass[:, at : at + start] += part
    return np.asarray(mass[-1])


def _convolved(cells: Ints, prob: Floats, scored: Bools, least_scored: int, total: int) -> Floats:
    """The same by Fourier transform, which is faster for markers with many outcomes."""
    size = next_fast_len(total, real=True)
    n_freq = size // 2 + 1

    # The generating function in two variables: frequency for the score, powers of z below least_scored for
    # the number of markers scored. Sums with too few markers scored are taken away from the whole.
    whole = np.ones(n_freq, dtype=np.complex128)
    few = np.zeros((least_scored, n_freq), dtype=np.complex128)
    if least_scored:
        few[0] = 1.0
    keys = np.concatenate([cells, scored], axis=1)
    packed = np.concatenate([keys.astype(np.float64), prob], axis=1)
    n_out = cells.shape[1]
    times: dict[bytes, int] = {}  # markers that are alike; sooner than sorting rows of many outcomes
    for row in packed:
        times[row.tobytes()] = times.get(row.tobytes(), 0) + 1
    for key, count in times.items():
        row = np.frombuffer(key)
        at, seen, weight = row[:n_out].astype(np.int64), row[n_out : 2 * n_out] > 0, row[2 * n_out :]
        width = int(at.max()) + 1
        seen_f = np.fft.rfft(np.bincount(at, weights=np.where(seen, weight, 0.0), minlength=width), size)
        missed_f = np.fft.rfft(np.bincount(at, weights=np.where(seen, 0.0, weight), minlength=width), size)
        whole *= (seen_f + missed_f) ** int(count)
        if least_scored:
            for _ in range(int(count)):
                shifted = np.vstack([np.zeros((1, n_freq)), few[:-1]])
                few = few * missed_f + shifted * seen_f
    mass = np.fft.irfft(whole - few.sum(axis=0), size)[:total]
    return np.asarray(np.maximum(mass, 0.0))
