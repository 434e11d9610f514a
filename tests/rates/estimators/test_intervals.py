"""Intervals against published tables."""

from __future__ import annotations

import numpy as np
import pytest
from rates_published import NEWCOMBE_SINGLE

from crossproof.rates.estimators.intervals import (
    proportion_interval,
    rate,
    ratio_interval,
)


@pytest.mark.parametrize(("x", "n", "method", "low", "high"), NEWCOMBE_SINGLE)
def test_single_proportions_of_newcombe(x: int, n: int, method: str, low: float, high: float) -> None:
    found_low, found_high = proportion_interval(x, n, method=method)  # type: ignore[arg-type]
    # the table lets limits leave [0, 1]; ours do not
    assert found_low == pytest.approx(max(low, 0.0), abs=5.1e-5)
    assert found_high == pytest.approx(high, abs=5.1e-5)


def test_nothing_looked_at_has_no_rate_and_no_limits() -> None:
    low, high = proportion_interval([0.0, 3.0], [0.0, 4.0])
    assert np.isnan([rate(0, 0), low[0], high[0]]).all()
    assert 0 < low[1] < 0.75 < high[1] <= 1


def test_expected_counts_lie_between_whole_ones() -> None:
    low, high = proportion_interval([2.0, 2.5, 3.0], [8.0, 8.0, 8.0])
    assert (np.diff(low) > 0).all()
    assert (np.diff(high) > 0).all()


@pytest.mark.parametrize("tiny", [1e-320, 5e-324, 1e-308, 1e-100, 1e-12])
def test_a_count_as_small_as_numbers_get_is_none(tiny: float) -> None:
    """Sums of posteriors at many markers: the library's quantile overflows there."""
    low, high = proportion_interval([tiny, 10 - 1e-12, 0.0, 10.0], [10.0] * 4)
    np.testing.assert_array_equal(low, low[[2, 3, 2, 3]])
    np.testing.assert_array_equal(high, high[[2, 3, 2, 3]])
    assert low[0] == 0
    assert high[1] == 1
    assert 0.3 < high[0] < 0.31


def test_ratio_over_tags_by_hand() -> None:
    # three tags with 2 of 2, 2 of 4 and 5 of 3: ratio 1; residuals 0, -2, 2;
    # error = sqrt(3/2 * 8) / 9 = 0.38490, t(2, 0.975) = 4.30265 (any t table)
    ratio, low, high = ratio_interval([2, 2, 5], [2, 4, 3])
    assert ratio == pytest.approx(1.0, rel=1e-12)
    assert low == pytest.approx(np.exp(-4.30265 * 0.384900), rel=1e-4)
    assert high == pytest.approx(1 / low, rel=1e-9)


def test_ratio_of_two_tags_has_no_limits() -> None:
    ratio, low, high = ratio_interval([1, 3], [2, 2])
    assert ratio == pytest.approx(1.0, rel=1e-12)
    assert np.isnan([low, high]).all()
    assert np.isnan(ratio_interval([], [])).all()


def test_rates_are_counts_over_totals_of_any_shape() -> None:
    np.testing.assert_array_equal(rate([3, 1], [[4], [0]]), [[0.75, 0.25], [np.nan, np.nan]])
    assert rate(1, 2) == 0.5


def test_one_plant_by_hand() -> None:
    # Clopper and Pearson, 1 of 1: the lower limit p has p^1 = 0.025; 0 of 1 is its mirror
    low, high = proportion_interval([1, 0], [1, 1])
    assert low == pytest.approx([0.025, 0.0], abs=1e-12)
    assert high == pytest.approx([1.0, 0.975], abs=1e-12)
    assert proportion_interval(1, 1, level=0.9)[0] == pytest.approx(0.05, rel=1e-9)


def test_counts_a_little_outside_are_none_and_all() -> None:
    low, high = proportion_interval([-1e-9, 10 + 1e-9, np.nan], [10.0] * 3)
    sure_low, sure_high = proportion_interval([0, 10], [10, 10])
    np.testing.assert_array_equal(low[:2], sure_low)
    np.testing.assert_array_equal(high[:2], sure_high)
    assert np.isnan([low[2], high[2]]).all()


def test_a_ratio_of_nothing_has_no_limits() -> None:
    ratio, low, high = ratio_interval([0, 0, 0], [1, 2, 3])
    assert ratio == 0
    assert np.isnan([low, high]).all()
    # tags without flowers, or of unknown ones, are passed over
    known = ratio_interval([2, 2, 5], [2, 4, 3])
    assert ratio_interval([2, 2, 5, 1, 9, np.nan], [2, 4, 3, np.nan, 0, 2]) == known
    assert ratio_interval([2, 2, 5], [2, 4, 3], level=0.9)[2] < known[2]


def test_one_flower_has_a_ratio() -> None:
    assert ratio_interval([2], [1])[0] == 2.0
    assert ratio_interval([1, 1], [0.25, 0.25])[0] == 4.0
