"""Sums and extremes over a short last axis: genotypes, relations.

Where the last axis has a few places and the others thousands, numpy goes through it for each of these anew,
and takes twenty times as long as for whole slices. Up to seven terms it adds from left to right, as is done
here: the results are the same to the last bit, which `tests/inference/test_short_axes.py` holds.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from crossproof.model.arrays import Floats, Floats32

Array = TypeVar("Array", Floats, Floats32)
MOST_TERMS = 7
"""Terms that numpy adds one after another; more are added in pairs."""


def sum_of_last(x: Array, keepdims: bool = False) -> Array:
    """Sum over the last axis, `x.sum(axis=-1)`, of floats (..., term)."""
    if not 1 < x.shape[-1] <= MOST_TERMS:
        return np.asarray(x.sum(axis=-1, keepdims=keepdims))
    total = x[..., 0] + x[..., 1]
    for term in range(2, x.shape[-1]):
        total = total + x[..., term]
    return np.asarray(total[..., None] if keepdims else total)


def most_of_last(x: Array, keepdims: bool = False) -> Array:
    """Most over the last axis, `x.max(axis=-1)`, of floats (..., term)."""
    if not 1 < x.shape[-1] <= MOST_TERMS:
        return np.asarray(x.max(axis=-1, keepdims=keepdims))
    most = np.maximum(x[..., 0], x[..., 1])
    for term in range(2, x.shape[-1]):
        most = np.maximum(most, x[..., term])
    return np.asarray(most[..., None] if keepdims else most)


def range_of_last(x: Array) -> Array:
    """Most less least over the last axis, `np.ptp(x, axis=-1)`, of floats (..., term)."""
    if not 1 < x.shape[-1] <= MOST_TERMS:
        return np.asarray(np.ptp(x, axis=-1))
    least = np.minimum(x[..., 0], x[..., 1])
    for term in range(2, x.shape[-1]):
        least = np.minimum(least, x[..., term])
    return np.asarray(most_of_last(x) - least)
