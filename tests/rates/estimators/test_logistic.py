"""Logistic regression and its guards."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from rates_published import CROWDER_SEEDS
from scipy import stats
from statsmodels.stats.outliers_influence import variance_inflation_factor

from crossproof.rates.estimators.logistic import (
    fit,
    fit_penalised,
    independent_columns,
    separated,
    variance_inflation,
)
from crossproof.rates.estimators.random_intercept import _log_marginal, fit_random_intercept

SEEDS = np.array(CROWDER_SEEDS, dtype=float)
Y, M = SEEDS[:, 0], SEEDS[:, 1] - SEEDS[:, 0]
DESIGN = np.column_stack([np.ones(21), SEEDS[:, 2], SEEDS[:, 3], SEEDS[:, 2] * SEEDS[:, 3]])


def test_seed_plates_of_crowder() -> None:
    # Crowder 1978 data, plain logistic (reference README): -.558, .146, 1.318, -.778
    found = fit(Y, M, DESIGN, np.arange(21))
    assert found is not None
    assert found.coefficient == pytest.approx([-0.558, 0.146, 1.318, -0.778], abs=1e-3)
    # its model-based errors, .126 .223 .177 .306, come from the same library fit without clusters
    plain = sm.GLM(np.column_stack([Y, M]), DESIGN, family=sm.families.Binomial()).fit()
    assert plain.bse == pytest.approx([0.126, 0.223, 0.177, 0.306], abs=1e-3)
    # plates differ more than binomially, and the robust errors say so
    assert (found.error > plain.bse).all()


def test_robust_errors_are_the_sandwich() -> None:
    found = fit(Y, M, DESIGN, np.arange(21))
    assert found is not None
    p = 1 / (1 + np.exp(-DESIGN @ found.coefficient))
    bread = np.linalg.inv((DESIGN * ((Y + M) * p * (1 - p))[:, None]).T @ DESIGN)
    score = DESIGN * (Y - (Y + M) * p)[:, None]
    # statsmodels' small-sample factor G / (G - 1) * (N - 1) / (N - K), here G = N = 21, K = 4
    factor = 21 / 20 * 20 / 17
    expected = np.sqrt(np.diag(bread @ (score.T @ score) @ bread) * factor)
    assert found.error == pytest.approx(expected, rel=1e-6)


def test_seed_plates_with_a_random_plate() -> None:
    # Crowder 1978 data, random-intercept ML (reference README): -.5484, .0970, 1.3370, -.8105, sigma .2362
    found = fit_random_intercept(Y, M, DESIGN)
    assert found.coefficient == pytest.approx([-0.5484, 0.0970, 1.3370, -0.8105], abs=1e-3)
    assert found.sigma == pytest.approx(0.2362, abs=1e-3)


def test_integral_over_the_random_effect_by_brute_force() -> None:
    b = np.linspace(-12, 12, 200_001)
    p = 1 / (1 + np.exp(-(0.3 + b)))
    brute = np.trapezoid(p**3 * (1 - p) ** 2 * np.exp(-0.5 * (b / 1.5) ** 2) / (1.5 * np.sqrt(2 * np.pi)), b)
    ours = _log_marginal(np.array([3.0]), np.array([2.0]), np.array([0.3]), 1.5)
    assert ours[0] == pytest.approx(np.log(brute), rel=1e-6)


def test_no_finite_fit_where_a_level_has_hybrids_only() -> None:
    m = np.where(SEEDS[:, 2] == 1, 0.0, M)
    assert separated(Y, m, DESIGN[:, :3]).tolist() == [False, True, False]
    assert fit(Y, m, DESIGN[:, :3], np.arange(21)) is None


def test_complete_separation_by_a_number() -> None:
    x = np.arange(10.0)
    design = np.column_stack([np.ones(10), x])
    y = (x > 4.5).astype(float)
    assert separated(y, 1 - y, design)[1]
    assert fit(y, 1 - y, design, np.arange(10)) is None
    y[0] = 1.0  # one self among the hybrids ends it
    assert not separated(y, 1 - y, design).any()
    assert fit(y, 1 - y, design, np.arange(10)) is not None


def test_penalised_fit_tends_to_the_plain_one_and_stays_finite() -> None:
    plain = fit(Y, M, DESIGN, np.arange(21))
    assert plain is not None
    loose = fit_penalised(Y, M, DESIGN, strength=1e-9)
    assert loose.coefficient == pytest.approx(plain.coefficient, abs=1e-4)
    assert np.isnan(loose.error).all()
    m = np.where(SEEDS[:, 2] == 1, 0.0, M)
    assert 1 < fit_penalised(Y, m, DESIGN[:, :3]).coefficient[1] < 20
    # the free intercept keeps the total
    assert fit_penalised(Y, M, DESIGN).fitted @ (Y + M) == pytest.approx(Y.sum(), rel=1e-4)


def test_penalised_fit_is_the_librarys() -> None:
    """Crowder's seed plates by statsmodels, which divides the likelihood by the number of rows."""
    ours = fit_penalised(Y, M, DESIGN, strength=2.0)
    weight = Y + M
    centre = np.average(DESIGN, axis=0, weights=weight)
    deviation = np.sqrt(np.average((DESIGN - centre) ** 2, axis=0, weights=weight))
    scaled = np.column_stack([np.ones(21), (DESIGN[:, 1:] - centre[1:]) / deviation[1:]])
    theirs = sm.GLM(np.column_stack([Y, M]), scaled, family=sm.families.Binomial()).fit_regularized(
        alpha=np.array([0.0, 2.0, 2.0, 2.0]) / 21, L1_wt=0.0, maxiter=200
    )
    assert ours.coefficient[1:] == pytest.approx(theirs.params[1:] / deviation[1:], abs=2e-5)
    # at the maximum the slope of the penalised likelihood is nought
    slopes = ours.coefficient[1:] * deviation[1:]
    score = scaled.T @ (Y - weight * ours.fitted)
    assert score == pytest.approx([0.0, *(2.0 * slopes)], abs=1e-7)


