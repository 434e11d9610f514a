"""Sums over markers of logarithms of probabilities, beside the sum as it is written."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.plates.log_sums import log_sums


@pytest.mark.parametrize("shape", [(1, 1, 1), (8, 3, 2), (61, 9, 6), (61, 90, 6), (19, 90, 400), (0, 4, 3)])
def test_sums_are_those_of_each_marker_however_many_are_taken_at_once(shape: tuple[int, int, int]) -> None:
    """sum_j log sum_g L_jw(g) T_jx(g), formed marker by marker; some shapes are cut into pieces, some not."""
    markers, wells, columns = shape
    rng = np.random.default_rng(3)
    likelihood = rng.uniform(1e-4, 1, (markers, wells, 3)).astype(np.float32)
    table = rng.uniform(1e-4, 1, (markers, 3, columns))
    expected = np.zeros((wells, columns))
    for x, t in zip(likelihood.astype(np.float64), table, strict=True):
        expected += np.log(x @ t)
    assert log_sums(table, likelihood) == pytest.approx(expected, rel=1e-12, abs=1e-12)
