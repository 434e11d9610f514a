"""Three seasons beside each other: what was planted is found."""

from __future__ import annotations

import numpy as np
import pytest
from years_seasons import year

from crossproof.rates.tables.tally import RateOptions
from crossproof.rates.tables.years import Course, Years, years_tables

OPTIONS = RateOptions()


@pytest.fixture(scope="module")
def planted() -> Years:
    # selfing of 12, 24 and 36 %; the seed of Line C is selfed to 70 % whatever the year
    return years_tables([year(k, selfing=0.12 * (k + 1), bad="Line C") for k in range(3)], OPTIONS)


def test_the_trend_is_found_and_what_three_seasons_cannot_tell_is_kept_apart(planted: Years) -> None:
    trends = planted.trends.set_index("measure")
    assert trends.loc["selfed_flower_share", "course"] == Course.ROSE
    assert trends.loc["true_success", "course"] == Course.FELL
    assert trends.loc["pod_set", "course"] == Course.ALIKE
    assert (trends["p_any"] >= trends["p_these"]).all()


def test_the_bad_line_is_found_as_a_mother_and_no_other(planted: Years) -> None:
    levels = planted.levels
    worse = levels[(levels["measure"] == "true_success") & (levels["course"] == Course.LOWER)]
    assert worse[["factor", "level"]].to_numpy().tolist() == [["mother", "Line C"]]
    assert worse["high"].iloc[0] < 1
    assert worse["seasons"].iloc[0] == 3


def test_crosses_tried_again_and_again_come_with_those_never_reached_first(planted: Years) -> None:
    table = planted.repeats
    assert (table["seasons"] >= 2).all()
    assert table["seasons_reached"].is_monotonic_increasing
    assert table["mother"].iloc[0] == "Line C"


def test_rates_of_each_season_are_its_own(planted: Years) -> None:
    whole = planted.rates[planted.rates["factor"] == "season"]
    assert whole["season"].tolist() == ["2028", "2029", "2030"]
    assert np.all(np.diff(whole["selfing_rate"]) > 0)


def test_three_seasons_alike_show_nothing() -> None:
    # one draw; how often chance alone shows something stands in docs/rates.md
    quiet = years_tables([year(k, seed=3) for k in range(3)], OPTIONS)
    assert (quiet.trends["course"] == Course.ALIKE).all()
    assert quiet.levels["course"].isin([Course.ALIKE, Course.UNKNOWN]).all()
    assert quiet.levels["change"].isin([Course.ALIKE, Course.UNKNOWN]).all()


def test_a_season_without_plants_is_there_and_says_little() -> None:
    full, empty = year(0), year(1)
    bare = type(empty)(empty.name, empty.crosses, empty.verdicts.iloc[:0])
    made = years_tables([full, bare], OPTIONS)
    assert set(made.rates["season"]) == {"2028", "2029"}
    trends = made.trends.set_index("measure")
    assert trends.loc["true_success", "seasons"] == 1
    assert trends.loc["pod_set", "seasons"] == 2