def test_nothing_to_fit() -> None:
    assert fit(Y, np.zeros(21), DESIGN, np.arange(21)) is None
    assert fit(Y, M, DESIGN, np.zeros(21, dtype=int)) is None
    assert fit(Y[:3], M[:3], DESIGN[:3], np.arange(3)) is None


def test_columns_that_say_the_same() -> None:
    doubled = np.column_stack([DESIGN, DESIGN[:, 1] + DESIGN[:, 2], np.zeros(21)])
    assert independent_columns(doubled).tolist() == [True, True, True, True, False, False]


def test_variance_inflation_is_statsmodels() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=(60, 3))
    x[:, 2] += 2 * x[:, 0]
    design = np.column_stack([np.ones(60), x])
    theirs = [variance_inflation_factor(design, k) for k in (1, 2, 3)]
    assert variance_inflation(design, np.ones(60))[1:] == pytest.approx(theirs, rel=1e-8)


@pytest.mark.parametrize("r", [0.0, 0.5, -0.9])
def test_inflation_of_two_columns_by_hand(r: float) -> None:
    """Two columns with correlation r inflate each other's variance by 1 / (1 - r^2)."""
    a, b = np.array([1.0, 1.0, -1.0, -1.0]), np.array([1.0, -1.0, 1.0, -1.0])
    design = np.column_stack([np.ones(4), a, r * a + np.sqrt(1 - r * r) * b])
    found = variance_inflation(design, np.ones(4))
    assert np.isnan(found[0])
    np.testing.assert_allclose(found[1:], 1 / (1 - r * r), rtol=1e-12)


@pytest.mark.parametrize(
    "columns", [[[1.0, 1.0, 1.0]], [[1.0, 1.0, 1.0], [2.0, 2.0, 2.0]], [[1, 1, 1], [0.0, 1, 2], [0.0, 1, 2]]]
)
def test_inflation_that_does_not_exist_is_no_number(columns: list[list[float]]) -> None:
    assert np.isnan(variance_inflation(np.array(columns).T, np.ones(3))).all()


def test_no_fit_where_there_is_nothing_to_fit() -> None:
    design = np.column_stack([np.ones(4), [0.0, 0.0, 1.0, 1.0]])
    y, m, tag = np.array([1.0, 2, 3, 1]), np.array([2.0, 1, 1, 3]), np.arange(4)
    assert fit(y, m, design, tag) is not None
    assert fit(y, m, design, np.zeros(4, dtype=int)) is None  # one tag: no errors between tags
    assert fit(y[:2], m[:2], design[:2], tag[:2]) is None  # as many terms as tags
    assert fit(y, np.zeros(4), design, tag) is None  # selfs only
    assert fit(np.zeros(4), m, design, tag) is None


def test_a_design_without_plants_is_separated_throughout() -> None:
    assert separated(np.zeros(3), np.zeros(3), np.ones((3, 2))).all()


