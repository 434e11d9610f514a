"""Funnel, overdispersion, p values and chart against published figures."""

from __future__ import annotations

import numpy as np
import pytest
from rates_published import P_CHART, SURGICAL

from crossproof.rates.people.operators import (
    Position,
    false_discovery,
    funnel,
    funnel_limit,
    overdispersion,
    p_chart,
    z_scores,
)

DEATHS, OPERATIONS, Z = (np.array([row[k] for row in SURGICAL], dtype=float) for k in (0, 1, 2))
THETA = 208 / 2814


@pytest.mark.parametrize(("quantile", "column"), [(0.001, 3), (0.025, 4), (0.975, 5), (0.999, 6)])
def test_exact_limits_of_the_hospitals(quantile: float, column: int) -> None:
    expected = [row[column] for row in SURGICAL]
    assert funnel_limit(THETA, OPERATIONS, quantile) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    ("quantile", "limit"), [(0.001, 0.03478), (0.025, 0.08440), (0.975, 0.30709), (0.999, 0.37914)]
)
def test_exact_limits_at_a_fifth_of_fifty(quantile: float, limit: float) -> None:
    # reference README: theta0 .2, n 50 (computed)
    assert funnel_limit(0.2, 50, quantile) == pytest.approx(limit, abs=5.1e-6)


def test_limits_between_whole_numbers_lie_between() -> None:
    below, middle, above = funnel_limit(0.2, [50.0, 50.5, 51.0], 0.975)
    assert middle == pytest.approx((below + above) / 2, rel=1e-12)
    assert np.isnan(funnel_limit(0.2, [0.0], 0.975))[0]
    assert funnel_limit(0.0, [10.0], 0.975)[0] == 0.0


def test_z_and_overdispersion_of_the_hospitals() -> None:
    z = z_scores(DEATHS, OPERATIONS, THETA)
    assert z == pytest.approx(Z, abs=1e-3)
    assert z[7] == pytest.approx(3.938, abs=1e-3)
    assert overdispersion(z) == pytest.approx(3.2130, abs=1e-3)


def test_winsorised_overdispersion_by_hand() -> None:
    # ten z of 1 and one of 9; a tenth at each end drawn in: eleven times 1
    assert overdispersion([1.0] * 10 + [9.0], winsorised=0.1) == pytest.approx(1.0, rel=1e-12)
    assert overdispersion([1.0] * 10 + [9.0]) == pytest.approx(91 / 11, rel=1e-12)
    assert np.isnan(overdispersion([np.nan]))


def test_overdispersion_moves_one_hospital_inside() -> None:
    many, few = funnel(DEATHS, OPERATIONS), funnel(DEATHS, OPERATIONS, least=100)
    assert few.position[7] is Position.ABOVE_998
    assert few.used == 1.0
    assert many.used > 1
    assert many.position[7] is Position.ABOVE_95


def test_funnel_counts_independent_plants() -> None:
    plain = funnel([30, 10], [100, 100])
    alike = funnel([30, 10], [100, 100], effective=[25, 25])
    assert plain.position.tolist() == [Position.ABOVE_95, Position.BELOW_95]
    assert alike.position.tolist() == [Position.INSIDE, Position.INSIDE]
    assert (alike.high_95 > plain.high_95).all()


def test_funnel_of_nothing() -> None:
    found = funnel([0.0, 0.0], [0.0, 0.0])
    assert np.isnan(found.theta)
    assert found.position.tolist() == [Position.UNKNOWN, Position.UNKNOWN]


def test_false_discovery_by_hand() -> None:
    # Benjamini & Hochberg: sorted p times m / rank, made monotone from the top
    q = false_discovery([0.01, np.nan, 0.04, 0.03])
    assert q[[0, 2, 3]] == pytest.approx([0.03, 0.04, 0.04], rel=1e-12)
    assert np.isnan(q[1])
    assert np.isnan(false_discovery([np.nan])).all()


def test_p_chart_of_montgomery() -> None:
    # Montgomery 1991, pp 152-155 (seen): .23133, .0524, .4102, out 15 and 23; without them .2150 .0407 .3893
    chart = p_chart(P_CHART, [50] * 30)
    assert chart.centre == pytest.approx(0.23133, abs=5.1e-6)
    assert (chart.low[0], chart.high[0]) == pytest.approx((0.0524, 0.4102), abs=5.1e-5)
    assert (np.flatnonzero(chart.out) + 1).tolist() == [15, 23]
    calm = p_chart(P_CHART, [50] * 30, used=~chart.out)
    assert (calm.centre, calm.low[0], calm.high[0]) == pytest.approx((0.2150, 0.0407, 0.3893), abs=5.1e-5)


def test_p_chart_of_nothing_and_of_an_empty_week() -> None:
    assert np.isnan(p_chart([0], [0]).centre)
    chart = p_chart([3, 0], [20, 0])
    assert np.isnan(chart.high[1])
    assert not chart.out.any()
