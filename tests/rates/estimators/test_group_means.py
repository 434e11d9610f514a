"""Rates of groups: against direct integration, under the properties they must have, and by coverage."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from crossproof.rates.estimators.betabinomial import grid_log_likelihood
from crossproof.rates.estimators.clusters import moment_rho
from crossproof.rates.estimators.group_means import effective_size, group_means

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))
from rates_coverage import SCENARIOS, measure, season

RNG = np.random.default_rng(20)
N = RNG.integers(1, 7, 120).astype(float)
GROUP = np.repeat([0, 1, 2], 40)
Y = np.minimum(RNG.poisson(N * np.array([0.1, 0.2, 0.4])[GROUP]), N).astype(float)


def test_one_group_against_direct_integration_over_mean_and_correlation() -> None:
    y, n = Y[GROUP == 2], N[GROUP == 2]

    def posterior(mu: float, rho: float) -> float:
        size = (1 - rho) / rho
        log = grid_log_likelihood(y, n, np.array([mu * size]), np.array([(1 - mu) * size]))[0]
        return float(np.exp(log + 60.0) / np.sqrt(mu * (1 - mu)))

    mus = np.linspace(0.15, 0.75, 121)
    density = [integrate.quad(lambda rho, mu=mu: posterior(mu, rho), 1e-4, 0.9)[0] for mu in mus]
    share = np.cumsum(density) / np.sum(density)
    low, high = np.interp([0.025, 0.975], share, mus)
    found = group_means(y, n, np.zeros(len(y)), 1)
    assert (found.raw.low[0], found.raw.high[0]) == pytest.approx((low, high), abs=0.006)


def test_without_correlation_the_interval_is_jeffreys() -> None:
    # 400 tags of one plant each, 60 selfs: no pair of plants, so nothing but the binomial is left
    y = np.repeat([1.0, 0.0], [60, 340])
    found = group_means(y, np.ones(400), np.zeros(400), 1)
    # Brown, Cai & DasGupta 2001: Jeffreys' interval is the beta(x + 1/2, n - x + 1/2) quantiles
    expected = stats.beta.ppf([0.025, 0.975], 60.5, 340.5)
    assert (found.raw.low[0], found.raw.high[0]) == pytest.approx(tuple(expected), abs=5e-4)


def test_correlation_widens() -> None:
    alone = group_means(np.repeat([1.0, 0.0], [60, 340]), np.ones(400), np.zeros(400), 1)
    alike = group_means(np.repeat([4.0, 0.0], [15, 85]), np.full(100, 4.0), np.zeros(100), 1)
    width = [float(m.raw.high[0] - m.raw.low[0]) for m in (alone, alike)]
    # with plants all alike, 100 tags are worth 100 plants: twice the width of 400
    assert width[1] / width[0] == pytest.approx(2.0, rel=0.1)
    assert alike.rho > 0.9
    assert alike.effective[0] == pytest.approx(100, rel=0.1)


def test_shrunk_lie_between_raw_and_whole() -> None:
    found = group_means(Y, N, GROUP, 3)
    whole = Y.sum() / N.sum()
    assert (np.abs(found.shrunk.mean - whole) < np.abs(found.raw.mean - whole) + 0.005).all()
    assert (found.shrunk.high - found.shrunk.low <= found.raw.high - found.raw.low + 0.01).all()


def test_a_small_group_is_drawn_further_than_a_large_one() -> None:
    # ten groups near 0.2 and one of three tags at 1, one of sixty tags at 1/2 (invented)
    y = np.concatenate([np.tile([0.0, 1.0, 1.0, 1.0, 1.0], 60), np.full(3, 4.0), np.tile([0.0, 4.0], 30)])
    n = np.full(len(y), 4.0)
    group = np.concatenate([np.repeat(np.arange(10), 30), np.full(3, 10), np.full(60, 11)])
    found = group_means(y, n, group, 12)
    assert found.raw.mean[10] - found.shrunk.mean[10] > 0.15
    assert abs(found.raw.mean[11] - found.shrunk.mean[11]) < 0.03


@pytest.mark.parametrize("y", [0.0, 4.0])
def test_all_or_none_has_the_end_in_its_limits(y: float) -> None:
    found = group_means(np.full(12, y), np.full(12, 4.0), np.zeros(12), 1)
    low, high = float(found.raw.low[0]), float(found.raw.high[0])
    assert (low == 0.0 and 0 < high < 0.2) if y == 0 else (high == 1.0 and 0.8 < low < 1)


def test_empty_groups_are_unknown() -> None:
    found = group_means(Y, N, GROUP * 2, 5)
    assert np.isnan(found.raw.mean[[1, 3]]).all()
    assert np.isfinite(found.raw.mean[[0, 2, 4]]).all()
    assert np.isnan(group_means([], [], [], 2).raw.low).all()


def test_order_and_the_naming_of_the_classes_are_irrelevant() -> None:
    order = RNG.permutation(len(Y))
    one, two = group_means(Y, N, GROUP, 3), group_means(Y[order], N[order], GROUP[order], 3)
    assert one.raw.low == pytest.approx(two.raw.low, rel=1e-9)
    # the rate of what is not a self is one minus the rate of selfs
    mirror = group_means(N - Y, N, GROUP, 3)
    assert mirror.raw.low == pytest.approx(1 - one.raw.high, rel=1e-6)
    assert mirror.shrunk.high == pytest.approx(1 - one.shrunk.low, rel=1e-3)


def test_effective_size_by_hand() -> None:
    # two tags of 4 plants and one of 2, rho 1/2: 10^2 / (4*2.5 + 4*2.5 + 2*1.5) = 100 / 23
    assert effective_size([4, 4, 2], np.zeros(3, dtype=int), 1, 0.5)[0] == pytest.approx(100 / 23, rel=1e-12)


def test_moment_correlation_recovers_the_truth() -> None:
    rng = np.random.default_rng(2)
    chance = rng.beta(0.2 * 3, 0.8 * 3, 4000)  # rho = 1 / (1 + 3)
    n = rng.integers(1, 8, 4000)
    assert moment_rho(rng.binomial(n, chance), n, np.zeros(4000)) == pytest.approx(0.25, abs=0.03)
    assert moment_rho(rng.binomial(n, 0.2), n, np.zeros(4000)) == pytest.approx(0.0, abs=0.02)
    assert moment_rho([], [], []) == 0.0
    assert moment_rho([3], [4], [0]) == 0.0


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_coverage_of_a_persons_selfing_rate() -> None:
    """1,000 seasons with correlation 0.3, and 1,000 without correlation; 150 of each other.

    The figures of 1,000 seasons of every scenario are in docs/rates.md; of 150, with 600 intervals or more,
    they are known to 0.9 points, and the limits are two of those wider.
    """
    for place, scenario in enumerate(SCENARIOS):
        long = place in (0, 2)
        found = measure(scenario, 1000 if long else 150, seed=11)
        slack = 0.0 if long else 0.018
        assert 0.93 - slack <= found.ours <= 0.97 + slack, scenario.name
        assert 0.93 - slack <= found.shrunk <= 0.97 + slack, scenario.name
    first = measure(SCENARIOS[0], 200, seed=12)
    assert first.naive < 0.90


def test_coverage_over_a_few_seasons() -> None:
    # 60 seasons x 6 people: a share of 0.95 has a standard error of 0.0115; four of them either way
    found = measure(SCENARIOS[0], 60, seed=3)
    assert 0.904 <= found.ours <= 0.996
    assert found.naive < found.ours


def test_simulated_seasons_have_the_rate_and_the_correlation_they_claim() -> None:
    rng = np.random.default_rng(6)
    y, n, who, _ = (
        np.concatenate(x) for x in zip(*(season(SCENARIOS[0], rng) for _ in range(60)), strict=True)
    )
    of = who == 4
    assert y[of].sum() / n[of].sum() == pytest.approx(0.30, abs=0.015)
    assert moment_rho(y, n, who) == pytest.approx(0.3, abs=0.03)
