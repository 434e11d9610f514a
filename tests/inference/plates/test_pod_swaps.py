"""Pairs of exchanged pods found by cross, against every pod with every other."""

from itertools import combinations

import numpy as np
import pytest

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.pod_swaps import PodSwap, _one_of_each, _pairs
from crossproof.inference.plates.stray_seed import STRAY_SHARE

LINES = 4


def season_of(parents):
    mother, father = np.array(parents).T
    names = tuple(f"C{i}" for i in range(len(parents)))
    lines = tuple(f"L{i}" for i in range(LINES))
    return SeasonTables(lines, names, mother, father, (), np.ones(LINES))


@pytest.mark.parametrize("seed", range(5))
def test_pairs_against_every_pod_with_every_other(seed):
    rng = np.random.default_rng(seed)
    parents = [tuple(rng.choice(LINES, 2, replace=False).tolist()) for _ in range(12)]
    season, crosses = season_of(parents), np.array([0, 1, 3, 4, 6, 8, 9, 11])
    pods = sorted({(LINES + int(c), f"{rng.integers(3)}") for c in rng.choice(crosses, 20)})
    fit = {pod: rng.normal(0, 3, len(crosses)) for pod in pods}
    column = {LINES + int(c): i for i, c in enumerate(crosses)}
    expected = []
    for a, b in combinations(pods, 2):
        gains = []
        for pod, other in ((a, b), (b, a)):
            mean = np.exp(fit[pod]).sum() / len(parents)
            own = np.log((1 - STRAY_SHARE) * np.exp(fit[pod][column[pod[0]]]) + STRAY_SHARE * mean)
            gains.append(fit[pod][column[other[0]]] - own)
        if min(gains) > 0 and parents[a[0] - LINES] != parents[b[0] - LINES]:
            expected.append((a, b, (sum(gains) - 2.0) / np.log(10)))
    found = _pairs(pods, fit, crosses, -2.0, season)
    assert [(s.first, s.second) for s in found] == [(a, b) for a, b, _ in expected]
    assert [s.log10_odds for s in found] == pytest.approx([odds for *_, odds in expected], rel=1e-9)
    assert all(isinstance(s, PodSwap) for s in found)
    assert found


def test_crosses_of_the_same_parents_are_scored_once():
    season = season_of([(0, 1), (2, 3), (0, 1), (1, 0), (2, 3)])
    first, place = _one_of_each(np.array([1, 2, 3, 4]), season)
    assert first.tolist() == [1, 2, 3]
    assert place.tolist() == [0, 1, 2, 0]
