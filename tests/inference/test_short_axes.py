"""Sums and extremes over a short axis against numpy's own, to the last bit."""

import numpy as np
import pytest

from crossproof.inference.short_axes import most_of_last, range_of_last, sum_of_last

SHAPES = [(40, 30), (5,), (0, 4), ()]


def _orders(x):
    """The same numbers (..., term), lying in memory in several ways."""
    yield x
    yield np.moveaxis(np.moveaxis(x, -1, 0).copy(), 0, -1)
    yield np.asfortranarray(x)
    yield x[::-1]


@pytest.mark.parametrize("terms", [1, 2, 3, 6, 7, 8, 10])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_same_bits_as_numpy(terms, dtype, shape):
    drawn = np.random.default_rng(terms).normal(size=(*shape, terms)) * 10.0 ** np.arange(terms)
    for x in _orders(drawn.astype(dtype)):
        for keepdims in (False, True):
            for ours, theirs in (
                (sum_of_last(x, keepdims), x.sum(axis=-1, keepdims=keepdims)),
                (most_of_last(x, keepdims), x.max(axis=-1, keepdims=keepdims)),
            ):
                assert ours.dtype == theirs.dtype
                np.testing.assert_array_equal(ours, theirs, strict=True)
        np.testing.assert_array_equal(range_of_last(x), np.ptp(x, axis=-1), strict=True)


def test_what_is_no_number_stays_so():
    x = np.array([[1.0, np.nan, 3.0], [-np.inf, -np.inf, -np.inf], [np.inf, 1.0, 0.0]])
    np.testing.assert_array_equal(most_of_last(x), x.max(axis=-1))
    np.testing.assert_array_equal(sum_of_last(x), x.sum(axis=-1))
