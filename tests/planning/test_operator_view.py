"""Weeks and people at the team's rates."""

import pytest

from crossproof.planning.inputs import PlannedCross
from crossproof.planning.numbers import team_rates
from crossproof.planning.operator_view import week_loads

RATES = team_rates([3] * 20, [4] * 20, [2] * 20, [1] * 20, [3] * 20, (6.0, 3.0, 0.8, 0.2))
CROSSES = [
    PlannedCross("P1", "A", "B", 4, week="2031-W23", operator="Ana"),
    PlannedCross("P2", "A", "C", 6, week="2031-W23", operator="Ben"),
    PlannedCross("P3", "B", "C", 4, week="2031-W22"),
    PlannedCross("P4", "B", "D", 4),
]


def test_loads_by_week_then_person():
    loads = week_loads(CROSSES, [10, 20, 5, 8], RATES, 1.0)
    assert [(w.week, w.operator, w.crosses, w.flowers, w.wanted) for w in loads] == [
        ("2031-W22", "", 1, 5, 4),
        ("2031-W23", "", 2, 30, 10),
        ("2031-W23", "Ana", 1, 10, 4),
        ("2031-W23", "Ben", 1, 20, 6),
        ("", "", 1, 8, 4),
    ]


def test_everyone_is_given_the_same_rate():
    loads = week_loads(CROSSES, [10, 20, 5, 8], RATES, 1.0)
    per_flower = {w.expected / w.flowers for w in loads}
    assert max(per_flower) == pytest.approx(min(per_flower), rel=1e-9)
    assert max(per_flower) == pytest.approx(RATES.pod_set * RATES.mean_seeds * RATES.hybrid_rate, rel=2e-2)
    assert all(w.low <= w.expected <= w.high for w in loads)


def test_no_flowers_bring_no_hybrids():
    assert week_loads(CROSSES[:1], [0], RATES, 1.0)[0].high == 0
