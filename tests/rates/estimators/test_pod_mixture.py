"""Pods of one kind or mixed: against direct formulas, at the ends, and in seasons with known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from crossproof.rates.estimators import pod_mixture
from crossproof.rates.estimators.pod_mixture import Pods, pod_success


def pods(y: list[float], n: list[float], seeds: list[float], tag: list[int] | None = None) -> Pods:
    hybrids, typed = np.array(y, dtype=float), np.array(n, dtype=float)
    ones = np.ones(len(y))
    place = np.arange(len(y)) if tag is None else np.array(tag)
    return Pods(hybrids, typed, (hybrids > 0).astype(float), np.array(seeds, float), ones, ones, place)


def test_chance_of_no_hybrid_is_that_of_the_mixture() -> None:
    # structure by structure: pure pods without a hybrid, and the beta-binomial's P(0), by scipy
    group = pod_mixture._group(pods([0, 1, 2], [1, 2, 2], [3, 5, 5]), np.arange(3), 1.0)
    mu = 1 / (1 + np.exp(-pod_mixture._grid(np.array([0.0, 0.5, 1.0]), np.ones(3), 1.0)))
    shape = pod_mixture._shape(mu)
    mixed = 1 - shape.none - shape.all
    # means agree with mu wherever the beta's mean can make up for the pure pods
    mean = shape.all + mixed * shape.a / (shape.a + shape.b)
    assert mean[:, 14:27] == pytest.approx(np.broadcast_to(mu, mean.shape)[:, 14:27], abs=2e-3)
    seeds = sorted({1.0, 2.0, 3.0, 5.0})
    for place, m in enumerate(seeds):
        direct = shape.none + mixed * stats.betabinom.pmf(0, int(m), shape.a, shape.b)
        assert group.none[..., place] == pytest.approx(direct, rel=1e-6, abs=1e-12)


def test_pods_typed_whole_are_what_they_are() -> None:
    found = pod_success(pods([0, 3, 2, 0, 1], [3, 3, 4, 2, 1], [3, 3, 4, 2, 1]), np.zeros(5, dtype=int), 1)
    assert found.mean[0] == pytest.approx(3 / 5, rel=1e-12)
    assert found.of_pod.tolist() == [0.0, 1.0, 1.0, 0.0, 1.0]
    assert found.low[0] < 0.6 < found.high[0]
    assert found.several[0] == 4


def test_one_plant_in_every_pod_leaves_the_structure_open() -> None:
    # 300 pods of 5 seeds, a plant from each, 60 % hybrids: from 0.6 (pods all of one kind) to 1 - 0.4^5
    y = [1.0] * 180 + [0.0] * 120
    found = pod_success(pods(y, [1.0] * 300, [5.0] * 300), np.zeros(300, dtype=int), 1)
    assert found.low[0] < 0.6
    assert found.high[0] > 1 - 0.4**5
    assert found.several[0] == 0
    # the same with whole pods beside them that are all of one kind
    whole = [5.0] * 36 + [0.0] * 24
    told = pod_success(pods(y + whole, [1.0] * 300 + [5.0] * 60, [5.0] * 360), np.zeros(360, dtype=int), 1)
    assert told.high[0] - told.low[0] < 0.5 * (found.high[0] - found.low[0])
    assert told.mean[0] == pytest.approx(0.6, abs=0.03)


def test_independent_seeds_are_recognised() -> None:
    rng = np.random.default_rng(3)
    y = rng.binomial(2, 0.5, 400).astype(float)
    found = pod_success(pods(list(y), [2.0] * 400, [5.0] * 400), np.zeros(400, dtype=int), 1)
    assert found.mean[0] == pytest.approx(1 - 0.5**5, abs=0.03)


def test_pods_of_one_tag_that_are_alike_widen_the_limits() -> None:
    rng = np.random.default_rng(4)
    hit = (rng.random(100) < 0.5).astype(float)
    y, tag = np.repeat(hit * 2, 3), np.repeat(np.arange(100), 3)
    group = np.zeros(300, dtype=int)
    alike = pod_success(pods(list(y), [2.0] * 300, [2.0] * 300, list(tag)), group, 1)
    apart = pod_success(pods(list(y), [2.0] * 300, [2.0] * 300), group, 1)
    ratio = (alike.high[0] - alike.low[0]) / (apart.high[0] - apart.low[0])
    assert ratio == pytest.approx(np.sqrt(3), abs=0.2)


def test_nothing_looked_at() -> None:
    found = pod_success(pods([], [], []), np.zeros(0, dtype=int), 2)
    assert np.isnan(found.mean).all()
    some = pod_success(pods([1, 0], [2, 2], [4, 4]), np.array([1, -1]), 2)
    assert np.isnan(some.mean[0])
    assert some.mean[1] == 1.0
    assert np.isnan(some.of_pod[1])


@pytest.mark.parametrize("found", [0.0, 1.0])
def test_no_and_all_pods_give_a_limit_on_one_side(found: float) -> None:
    result = pod_success(pods([found * 4] * 20, [4.0] * 20, [4.0] * 20), np.zeros(20, dtype=int), 1)
    assert result.mean[0] == found
    # twenty of twenty: Jeffreys' limit of the next pod is 0.88
    edge = stats.beta.ppf(0.025, 20.5, 0.5)
    assert (result.high[0] <= 1 - edge + 0.06) if found == 0 else (0.8 < result.low[0] <= edge + 1e-9)


def test_structures_share_their_prior_evenly() -> None:
    rows = pod_mixture._moving()
    # By hand: no pure pods, 6 sizes; five shares of pure pods, 6 sizes and 3 leanings each; pure pods only, 1
    assert len(rows) == 6 + 5 * 6 * 3 + 1
    assert sum(mass for *_, mass in rows) == pytest.approx(0.5, rel=1e-12)
    for pure in (0.0, 0.4, 1.0):
        assert sum(m for p, *_, m in rows if p == pure) == pytest.approx(0.5 / 7, rel=1e-12)
    assert np.exp(pod_mixture._LOG_PRIOR).sum() == pytest.approx(1.0, rel=1e-12)


def test_mean_of_all_pods_by_hand() -> None:
    odds = pod_mixture._mean_odds()
    at = int(np.flatnonzero(pod_mixture._FINE == 0)[0])  # the mixed pods' mean is 0.5 there
    rows = [(pure, lean) for pure, _, lean, _ in pod_mixture._moving()]
    for row, (pure, lean) in enumerate(rows):
        mean = pure / (1 + np.exp(-lean)) + (1 - pure) * 0.5
        assert odds[row, at] == pytest.approx(np.log(mean / (1 - mean)), abs=1e-12)
    assert (np.diff(odds) >= 0).all()


def test_the_grid_reaches_eight_standard_errors() -> None:
    # ten pods, 2 of them hybrid: mean (2 + 0.5) / 11; the error of its log-odds is 1 / sqrt(n p (1 - p))
    p = 2.5 / 11
    share = np.array([1.0, 1.0, 0, 0, 0, 0, 0, 0, 0, 0])
    grid = pod_mixture._grid(share, np.ones(10), 1.0)
    assert grid.mean() == pytest.approx(np.log(p / (1 - p)), rel=1e-12)
    assert grid[-1] - grid.mean() == pytest.approx(8 / np.sqrt(10 * p * (1 - p)), rel=1e-12)
    # alike pods are worth fewer, and the grid grows with them
    wide = pod_mixture._grid(share, np.ones(10), 2.0)
    assert np.ptp(wide) == pytest.approx(np.sqrt(2) * np.ptp(grid), rel=1e-12)
    assert np.ptp(pod_mixture._grid(share * 0 + 0.5, np.full(10, 1e6), 1.0)) == pytest.approx(0.4, rel=1e-9)


def test_design_effect_of_unequal_weights_by_hand() -> None:
    """Kish's n sum w^2 / (sum w)^2 (Kish 1965, Survey Sampling; memory): 3 x (1 + 1 + 4) / 16, every pod
    alone on its tag."""
    seen = pods([1, 0, 1], [1, 1, 1], [1, 1, 1])
    weighted = replace(seen, weight=np.array([1.0, 1.0, 2.0]))
    assert pod_mixture._design_effect(weighted, np.zeros(3, dtype=int), 1) == pytest.approx(
        [18 / 16], rel=1e-12
    )
    assert pod_mixture._design_effect(seen, np.zeros(3, dtype=int), 2).tolist() == [1.0, 1.0]
    # two tags of two pods, each tag all of one kind: likeness 1, held at 0.95, so (4 + 0.95 x 4) x 4 / 16
    alike = pods([1, 1, 0, 0], [1, 1, 1, 1], [1, 1, 1, 1], tag=[5, 5, 9, 9])
    assert pod_mixture._design_effect(alike, np.zeros(4, dtype=int), 1) == pytest.approx([1.95], rel=1e-9)


def test_standard_deviation_and_crossing_by_hand() -> None:
    assert pod_mixture._deviation(np.array([0.25, 0.75]), np.array([0.0, 4.0])) == pytest.approx(
        3**0.5, rel=1e-12
    )
    grid, profile = np.array([0.0, 1.0, 2.0, 3.0]), np.array([-4.0, 0.0, -1.0, -np.inf])
    assert pod_mixture._cross(grid, profile, 1, -1, -2.0) == pytest.approx(0.5, rel=1e-12)
    assert pod_mixture._cross(grid, profile, 1, 1, -0.25) == pytest.approx(1.25, rel=1e-12)
    assert pod_mixture._cross(grid, profile, 2, 1, -2.0) == 2.0  # beyond it nothing is known
    assert pod_mixture._cross(grid, profile, 0, -1, -5.0) == 0.0
