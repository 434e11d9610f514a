"""Weighted rates: by hand, beside the exact interval, and where pod size carries information."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crossproof.rates.estimators.weighted_rates import _moderated, weighted_rates, worth_of


def test_weights_decide_the_question() -> None:
    # two tags: 8 seeds of one pod all selfed, 2 seeds of one pod not. By seed 0.8, by flower 0.5
    share, group = np.array([1.0, 0.0]), np.zeros(2, dtype=int)
    assert weighted_rates(share, [8, 2], [8, 2], group, 1).raw.mean[0] == pytest.approx(0.8, rel=1e-12)
    assert weighted_rates(share, [1, 1], [1, 1], group, 1).raw.mean[0] == pytest.approx(0.5, rel=1e-12)


def test_single_plants_give_jeffreys_interval() -> None:
    # 400 tags of one plant, 60 selfs: kappa is T / (T - 1), t on 419 degrees hardly wider than normal
    y = np.repeat([1.0, 0.0], [60, 340])
    found = weighted_rates(y, np.ones(400), np.ones(400), np.zeros(400, dtype=int), 1)
    expected = stats.beta.ppf([0.025, 0.975], 60.5, 340.5)
    assert (found.raw.low[0], found.raw.high[0]) == pytest.approx(expected, abs=1e-3)
    assert found.rho == 0.0


def test_tags_all_alike_count_as_one_plant_each() -> None:
    alike = weighted_rates(
        np.repeat([1.0, 0.0], [15, 85]), np.full(100, 4.0), np.full(100, 4.0), np.zeros(100, dtype=int), 1
    )
    assert alike.effective[0] == pytest.approx(100, rel=0.1)


def test_no_self_at_all_has_zero_in_its_interval() -> None:
    found = weighted_rates(np.zeros(12), np.full(12, 4.0), np.full(12, 4.0), np.zeros(12, dtype=int), 1)
    assert (found.raw.mean[0], found.raw.low[0]) == (0.0, 0.0)
    # Jeffreys' limit of 48 plants is 0.051; tags of 4 may hide a correlation, and 11 degrees are few
    assert 0.05 < found.raw.high[0] < 0.25


def test_order_of_tags_and_empty_groups_do_not_matter() -> None:
    rng = np.random.default_rng(5)
    n = rng.integers(1, 8, 60).astype(float)
    r, g = rng.binomial(n.astype(int), 0.3) / n, np.repeat([0, 2], 30)
    one, order = weighted_rates(r, n, n, g, 3), rng.permutation(60)
    two = weighted_rates(r[order], n[order], n[order], g[order], 3)
    assert one.raw.low[[0, 2]] == pytest.approx(two.raw.low[[0, 2]], rel=1e-9)
    assert np.isnan([one.raw.mean[1], one.shrunk.mean[1]]).all()
    assert np.isnan(weighted_rates([], [], [], [], 2).raw.low).all()
    # the rate of what is not a self is one minus that of selfs
    mirror = weighted_rates(1 - r, n, n, g, 3)
    assert mirror.raw.low[[0, 2]] == pytest.approx(1 - one.raw.high[[0, 2]], rel=1e-9)


def test_limits_cover_the_seed_share_where_selfed_pods_are_fuller() -> None:
    # pods selfed with chance 0.2, 8 seeds against 3: by seed 0.4, by flower 0.2
    rng, hits = np.random.default_rng(6), np.zeros(2)
    for _ in range(200):
        selfed = (rng.random(80) < 0.2).astype(float)
        seeds, group = np.where(selfed > 0, 8.0, 3.0), np.zeros(80, dtype=int)
        for k, (n, w, truth) in enumerate(((seeds, seeds, 0.4), (np.ones(80), np.ones(80), 0.2))):
            found = weighted_rates(selfed, n, w, group, 1).raw
            hits[k] += found.low[0] <= truth <= found.high[0]
    # 200 intervals: four standard errors of 1.5 points either way
    assert (hits / 200 >= 0.89).all()


def test_worth_gives_back_the_plants_of_an_interval() -> None:
    low, high = 1 / (1 + np.exp(-(np.log(0.3 / 0.7) + np.array([-1, 1]) * 1.96 / np.sqrt(50 * 0.21))))
    assert worth_of(0.3, low, high) == pytest.approx(50, rel=1e-3)
    # none of 40: Wilson's upper limit is z^2 / (n + z^2)
    z = 1.959964**2
    assert worth_of(0.0, 0.0, z / (40 + z)) == pytest.approx(40, rel=1e-3)
    assert worth_of(np.nan, np.nan, np.nan) == 0.0


def test_tags_that_say_nothing_are_passed_over() -> None:
    share, size, weight, group = [0.5, 0.25, 0.0], [4.0, 8.0, 5.0], [4.0, 8.0, 5.0], [0, 0, 1]
    plain = weighted_rates(share, size, weight, group, 2)
    more = weighted_rates(
        [*share, np.nan, 1.0, 1.0, 1.0], [*size, 4.0, 0.0, 4.0, 4.0], [*weight, 4.0, 4.0, 0.0, 4.0],
        [*group, 0, 0, 1, -1], 2,
    )  # fmt: skip
    for name in ("mean", "low", "high"):
        np.testing.assert_array_equal(getattr(more.raw, name), getattr(plain.raw, name))
        np.testing.assert_array_equal(getattr(more.shrunk, name), getattr(plain.shrunk, name))
    assert plain.raw.mean == pytest.approx([4 / 12, 0.0], rel=1e-12)


def test_spread_between_tags_is_moderated_by_hand() -> None:
    # Group 0: 11 tags, spread twice the foreseen, 10 degrees. Group 1: one tag, which tells nothing. All
    # together kappa is 2, trusted for as many tags as degrees: (10 x 2 + 10 x 2) / 20, (10 x 2) / 10.
    kappa, degrees = _moderated(np.array([1.0, 9.0]), np.array([0.5, 0.5]), np.array([11.0, 1.0]))
    assert kappa.tolist() == [2.0, 2.0]
    assert degrees.tolist() == [20.0, 10.0]
    # 41 tags: 40 degrees, trust in the whole ends at 20. Groups at 1 and 4: the whole is 2.5.
    kappa, degrees = _moderated(np.array([1.0, 4.0]), np.ones(2), np.array([41.0, 41.0]))
    assert kappa == pytest.approx([(20 * 2.5 + 40 * 1) / 60, (20 * 2.5 + 40 * 4) / 60], rel=1e-12)
    assert degrees.tolist() == [60.0, 60.0]
    # Nothing seen at all: as foreseen, with the fewest degrees.
    kappa, degrees = _moderated(np.zeros(1), np.zeros(1), np.ones(1))
    assert (kappa.tolist(), degrees.tolist()) == ([1.0], [2.0])
    kappa, _ = _moderated(np.array([0.001]), np.ones(1), np.array([11.0]))
    assert kappa.tolist() == [0.05]


def test_worth_at_the_ends() -> None:
    # An interval up to 1 for a share of 0.9: by Wilson's width 0.2, z^2 (1 / 0.2 - 1)
    assert worth_of(0.9, 0.8, 1.0) == pytest.approx(4 * 1.959964**2, rel=1e-5)
    assert worth_of(0.1, 0.0, 0.2) == pytest.approx(4 * 1.959964**2, rel=1e-5)
    assert worth_of(1.0, 40 / (40 + 1.959964**2), 1.0) == pytest.approx(40, rel=1e-5)
    assert worth_of(0.5, 0.0, 1.0) == 0.0
    assert 0 < worth_of(0.5, 0.01, 0.99) < 1


def test_few_tags_that_agree_tell_no_more_than_their_plants() -> None:
    # 2 of 9 selfs in each of two tags, 2 of 2 in a third: Jeffreys' limits of 18 and 2 plants at the best
    share, size = np.array([2 / 9, 2 / 9, 1.0]), np.array([9.0, 9.0, 2.0])
    found = weighted_rates(share, size, size, [0, 0, 1], 2)
    widest = stats.beta.ppf([0.025, 0.975], 4.5, 14.5), stats.beta.ppf(0.025, 2.5, 0.5)
    assert found.raw.low[0] <= widest[0][0] + 1e-9
    assert found.raw.high[0] >= widest[0][1] - 1e-9
    assert found.raw.low[1] <= widest[1] + 1e-9
    assert (found.effective <= [18 + 1e-9, 2 + 1e-9]).all()