def test_limits_and_p_are_student_s_t_on_tags_less_one() -> None:
    found = fit(Y, M, DESIGN, np.arange(21))
    assert found is not None
    # t table: 2.086 at 97.5 % and 1.725 at 95 % on 20 degrees of freedom
    assert (found.high - found.coefficient) / found.error == pytest.approx([2.086] * 4, abs=5e-4)
    assert (found.coefficient - found.low) / found.error == pytest.approx([2.086] * 4, abs=5e-4)
    narrow = fit(Y, M, DESIGN, np.arange(21), level=0.9)
    assert narrow is not None
    assert (narrow.high - narrow.low) / narrow.error == pytest.approx([2 * 1.725] * 4, abs=1e-3)
    # a coefficient is at its own limit just where p is 1 - level
    edge = stats.t.cdf(-np.abs(found.coefficient / found.error), 20) * 2
    assert found.p == pytest.approx(edge, rel=1e-9)
    assert found.penalised is False
    assert found.fitted == pytest.approx(1 / (1 + np.exp(-DESIGN @ found.coefficient)), rel=1e-12)


def test_one_plant_of_a_class_is_enough_to_fit() -> None:
    design = np.ones((6, 1))
    y, m = np.array([1.0, 0, 0, 0, 0, 0]), np.array([1.0, 2, 2, 2, 2, 2])
    for selfs, others in ((y, m), (m, y)):
        found = fit(selfs, others, design, np.arange(6))
        assert found is not None
        assert found.fitted == pytest.approx(selfs.sum() / 12, rel=1e-9)


def test_clusters_without_plants_change_nothing() -> None:
    empty = np.zeros(3)
    far = np.column_stack([np.ones(3), [5.0, -5.0, 9.0], [7.0, 0.0, 1.0]])
    y, m, design = np.r_[Y, empty], np.r_[M, empty], np.vstack([DESIGN[:, :3], far])
    plain, more = fit(Y, M, DESIGN[:, :3], np.arange(21)), fit(y, m, design, np.arange(24))
    assert plain is not None
    assert more is not None
    assert more.coefficient == pytest.approx(plain.coefficient, rel=1e-9)
    assert more.error == pytest.approx(plain.error, rel=1e-9)
    ridge = fit_penalised(y, m, design)
    assert ridge.coefficient == pytest.approx(fit_penalised(Y, M, DESIGN[:, :3]).coefficient, rel=1e-9)
    assert ridge.penalised is True


def test_a_penalised_fit_counts_plants_and_not_rows() -> None:
    """The same plants in other rows, selfs apart from hybrids, are the same data."""
    rows = np.r_[np.arange(21), np.arange(21)]
    y, m = np.r_[Y, np.zeros(21)], np.r_[np.zeros(21), M]
    together, apart = fit_penalised(Y, M, DESIGN[:, :3]), fit_penalised(y, m, DESIGN[rows, :3])
    assert apart.coefficient == pytest.approx(together.coefficient, rel=1e-4)
    single = np.ones(int((Y + M).sum()))
    kinds = np.r_[np.repeat(np.arange(21), Y.astype(int)), np.repeat(np.arange(21), M.astype(int))]
    selfs = np.r_[single[: int(Y.sum())], single[int(Y.sum()) :] * 0]
    one_by_one = fit_penalised(selfs, 1 - selfs, DESIGN[kinds, :3])
    assert one_by_one.coefficient == pytest.approx(together.coefficient, rel=5e-4)


def test_a_constant_column_has_no_slope_in_a_penalised_fit() -> None:
    design = np.column_stack([DESIGN[:, :2], np.full(21, 3.0)])
    found = fit_penalised(Y, M, design)
    assert found.coefficient[2] == 0.0
    assert found.coefficient[:2] == pytest.approx(fit_penalised(Y, M, DESIGN[:, :2]).coefficient, rel=1e-6)


def test_inflation_counts_plants_and_not_rows() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(size=(12, 2))
    x[:, 1] += x[:, 0]
    times = rng.integers(1, 6, 12)
    design = np.column_stack([np.ones(12), x])
    each = np.repeat(design, times, axis=0)
    assert variance_inflation(design, times.astype(float))[1:] == pytest.approx(
        variance_inflation(each, np.ones(len(each)))[1:], rel=1e-9
    )


def test_a_penalised_fit_is_where_the_ridge_s_slope_is_nothing() -> None:
    """At the best coefficients the score of every scaled column equals strength times its coefficient."""
    for strength in (1.0, 5.0):
        found = fit_penalised(Y, M, DESIGN[:, :3], strength=strength)
        n = Y + M
        centre = np.average(DESIGN[:, 1:3], axis=0, weights=n)
        deviation = np.sqrt(np.average((DESIGN[:, 1:3] - centre) ** 2, axis=0, weights=n))
        score = ((DESIGN[:, 1:3] - centre) / deviation).T @ (Y - n * found.fitted)
        assert score == pytest.approx(strength * found.coefficient[1:] * deviation, abs=2e-3)


def test_a_single_column_inflates_nothing() -> None:
    assert variance_inflation(DESIGN[:, :2], Y + M)[1] == pytest.approx(1.0, rel=1e-12)
