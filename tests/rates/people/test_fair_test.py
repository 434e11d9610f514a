"""The test of a person: against an exact one, under the null, and with people who cannot be compared."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from crossproof.rates.people.fair_test import fair_test

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))
from people_calibration import SETTINGS, season, welch


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


def test_two_people_and_single_plants_against_fishers_exact_test() -> None:
    # 100 tags of one plant each: 22 of 50 selfs against 10 of 50; Fisher's mid-p by the hypergeometric
    y = np.concatenate([np.repeat([1.0, 0.0], [22, 28]), np.repeat([1.0, 0.0], [10, 40])])
    person = np.repeat([0, 1], 50)
    found = fair_test(y, np.ones(100), np.ones((100, 1)), person, 2, rng=rng())
    law = stats.hypergeom(100, 32, 50)
    mid = 2 * (law.sf(22) + law.pmf(22) / 2)
    assert found.p[0] == pytest.approx(mid, abs=0.006)
    assert found.p[0] == pytest.approx(found.p[1], abs=0.006)


def test_retained_is_one_less_what_conditions_share() -> None:
    # person 0 made three quarters of the tags of a mother that is half of all: R^2 = 1/4
    person = np.array([0] * 3 + [1] + [0] + [1] * 3)
    mother = np.repeat([0.0, 1.0], 4)
    y, n = np.array([1.0, 0, 1, 0, 0, 1, 1, 1]), np.full(8, 2.0)
    design = np.column_stack([np.ones(8), mother])
    found = fair_test(y, n, design, person, 2, rng=rng())
    plain = fair_test(y, n, np.ones((8, 1)), person, 2, rng=rng())
    assert plain.retained == pytest.approx([1.0, 1.0], rel=1e-9)
    assert found.retained[0] == pytest.approx(0.75, abs=0.04)  # rates differ between mothers
    assert found.variance[0] < plain.variance[0]


def test_a_person_who_is_the_mother_line_has_no_p() -> None:
    person = np.repeat([0, 1, 1], 20)
    mother = np.repeat([1.0, 0.0, 0.0], 20)
    y = rng().binomial(4, 0.3, 60).astype(float)
    design = np.column_stack([np.ones(60), mother])
    found = fair_test(y, np.full(60, 4.0), design, person, 2, rng=rng())
    assert np.isnan(found.p).all()
    assert found.retained == pytest.approx([0.0, 0.0], abs=1e-6)


def test_nothing_to_test() -> None:
    found = fair_test(np.zeros(5), np.ones(5), np.ones((5, 1)), np.zeros(5, dtype=int), 1, rng=rng())
    assert np.isnan(found.p).all()


def test_p_is_uniform_where_nobody_differs_and_small_where_one_does() -> None:
    draw = np.random.default_rng(7)
    p = np.concatenate(
        [fair_test(*_of(SETTINGS[1], draw), SETTINGS[1].people, rng=draw, draws=500).p for _ in range(60)]
    )
    # 240 p values, a little dependent: 0.05 with a standard error of 0.015, four of them above
    assert np.mean(p < 0.05) <= 0.11
    assert np.mean(p < 0.5) == pytest.approx(0.5, abs=0.14)
    ours, plain = 0, 0
    for _ in range(40):
        y, n, design, who = season(SETTINGS[1], draw, 2.0)
        ours += fair_test(y, n, design, who, SETTINGS[1].people, rng=draw, draws=500).p[0] < 0.05
        plain += welch(y, n, who) < 0.05
    assert ours >= plain - 4
    assert ours >= 20


def _of(setting, draw):  # type: ignore[no-untyped-def]
    y, n, design, who = season(setting, draw)
    return y, n, design, who
