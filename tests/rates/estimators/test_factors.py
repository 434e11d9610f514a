"""What goes with selfing, and when nothing may be said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from crossproof.rates.estimators.confounding import Factor, shared_sentences, shared_variation
from crossproof.rates.estimators.factors import (
    OTHER,
    fit_factors,
    join_small_levels,
)
from crossproof.rates.estimators.logistic import fit
from crossproof.rates.people.standardise import alone_share, expected_rate

RNG = np.random.default_rng(10)
TAGS = 600
HOUR = RNG.uniform(6, 13, TAGS)
PERSON = np.arange(TAGS) % 3
N = np.full(TAGS, 5.0)
EFFECT = np.array([0.0, 0.0, 1.0])
Y = RNG.binomial(5, expit(-1.2 + 0.25 * (HOUR - 9) + EFFECT[PERSON])).astype(float)
M = N - Y
PEOPLE = Factor("operator", group=PERSON, levels=("Ana", "Bo", "Chi"))
TIME = Factor("hour", values=HOUR, unit="hour later")


def test_the_effects_put_in_come_out() -> None:
    model = fit_factors(Y, M, [TIME, PEOPLE])
    by = {(t.factor, t.level): t for t in model.terms}
    hour = by["hour", "per hour later"]
    assert hour.low < np.exp(0.25) < hour.high
    assert hour.high / hour.low < 1.3
    # the reference is the largest level; all are alike in size, so the first
    chi = by["operator", "Chi"]
    assert chi.reference == "Ana"
    assert chi.low < np.e < chi.high
    bo = by["operator", "Bo"]
    assert bo.low < 1 < bo.high
    assert bo.p > 0.05 > chi.p
    assert chi.selfs == int(Y[PERSON == 2].sum())
    assert model.events == int(min(Y.sum(), M.sum()))
    assert model.events_per_term == pytest.approx(model.events / 3, rel=1e-12)
    assert hour.alone == pytest.approx(hour.odds_ratio, rel=0.1)


def test_limits_of_the_odds_ratio_cover_with_correlated_tags() -> None:
    rng = np.random.default_rng(1)
    inside = 0
    design = np.column_stack([np.ones(TAGS), HOUR - 9])
    for _ in range(100):
        mean = expit(-1.2 + 0.25 * (HOUR - 9))
        y = rng.binomial(5, rng.beta(2 * mean, 2 * (1 - mean))).astype(float)
        found = fit(y, N - y, design, np.arange(TAGS))
        assert found is not None
        inside += found.low[1] < 0.25 < found.high[1]
    # 95 of 100 with a standard error of 2.2; a naive error, too small by sqrt(1 + 4 / 3), would give about 80
    # (the slope of a beta-binomial mean is that of the mean itself)
    assert 89 <= inside <= 100


def test_person_and_hour_that_go_together_are_said_to() -> None:
    hour = 7.0 + 3.0 * PERSON + 0.01 * RNG.random(TAGS)
    model = fit_factors(Y, M, [Factor("hour", values=hour, unit="hour later"), PEOPLE])
    sentence = next(n for n in model.notes if "cannot be told apart" in n)
    assert sentence.startswith("hour and operator go together in these records (over 99.9 % of one follows")
    inflated = [t for t in model.terms if t.note.startswith("hardly separable")]
    assert {t.factor for t in inflated} == {"hour", "operator"}


def test_a_factor_that_others_determine_gets_no_number() -> None:
    shed = Factor("shed", group=PERSON, levels=("S1", "S2", "S3"))
    model = fit_factors(Y, M, [PEOPLE, shed])
    terms = [t for t in model.terms if t.factor == "shed"]
    assert len(terms) == 2
    assert all(np.isnan(t.odds_ratio) and "cannot be told apart" in t.note for t in terms)
    assert any("operator and shed go together" in n for n in model.notes)


def test_a_level_with_hybrids_only_gets_a_direction_and_no_limits() -> None:
    y = np.where(PERSON == 1, 0.0, Y)
    model = fit_factors(y, N - y, [TIME, PEOPLE])
    by = {t.level: t for t in model.terms}
    assert by["Bo"].note.startswith("separated (only hybrids beyond it): no odds ratio exists")
    assert by["Bo"].odds_ratio < 0.2
    assert np.isnan([by["Bo"].low, by["Bo"].high, by["Bo"].p]).all()
    # the others are those of a fit without that level
    without = PERSON != 1
    rest = fit_factors(
        y[without],
        (N - y)[without],
        [Factor("hour", values=HOUR[without], unit="hour later"),
         Factor("operator", group=PERSON[without], levels=PEOPLE.levels)],
    )  # fmt: skip
    alone = {t.level: t for t in rest.terms}
    assert by["Chi"].odds_ratio == pytest.approx(alone["Chi"].odds_ratio, rel=1e-6)
    assert by["per hour later"].low == pytest.approx(alone["per hour later"].low, rel=1e-6)


def test_too_few_events_leave_the_later_factor_out() -> None:
    few = np.zeros(TAGS)
    few[::31] = 1.0  # 20 selfs: two terms at most
    model = fit_factors(few, N - few, [TIME, PEOPLE])
    by = {t.factor: t for t in model.terms}
    assert by["operator"].note == "left out: 20 of the rarer kind for 3 terms, fewer than 10 each"
    assert np.isfinite(by["hour"].odds_ratio)
    assert model.events_per_term == 20.0


@pytest.mark.parametrize(
    ("values", "note"),
    [
        (np.full(TAGS, np.nan), "not recorded"),
        (np.full(TAGS, 24.0), "the same for all plants, or its levels are too small to stand for themselves"),
        (np.where(np.arange(TAGS) < 150, HOUR, np.nan), "recorded for only 25 % of the plants"),
    ],
)
def test_a_factor_that_says_nothing_is_left_out_with_its_reason(values: np.ndarray, note: str) -> None:
    model = fit_factors(Y, M, [Factor("temperature_c", values=values)])
    assert [t.note for t in model.terms] == [note]
    assert model.notes == ("no model: too few selfs or hybrids, or nothing recorded that varies",)


def test_an_hour_within_which_all_was_crossed_says_nothing_of_hours() -> None:
    minutes = Factor("hour", values=9.0 + np.arange(TAGS) % 30 / 60, least_span=1.0)
    (term,) = fit_factors(Y, M, [minutes]).terms
    assert (term.note, np.isnan(term.odds_ratio)) == (
        "differs by less than 1 among all plants: too little to tell",
        True,
    )


def test_no_selfs_no_model() -> None:
    model = fit_factors(np.zeros(TAGS), N, [TIME])
    assert model.notes == ("no model: it needs both selfs and hybrids",)


def test_small_levels_are_joined() -> None:
    group = np.concatenate([np.zeros(10, int), np.ones(10, int), [2, 3]])
    factor = Factor("mother", group=group, levels=("A", "B", "C", "D"))
    joined = join_small_levels(factor, np.full(22, 4.0), least_plants=20, least_tags=5)
    assert joined.levels == ("A", "B", OTHER)
    assert joined.group is not None
    assert joined.group[-2:].tolist() == [2, 2]


def test_shared_variation_by_hand() -> None:
    w = np.ones(4)
    number = Factor("n", values=np.array([0.0, 1.0, 2.0, 3.0]))
    halves = Factor("h", group=np.array([0, 0, 1, 1]), levels=("a", "b"))
    other = Factor("o", group=np.array([0, 1, 0, 1]), levels=("a", "b"))
    # between halves 4 of 5 squares; a factor with itself all; crossed halves nothing
    assert shared_variation(number, halves, w) == pytest.approx(0.8, rel=1e-12)
    assert shared_variation(halves, halves, w) == pytest.approx(1.0, rel=1e-12)
    assert shared_variation(halves, other, w) == pytest.approx(0.0, abs=1e-12)
    assert shared_variation(number, number, w) == pytest.approx(1.0, rel=1e-12)
    assert shared_sentences([halves, other], w) == []


def test_expected_rate_takes_out_the_hour_but_not_the_person() -> None:
    standard = expected_rate(Y, N, [TIME])
    assert standard.allowed == ("hour",)
    assert (standard.rate * N).sum() == pytest.approx(Y.sum(), rel=1e-6)
    late, early = HOUR > 12, HOUR < 7
    assert standard.rate[late].mean() > 2 * standard.rate[early].mean()
    ratio = [Y[k == PERSON].sum() / (standard.rate * N)[k == PERSON].sum() for k in range(3)]
    assert ratio[2] > 1.25 > 1 > ratio[0]


def test_expected_rate_without_conditions_is_the_pooled_rate() -> None:
    standard = expected_rate(Y, N, [])
    assert standard.rate == pytest.approx(np.full(TAGS, Y.sum() / N.sum()), rel=1e-12)
    few = np.zeros(TAGS)
    few[:5] = 1.0
    assert expected_rate(few, N, [TIME]).left_out == ("hour",)


def test_expected_rate_of_a_separated_line_is_finite() -> None:
    y = np.where(PERSON == 1, 0.0, Y)
    standard = expected_rate(y, N, [PEOPLE])
    assert standard.penalised
    assert 0 < standard.rate[1] < 0.05


def test_share_of_plants_under_conditions_of_ones_own() -> None:
    # person 0 alone at line a (10 plants), together with person 1 at line b (10 and 10)
    line = Factor("mother", group=np.array([0, 1, 1]), levels=("a", "b"))
    share = alone_share(np.array([0, 0, 1]), np.full(3, 10.0), line, 2)
    assert share.tolist() == [0.5, 0.0]
