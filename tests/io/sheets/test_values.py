"""Cells to values: dates, times, numbers; what was probably meant is named only where it is unique."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.errors import Severity
from crossproof.io.sheets.columns import CROSSES
from crossproof.io.sheets.values import (
    DateOrder,
    date_order,
    decimal_sign,
    read_date,
    read_integer,
    read_number,
    read_temperature,
    read_time,
)
from crossproof.model.limits import MOST_SEEDS

TODAY = dt.date(2031, 7, 1)


@given(st.dates(dt.date(1950, 1, 1), TODAY))
def test_iso_dates_round_trip(day: dt.date) -> None:
    assert read_date(day.isoformat(), TODAY) == (day.isoformat(), None)
    assert read_date(day.strftime("%Y%m%d"), TODAY) == (day.isoformat(), None)


@given(st.dates(dt.date(1960, 1, 1), TODAY))
def test_other_notations_name_the_day_among_their_meanings(day: dt.date) -> None:
    """A remedy never names a wrong day as the only reading; the true day is always among those named."""
    for text in (
        f"{day.day}/{day.month}/{day.year}",
        f"{day.month}/{day.day}/{day.year}",
        f"{day.day:02d}.{day.month:02d}.{day.year}",
        f"{day:%d %B %Y}",
        f"{day:%d-%b-%Y}",
        f"{day:%B} {day.day}, {day.year}",
        str((day - dt.date(1899, 12, 30)).days),
    ):
        value, fault = read_date(text, TODAY)
        if value is None:
            assert fault is not None
            assert day.isoformat() in fault.remedy, text
        else:
            assert value == day.isoformat(), text


@given(st.lists(st.dates(dt.date(1960, 1, 1), TODAY), min_size=1))
def test_an_order_that_a_column_proves_reads_every_date_of_it(days: list[dt.date]) -> None:
    for order, write in (
        (DateOrder.DAY_MONTH, "{0.day}.{0.month}.{0.year}"),
        (DateOrder.MONTH_DAY, "{0:%m/%d/%Y}"),
    ):
        texts = [write.format(d) for d in days]
        found = date_order(texts)
        assert found in (order, None)
        assert (found is None) == all(d.day <= 12 for d in days)
        if found is not None:
            assert [read_date(t, TODAY, found)[0] for t in texts] == [d.isoformat() for d in days]


@pytest.mark.parametrize(
    ("texts", "changed"),
    [
        (["24,5", "26", ""], True),
        (["24,5", "25.1"], False),
        (["1,200", "24,5"], False),
        (["24.5", "26"], False),
    ],
)
def test_decimal_commas_are_read_where_the_whole_column_has_them(texts: list[str], changed: bool) -> None:
    assert (decimal_sign(texts)("24,5") == "24.5") is changed


@pytest.mark.parametrize(
    ("serial", "day"),
    [
        # ECMA-376 part 1, 18.17.4.1: in the 1900 date system day 39448 is 1 January 2008.
        ("39448", "2008-01-01"),
        ("45123", "2023-07-16"),
    ],
)
def test_serials_are_days_of_the_1900_system(serial: str, day: str) -> None:
    _, fault = read_date(serial, TODAY)
    assert fault is not None
    assert "day number" in fault.problem
    assert day in fault.remedy


@pytest.mark.parametrize("text", ["12", "2031", "2031-06", "June", "soon", "2031-13-01", "00000", "99999"])
def test_no_day_is_invented(text: str) -> None:
    value, fault = read_date(text, TODAY)
    assert value is None
    assert fault is not None
    assert "if that is the day meant" not in fault.remedy


def test_today_is_allowed_and_tomorrow_is_not() -> None:
    assert read_date("2031-07-01", TODAY)[1] is None
    assert "in the future" in read_date("2031-07-02", TODAY)[1].problem
    assert "too long ago" in read_date("1031-07-02", TODAY)[1].problem


@given(st.times())
def test_times_round_trip(time: dt.time) -> None:
    text = time.strftime("%H:%M")
    assert read_time(text) == (text, None)


@given(st.integers(1, 12), st.integers(0, 59), st.sampled_from(["AM", "pm", "a.m.", "p.m.", " Am", " PM"]))
def test_the_twelve_hour_clock_is_refused_with_the_right_hour(hour: int, minute: int, half: str) -> None:
    value, fault = read_time(f"{hour}:{minute:02d}{half}")
    meant = dt.datetime.strptime(f"{hour}:{minute:02d} {half.strip().replace('.', '').upper()}", "%I:%M %p")
    assert value is None
    assert fault is not None
    assert meant.strftime("%H:%M") in fault.remedy


@pytest.mark.parametrize("text", ["24:00", "24:30", "47:59"])
def test_past_midnight_names_the_next_day(text: str) -> None:
    _, fault = read_time(text)
    assert fault.problem == "The time is past midnight."
    assert f"{int(text[:2]) - 24:02d}{text[2:]}" in fault.remedy


@pytest.mark.parametrize("text", ["48:00", "10:60", "noon", "-1:00", "1", "12:3"])
def test_times_that_cannot_be(text: str) -> None:
    value, fault = read_time(text)
    assert value is None
    assert fault.severity is Severity.ERROR


def test_seconds_are_dropped_aloud() -> None:
    assert read_time("09:30:00") == ("09:30", None)
    value, fault = read_time("09:30:15")
    assert value == "09:30"
    assert fault.severity is Severity.WARNING


@pytest.mark.parametrize(
    ("text", "celsius"),
    # Exact points of the scale: 86 °F is 30 °C, 77 °F is 25 °C, 104 °F is 40 °C.
    [("86", "30.0"), ("77", "25.0"), ("104", "40.0")],
)
def test_fahrenheit_is_refused_with_its_value_in_celsius(text: str, celsius: str) -> None:
    value, fault = read_temperature(text, CROSSES["temperature_c"])
    assert value is None
    assert f"{text} °F is {celsius} °C" in fault.remedy


@pytest.mark.parametrize("text", ["60", "-5", "0", "24.5", "1e1"])
def test_temperatures_within_range(text: str) -> None:
    value, fault = read_temperature(text, CROSSES["temperature_c"])
    assert value == float(text)
    assert fault is None or fault.severity is Severity.WARNING


@pytest.mark.parametrize("text", ["", "NA", "-", "?", "n/a"])
def test_nothing_known_is_no_fault(text: str) -> None:
    assert read_integer(text, CROSSES["pods"]) == (None, None)
    assert read_number(text, CROSSES["anthers_removed"]) == (None, None)
    assert read_date(text, TODAY) == (None, None)
    assert read_time(text) == (None, None)


@given(st.integers(0, MOST_SEEDS))
def test_whole_numbers_round_trip(n: int) -> None:
    assert read_integer(str(n), CROSSES["seeds"]) == (n, None)
    assert read_integer(f"{n}.0", CROSSES["seeds"]) == (n, None)


@pytest.mark.parametrize(
    ("text", "remedy"),
    [("3,0", "Write 3."), ("1,000", "Write a whole number"), ("~4", ": 4."), ("4 pods", ": 4.")],
)
def test_texts_that_are_no_whole_number(text: str, remedy: str) -> None:
    value, fault = read_integer(text, CROSSES["pods"])
    assert value is None
    assert remedy in fault.remedy


def test_digits_of_other_scripts_have_their_value() -> None:
    assert read_integer("\u0661\u0662", CROSSES["pods"]) == (12, None)
