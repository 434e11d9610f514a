"""Which other crosses pass the screen."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.family.donors import best_of_rows


@pytest.mark.parametrize("columns", [9, 255, 256, 300, 2000])
@pytest.mark.parametrize("rows", [1, 7])
def test_the_highest_of_every_row_are_found(rows: int, columns: int) -> None:
    score = np.random.default_rng(columns + rows).normal(size=(rows, columns)).astype(np.float32)
    score[:, 3] = -np.inf
    found = best_of_rows(score, 8)
    expected = np.argsort(-score, axis=1)[:, :8]
    np.testing.assert_array_equal(np.sort(found, axis=1), np.sort(expected, axis=1))


def test_of_equal_scores_the_partition_says_which() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        score = rng.integers(0, 40, size=(6, 800)).astype(np.float32)
        partition = np.argpartition(-score, 7, axis=1)[:, :8]
        np.testing.assert_array_equal(np.sort(best_of_rows(score, 8)), np.sort(partition))
