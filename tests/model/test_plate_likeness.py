"""Nearly alike plates against a comparison of every plate with every other."""

from itertools import combinations

import numpy as np
import pytest

from crossproof.model.plate_likeness import alike, nearly_alike


@pytest.mark.parametrize("seed", range(6))
def test_pairs_against_every_plate_with_every_other(seed):
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 3, (8, 24))
    grids = first[rng.integers(0, 8, 60)]
    for grid in grids:
        grid[rng.integers(0, 24, rng.integers(0, 4))] += 1
    for fewer_than in (2, 4, 7):
        expected = [
            (a, b, tuple(np.flatnonzero(grids[a] != grids[b]).tolist()))
            for a, b in combinations(range(60), 2)
            if 0 < (grids[a] != grids[b]).sum() < fewer_than
        ]
        found = nearly_alike(grids, range(60), fewer_than)
        assert [(p.first, p.second, p.positions) for p in found] == expected
        assert expected
    few = range(0, 60, 7)
    found = nearly_alike(grids, few, 4)
    assert {p.first for p in found} | {p.second for p in found} <= set(few)


def test_groups_of_the_same():
    grids = np.array([[1, 2], [1, 2], [2, 1], [1, 2]])
    assert alike(grids) == [[0, 1, 3], [2]]
    assert alike(grids[:, :1]) == [[0, 1, 3], [2]]
