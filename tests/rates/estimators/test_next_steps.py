"""Seeds and flowers against exact tables and scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from rates_published import SEDCOLE
from scipy import stats

from crossproof.rates.estimators.next_steps import (
    flowers_fail,
    hybrids_below,
    plan,
    seeds_to_test,
    short_of,
)
from crossproof.rates.estimators.sequential import next_batch


def test_beta_binomial_is_scipys() -> None:
    rng = np.random.default_rng(3)
    r, m = rng.integers(0, 6, 50), rng.integers(0, 30, 50)
    a, b = rng.uniform(0.3, 9, 50), rng.uniform(0.3, 9, 50)
    theirs = [stats.betabinom.cdf(x - 1, n, p, q) for x, n, p, q in zip(r, m, a, b, strict=True)]
    assert hybrids_below(r, m, a, b) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


def test_flowers_are_the_beta_negative_binomial_when_each_success_gives_one() -> None:
    # failures before the 3rd success; scipy's betanbinom counts failures and takes (a, b) of the success
    for flowers in (3, 5, 12, 40):
        theirs = stats.betanbinom.cdf(flowers - 3, 3, 2.0, 5.0)
        assert 1 - flowers_fail(3, flowers, 2.0, 5.0) == pytest.approx(theirs, rel=1e-9)


def test_yield_of_successes_by_hand() -> None:
    # half the successes give 1 hybrid, half 2; wanted 3. No success: surely short. One: surely short.
    # Two: short only when both give 1, 1/4
    assert short_of(3, [0.5, 0.5]) == pytest.approx([1.0, 1.0, 0.25], rel=1e-12)


def test_seeds_to_test_is_the_smallest_number_that_does() -> None:
    needed = int(seeds_to_test(3, 60, 6.0, 4.0))
    assert stats.betabinom.sf(2, needed, 6, 4) >= 0.95
    assert stats.betabinom.sf(2, needed - 1, 6, 4) < 0.95
    assert seeds_to_test(3, needed - 1, 6.0, 4.0) == -1


@pytest.mark.parametrize("row", SEDCOLE)
def test_a_known_rate_needs_what_sedcole_says_and_an_uncertain_one_more(row: tuple[float, ...]) -> None:
    probability, chance, *plants = row
    wanted = np.array([1, 2, 3, 4, 5, 6, 8, 10, 15])
    sure, unsure = (
        seeds_to_test(wanted, np.full(9, 10_000), chance * size, (1 - chance) * size, probability=probability)
        for size in (1e7, 60.0)
    )
    assert sure.tolist() == plants
    # -1: more than there are
    assert ((unsure >= sure) | (unsure == -1)).all()
    assert (unsure != sure).any()


def test_plan_target_reached_seeds_suffice_seeds_run_out() -> None:
    steps = plan([0, 2, 2, 2], [10, 50, 3, 0], (4.0, 4.0), (5.0, 5.0))
    assert steps.seeds[0] == steps.flowers[0] == 0
    assert steps.p_target[0] == 1.0
    assert (steps.p_target >= 0.95).tolist() == [True, True, False, False]
    assert 0 < steps.seeds[1] < 50
    assert steps.flowers[1] == 0
    assert steps.seeds[2] == 3
    # the third cross has three seeds that may help: fewer flowers than the fourth, which has none
    assert 0 < steps.flowers[2] < steps.flowers[3]
    assert 1 - flowers_fail(2, steps.flowers[3], 5.0, 5.0) >= 0.95
    assert 1 - flowers_fail(2, steps.flowers[3] - 1, 5.0, 5.0) < 0.95


def test_plan_of_seeds_and_flowers_against_simulation() -> None:
    steps = plan([4], [6], (3.0, 5.0), (4.0, 4.0), yields=[0.3, 0.4, 0.3])
    rng = np.random.default_rng(5)
    runs = 40_000

    def success(flowers: int) -> float:
        seeds = rng.binomial(6, rng.beta(3, 5, runs))
        good = rng.binomial(flowers, rng.beta(4, 4, runs))
        gives = rng.choice([1, 2, 3], p=[0.3, 0.4, 0.3], size=(runs, flowers)).cumsum(axis=1)
        hybrids = np.where(good > 0, gives[np.arange(runs), np.maximum(good, 1) - 1], 0)
        return float(np.mean(seeds + hybrids >= 4))

    flowers = int(steps.flowers[0])
    assert success(flowers) == pytest.approx(0.955, abs=0.012)
    assert success(flowers - 1) < 0.958


def test_a_hopeless_cross_is_said_to_be_one() -> None:
    assert plan([4], [0], (1.0, 1.0), (0.01, 900.0)).flowers[0] == -1


def test_next_batch_is_smaller_than_all_and_its_chances_are_exact() -> None:
    batch = next_batch([2], [30], [4.0], [4.0])
    seeds = int(batch.seeds[0])
    assert stats.betabinom.sf(1, seeds, 4, 4) == pytest.approx(batch.p_done[0], rel=1e-9)
    assert stats.betabinom.sf(1, seeds - 1, 4, 4) < 0.5 <= batch.p_done[0]
    assert seeds < int(seeds_to_test(2, 30, 4.0, 4.0))


def test_expected_tests_by_hand() -> None:
    # one hybrid wanted, two seeds, rate surely 1/2: one test, and a second when the first fails
    batch = next_batch([1], [2], [5e7], [5e7])
    assert batch.expected_tests[0] == pytest.approx(1.5, rel=1e-6)


def test_no_batch_where_nothing_is_wanted_or_nothing_can_come() -> None:
    batch = next_batch([0, 3], [10, 10], [1.0, 0.001], [1.0, 9.0])
    assert batch.seeds.tolist() == [0, 0]
    assert batch.expected_tests[0] == 0.0
