"""How many seeds to sow first, and of which pods."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom

from crossproof.field.seed_choice import (
    ChoiceSettings,
    HarvestedCross,
    Left,
    Pod,
    batch_size,
    choose_seeds,
)
from crossproof.model.results import NextStep
from crossproof.planning.numbers import TeamRates, team_rates
from crossproof.rates.estimators.betabinomial import HyperPosterior

SETTINGS = ChoiceSettings()


def known_rate(p: float) -> TeamRates:
    """A rate that is known and the same in every pod: so large a beta that it is a point."""
    certain = HyperPosterior(np.array([1e7 * p]), np.array([1e7 * (1 - p)]), np.array([1.0]))
    pmf = np.eye(4)[-1]
    return TeamRates(certain, 2.0, 2.0, pmf, 0, 0, 0, ())


def fewest(p: float, wanted: int, probability: float) -> int:
    """Smallest n with P(binomial(n, p) >= wanted) >= probability, by scipy, one n after another."""
    n = wanted
    while binom.sf(wanted - 1, n, p) < probability:
        n += 1
    return n


@pytest.mark.parametrize(("p", "wanted"), [(0.6, 4), (0.3, 2), (0.8, 10), (0.45, 1)])
def test_with_a_known_rate_both_numbers_are_those_of_the_binomial(p, wanted):
    size = batch_size(wanted, 500, 3, known_rate(p), SETTINGS)
    assert size.at_once == fewest(p, wanted, 0.95)
    assert size.now == fewest(p, wanted, 0.5)
    assert size.chance == pytest.approx(binom.sf(wanted - 1, size.now, p), abs=1e-4)
    assert size.expected == pytest.approx(size.now + (1 - size.chance) * (size.at_once - size.now))


def test_two_rounds_cost_what_a_simulation_of_them_costs():
    # Independent of the formulas: seeds drawn one season at a time, sown in two rounds.
    rng = np.random.default_rng(7)
    size = batch_size(4, 60, 60, known_rate(0.55), SETTINGS)
    hybrid = rng.random((40_000, size.at_once)) < 0.55
    enough = hybrid[:, : size.now].sum(axis=1) >= 4
    tests = np.where(enough, size.now, size.at_once)
    assert tests.mean() == pytest.approx(size.expected, abs=0.05)
    assert (hybrid.sum(axis=1) >= 4).mean() >= 0.95 - 0.005


def test_all_at_once_where_a_second_round_would_save_less_than_a_test():
    size = batch_size(1, 50, 50, known_rate(0.9), SETTINGS)
    assert size.now == size.at_once == fewest(0.9, 1, 0.95) == 2


def test_too_few_seeds_are_all_sown():
    size = batch_size(4, 3, 1, known_rate(0.5), SETTINGS)
    assert (size.now, size.at_once, size.chance) == (3, 3, 0.0)


def test_an_uncertain_rate_asks_for_more_seeds_at_once():
    unknown = team_rates([np.nan], [np.nan], [np.nan], [np.nan], [np.nan], (6, 3, 0.8, 0.2))
    assert batch_size(4, 500, 1, unknown, SETTINGS).at_once > fewest(0.6, 4, 0.95)


def cross(**said) -> HarvestedCross:
    return HarvestedCross(**({"cross_id": "X1", "mother": "Lark", "father": "Wren", "seeds": 20, "pods": 4,
                              "wanted": 4} | said))  # fmt: skip


def test_seeds_are_spread_over_the_pods_and_stand_by_pod():
    choice = choose_seeds(cross(), known_rate(0.6), SETTINGS)
    pods = [s.pod for s in choice.seeds]
    assert pods == sorted(pods)
    assert set(pods) == {"1", "2", "3", "4"}
    assert max(map(pods.count, pods)) - min(map(pods.count, pods)) <= 1
    assert [s.number for s in choice.seeds] == list(range(1, len(pods) + 1))
    assert choice.rest == 20 - len(pods)


def test_a_second_round_takes_pods_that_gave_hybrids_and_new_numbers():
    known = (Pod("1", 2, 0, 2), Pod("2", 2, 2, 0), Pod("3", 1, 0, 0))
    again = cross(sown=5, tested=5, wanted=2, step=NextStep.TEST_SEED, seeds_next=5, seeds_to_test=9,
                  known_pods=known, numbers=frozenset({1, 2, 3, 4, 6}))  # fmt: skip
    choice = choose_seeds(again, known_rate(0.6), SETTINGS)
    # Pod 2 gave hybrids: its even share of 20 seeds from 4 pods is 5, of which 2 are sown.
    assert [s.pod for s in choice.seeds].count("2") == 3
    assert {s.pod for s in choice.seeds} == {"2", "3", "4"}
    assert [s.number for s in choice.seeds] == [5, 7, 8, 9, 10]
    whole = choose_seeds(again, known_rate(0.6), ChoiceSettings(at_once=True))
    assert len(whole.seeds) == whole.at_once == 9


def test_seed_is_kept_back():
    choice = choose_seeds(cross(seeds=6), known_rate(0.3), ChoiceSettings(keep_back=2))
    assert (len(choice.seeds), choice.rest) == (4, 2)
    assert choose_seeds(cross(seeds=2), known_rate(0.3), ChoiceSettings(keep_back=2)).left is Left.KEPT_BACK


@pytest.mark.parametrize(
    ("said", "left"),
    [
        ({"father": ""}, Left.NO_FATHER),
        ({"mother": ""}, Left.NO_MOTHER),
        ({"seeds": None}, Left.NO_SEED_COUNT),
        ({"seeds": 0}, Left.NO_SEED),
        ({"wanted": 0}, Left.NONE_WANTED),
        ({"sown": 3, "tested": 1}, Left.WAITING),
        ({"sown": 3, "tested": 3, "step": NextStep.HOLD}, Left.HOLD),
        ({"sown": 3, "tested": 3, "step": NextStep.TYPE_PARENT}, Left.TYPE_PARENT),
        ({"sown": 3, "tested": 3, "step": NextStep.RETEST}, Left.RETEST),
        ({"sown": 3, "tested": 3, "step": NextStep.REPEAT}, Left.REPEAT),
        ({"sown": 3, "tested": 3, "step": NextStep.DONE, "wanted": 0}, Left.ENOUGH),
        ({"sown": 20, "tested": 20, "step": NextStep.TEST_SEED, "seeds_next": 3}, Left.NO_SEED),
        ({"sown": 2, "tested": 2, "step": NextStep.TEST_SEED, "seeds_next": 0}, Left.REPEAT),
    ],
)
def test_why_no_seed_is_sown(said, left):
    choice = choose_seeds(cross(**said), known_rate(0.6), SETTINGS)
    assert (choice.left, choice.seeds, choice.saved) == (left, (), 0.0)
    assert math.isnan(choice.expected)


def test_pods_that_were_not_counted_are_one():
    choice = choose_seeds(cross(pods=0), known_rate(0.6), SETTINGS)
    assert {s.pod for s in choice.seeds} == {""}
