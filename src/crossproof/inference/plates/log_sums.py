"""Sums of probabilities that are held as logarithms."""

from __future__ import annotations

import numpy as np

from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Floats, Floats32


def log_sum(x: Floats, axis: int | None = None) -> Floats:
    """log sum exp along an axis, -inf where all terms are; scipy's spends more on checks than on the sum."""
    last = axis == x.ndim - 1
    top = most_of_last(x, keepdims=True) if last else np.max(x, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    each = np.exp(x - safe)
    with np.errstate(divide="ignore"):
        total = sum_of_last(each, keepdims=True) if last else each.sum(axis=axis, keepdims=True)
        out = np.log(total) + safe
    return np.asarray(out.reshape(()) if axis is None else np.squeeze(out, axis=axis))


AT_ONCE = 32_768
"""Numbers that are worked on at once where a marker has few: calls are what costs then."""


def log_sums(table: Floats, likelihood: Floats32 | Floats) -> Floats:
    """sum_j log sum_g L_jw(g) T_jx(g), (well, x), from T (marker, genotype, x) and L (marker, well,
    genotype)."""
    out = np.zeros((likelihood.shape[1], table.shape[2]))
    if not out.size:
        return out
    group = max(1, min(8, int(4e6 // max(out.size, 1)) or 1))  # markers to one logarithm
    step = group * max(1, AT_ONCE // (group * max(out.size, 1)))
    for start in range(0, len(table), step):
        part = np.matmul(likelihood[start : start + step].astype(np.float64), table[start : start + step])
        whole = len(part) // group * group if step > group else 0
        if whole:
            grouped = part[:whole].reshape(-1, group, *out.shape)
            for logs in np.log(np.multiply.reduce(grouped, axis=1)):
                out += logs
        if whole < len(part):
            out += np.log(np.multiply.reduce(part[whole:], axis=0))
    return out
