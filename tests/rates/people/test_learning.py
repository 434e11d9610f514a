"""Practice and its trend, by hand and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from crossproof.rates.people.learning import experience, learning_slope


def test_flowers_before_by_hand() -> None:
    # in time: Bo 4, Ana 2, Bo 1, nobody 9, Ana 3, Bo 5
    person = np.array([1, 0, 1, -1, 0, 1])
    flowers = np.array([4.0, 2.0, 1.0, 9.0, 3.0, 5.0])
    assert experience(person, np.arange(6), flowers).tolist() == [0, 0, 4, 0, 2, 5]
    back = np.arange(6)[::-1]
    assert experience(person[back], np.arange(6)[back], flowers[back]).tolist() == [5, 2, 0, 4, 0, 0]
    assert experience(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)).tolist() == []


def test_the_trend_put_in_comes_out() -> None:
    before = np.cumsum(np.full(400, 3.0)) - 3.0
    rng = np.random.default_rng(3)
    # odds of a self fall by a quarter with each doubling
    y = rng.binomial(5, expit(0.8 + np.log(0.75) * np.log2(1 + before))).astype(float)
    trend = learning_slope(y, 5 - y, before)
    assert trend.low < 0.75 < trend.high < 1
    assert trend.note == ""


@pytest.mark.parametrize(
    ("y", "m", "before", "note"),
    [
        ([1.0] * 4, [4.0] * 4, [0, 3, 6, 9], "too few"),
        ([0.0] * 20, [5.0] * 20, list(range(20)), "too few"),
        ([2.0] * 20, [3.0] * 20, [7] * 20, "no trend over time can be seen"),
        ([5.0] * 10 + [0.0] * 10, [0.0] * 10 + [5.0] * 10, list(range(20)),
         "no finite fit: selfs and hybrids separate in time"),
    ],
)  # fmt: skip
def test_no_trend_is_given_where_there_is_none_to_see(
    y: list[float], m: list[float], before: list[float], note: str
) -> None:
    trend = learning_slope(np.array(y), np.array(m), np.array(before, dtype=float))
    assert trend.note == note
    assert np.isnan([trend.odds_ratio, trend.low, trend.high, trend.p]).all()
