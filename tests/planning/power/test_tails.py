"""Tails against scipy, against enumeration of every outcome, and bounds that must hold."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from crossproof.planning.power import tails


def test_enough_of_equal_chances_is_binomial():
    for least in (1, 3, 38, 40, 41):
        got = tails.scored_enough(np.full(40, 0.93), least)
        assert got == pytest.approx(stats.binom.sf(least - 1, 40, 0.93), rel=1e-9, abs=1e-300)


def test_enough_against_scipy():
    p = np.array([0.2, 0.5, 0.9, 0.71, 0.33])
    reference = stats.poisson_binom(p)
    for least in range(1, 6):
        assert tails.scored_enough(p, least) == pytest.approx(reference.sf(least - 1), rel=1e-12)


def test_no_least_number_is_always_reached():
    assert tails.scored_enough(np.array([0.1]), 0) == 1.0
    assert tails.scored_enough(np.array([0.1]), 2) == 0.0


def enumerated(score, prob, threshold, scored, least):
    """Sum over every combination of outcomes."""
    total = 0.0
    for outcome in product(range(score.shape[1]), repeat=len(score)):
        rows = np.arange(len(score))
        if score[rows, outcome].sum() >= threshold and scored[rows, outcome].sum() >= least:
            total += float(np.prod(prob[rows, outcome]))
    return total


@pytest.mark.parametrize("least", [0, 2, 4])
@pytest.mark.parametrize("threshold", [-3.0, 0.35, 2.9])
def test_convolution_against_enumeration(threshold, least):
    rng = np.random.default_rng(3)
    score = rng.normal(0.4, 2.0, (6, 4))
    score[:, -1] = 0.0
    prob = rng.dirichlet(np.ones(4), 6)
    scored = np.ones((6, 4), dtype=bool)
    scored[:, -1] = False
    got = tails.evidence_tail(score, prob, threshold, scored, least)
    expected = enumerated(score, prob, threshold, scored, least)
    assert got.low - 1e-12 <= expected <= got.high + 1e-12
    assert got.value == pytest.approx(expected, abs=2e-3)
    assert got.high - got.low < 0.02


def test_equal_markers_are_a_binomial_tail():
    # 30 markers, +1 with probability .6, else -1: S >= 0 means at least 15 successes.
    score = np.tile([1.0, -1.0], (30, 1))
    prob = np.tile([0.6, 0.4], (30, 1))
    got = tails.evidence_tail(score, prob, -0.5)  # S is even: no sum lies on the threshold
    assert got.value == pytest.approx(stats.binom.sf(14, 30, 0.6), rel=1e-9)
    assert got.low == pytest.approx(got.value, rel=1e-9)


def test_chernoff_never_undercuts_the_true_chance():
    for p in (0.6, 0.8, 0.95):
        for n in (5, 20, 80):
            score = np.tile([1.0, -1.0], (n, 1))
            exponent = tails.chernoff_exponent(score, np.tile([p, 1 - p], (n, 1))).sum(axis=0)
            true = stats.binom.cdf(np.ceil(n / 2) - 1, n, p)  # S < 0
            assert tails.failure_bound(exponent, 0.0) >= true


def test_below_holds_the_exact_chance_on_both_sides():
    rng = np.random.default_rng(4)
    score, prob = rng.normal(0.5, 1.5, (7, 3)), rng.dirichlet(np.ones(3), 7)
    thresholds = np.array([-4.0, -1.0, 0.5, 3.0])
    for cells in (1 << 7, 1 << 13):  # a coarse grid has wider bounds, never wrong ones
        low, high = tails.below(score, prob, thresholds, cells)
        for at, threshold in enumerate(thresholds):
            exact = 1 - enumerated(score, prob, threshold, np.ones((7, 3), dtype=bool), 0)
            assert low[at] - 1e-12 <= exact <= high[at] + 1e-12
    assert np.all(high - low < 0.02)


def test_the_bound_of_a_sum_is_never_under_the_enumerated_chance():
    rng = np.random.default_rng(6)
    score, prob = rng.normal(0.8, 1.2, (5, 4, 3)), rng.dirichlet(np.ones(3), 5)  # marker, relation, outcome
    log_weight = np.log([0.5, 0.1, 0.05, 0.02])
    by_marker = tails.chernoff_exponent(score, prob[:, None, :])
    for limit in (0.02, 0.3, 2.0):
        true = 0.0
        for outcome in product(range(3), repeat=5):
            ratio = np.exp(log_weight - sum(score[m, :, o] for m, o in enumerate(outcome))).sum()
            true += np.prod([prob[m, o] for m, o in enumerate(outcome)]) * (ratio > limit)
        bound = float(tails.sum_bound(by_marker.sum(axis=0), log_weight, np.log(limit)))
        many = tails.sum_bounds(by_marker.sum(axis=0), np.exp(log_weight)[None, :] / limit)
        assert true <= bound + 1e-12
        assert many[0] == pytest.approx(bound, rel=1e-9)


def test_adding_up_and_fourier_give_the_same():
    rng = np.random.default_rng(7)
    score, prob = rng.normal(0.3, 1.0, (9, 4)), rng.dirichlet(np.ones(4), 9)
    scored = np.ones((9, 4), dtype=bool)
    scored[:, -1] = False
    wide = np.pad(
        score, ((0, 0), (0, 9)), mode="edge"
    )  # outcomes that never come: the other way of reckoning
    for least in (0, 3):
        a = tails.evidence_tail(score, prob, 0.4, scored, least)
        b = tails.evidence_tail(
            wide, np.pad(prob, ((0, 0), (0, 9))), 0.4, np.pad(scored, ((0, 0), (0, 9))), least
        )
        assert (a.low, a.value, a.high) == pytest.approx((b.low, b.value, b.high), abs=1e-9)


def test_markers_in_another_order_give_the_same():
    rng = np.random.default_rng(5)
    score, prob = rng.normal(0, 1, (12, 4)), rng.dirichlet(np.ones(4), 12)
    order = rng.permutation(12)
    a, b = tails.evidence_tail(score, prob, 0.7), tails.evidence_tail(score[order], prob[order], 0.7)
    assert a.value == pytest.approx(b.value, rel=1e-9)


def test_without_markers_the_prior_alone_decides():
    nothing = np.empty((0, 4))
    assert tails.evidence_tail(nothing, nothing, -0.1).value == 1.0
    assert tails.evidence_tail(nothing, nothing, 0.1).value == 0.0
