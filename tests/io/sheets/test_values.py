"""Cells to values: dates, times, numbers; what was probably meant is named only where it is unique."""

from __future__ import annotations

import calendar
import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.errors import Severity
from crossproof.io.sheets.columns import CROSSES, SAMPLES
from crossproof.io.sheets.values import (
    DateOrder,
    date_order,
    decimal_sign,
    read_choice,
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


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("26-05-18", "It could be 2018-05-26 or 2026-05-18"),
        ("5-4-31", "It could be 2031-04-05 or 2031-05-04"),
        ("05/04/31", "It could be 2031-04-05 or 2031-05-04"),
        ("4 June", "Write the date as YYYY-MM-DD"),
        ("2031-06-04 09:30", "Write 2031-06-04 here and the time in the column time."),
        ("2031-060-4", "Write the date as YYYY-MM-DD"),
        ("48003", "Write 2031-06-04, if that is the day meant."),
    ],
)
def test_dates_that_are_asked_about(text: str, remedy: str) -> None:
    value, fault = read_date(text, TODAY)
    assert value is None
    assert remedy in fault.remedy


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("48003", "a spreadsheet's day number"), ("2031-06-04 09:30", "holds a time besides"),
        ("05/04/31", "not in the form YYYY-MM-DD"), ("2031-02-30", "There is no such day."),
        ("1949-12-31", "too long ago"), ("2031-07-02", "in the future (today is 2031-07-01)"),
        ("2031-0604", "not in the form YYYY-MM-DD"),
    ],
)  # fmt: skip
def test_why_a_date_is_not_taken(text: str, why: str) -> None:
    value, fault = read_date(text, TODAY)
    assert value is None
    assert why in fault.problem


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        # A share of a day: 0.34 x 24 h is 8 h 9.6 min; 0.75 can be no minutes of an hour, since there are 60
        ("0.34", "It is 08:10 as a share of a day and 00:34 as hours and minutes: write the right one."),
        ("0,34", "It is 08:10 as a share of a day and 00:34"), (".59", "00:59 as hours and minutes"),
        ("0.60", "Write 14:24, if that is the time meant."), ("0.75", "Write 18:00,"),
        ("0.9999999", "Write 23:59,"), ("0.5", "Write 12:00,"),
        ("9.30", "Write 09:30, if that is the time meant."), ("9h30", "Write 09:30,"),
        ("0930", "Write 09:30,"), ("9.60", "Write the time as HH:MM on a 24-hour clock"),
        ("2400", "Write the time as HH:MM on a 24-hour clock"), ("12:30 am", "Write 00:30."),
        ("12 pm", "Write 12:00."), ("1.05 p.m.", "Write 13:05."), ("13:00 pm", "Write the time as HH:MM"),
        ("0:30 am", "Write the time as HH:MM"), ("25:10", "Write 01:10 here and the next day in the column"),
        ("48:00", "such as 09:30."), ("09:60", "such as 09:30."), ("09:30:60", "such as 09:30."),
    ],
)  # fmt: skip
def test_times_that_are_asked_about(text: str, remedy: str) -> None:
    value, fault = read_time(text)
    assert value is None
    assert remedy in fault.remedy


def test_times_that_are_read_with_a_warning() -> None:
    value, fault = read_time("9:05")
    assert (value, fault.severity, fault.problem) == ("09:05", Severity.WARNING, "The time is read as 09:05.")
    value, fault = read_time("09:05:30")
    assert (value, fault.severity, fault.problem) == ("09:05", Severity.WARNING, "The seconds are left out.")


@pytest.mark.parametrize(
    ("text", "problem", "remedy"),
    [
        ("24,5", "This is not a number.", "Write a decimal point instead of the comma: 24.5."),
        ("24.5 °C", "This is not a number.", "Write the number alone; the column is in °C: 24.5."),
        ("77 F", "This is not a number.", "Write it in °C: 25.0."),
        ("~ 24", "This is not a number.", "Write the number alone: 24."),
        ("warm", "This is not a number.", "Write a number, or leave the cell empty where it is not known."),
        ("-60", "The value is out of range", "Correct the value."),
    ],
)
def test_texts_that_are_no_number(text: str, problem: str, remedy: str) -> None:
    value, fault = read_number(text, CROSSES["temperature_c"])
    assert value is None
    assert fault.problem.startswith(problem)
    assert fault.remedy == remedy


def test_a_unit_is_named_only_where_the_column_has_one() -> None:
    assert read_number("9 mm", CROSSES["anthers_removed"])[1].remedy == "Write the number alone: 9."


@pytest.mark.parametrize("number", [CROSSES["temperature_c"].low, CROSSES["temperature_c"].high])
def test_the_ends_of_a_range_belong_to_it(number: float) -> None:
    assert read_number(str(number), CROSSES["temperature_c"]) == (number, None)


def test_words_of_a_closed_choice() -> None:
    role = SAMPLES["role"]
    assert read_choice("", role) == (None, None)
    assert read_choice("PARENT", role) == ("parent", None)
    assert read_choice("F1", role) == ("progeny", None)
    assert read_choice("  NTC ".strip(), role) == ("blank", None)
    value, fault = read_choice("progenny", role)
    assert value is None
    assert fault.problem == "This is not one of the allowed words."
    assert fault.remedy == f"Did you mean 'progeny'? Write one of: {role.allowed}."
    assert read_choice("seven", role)[1].remedy == f"Write one of: {role.allowed}."


@pytest.mark.parametrize("text", ["4 June 2031", "4-Jun-2031", "June 4th, 2031", "2031/6/4", "2031.06.04"])
def test_dates_of_one_meaning_are_read(text: str) -> None:
    assert read_date(text, TODAY) == ("2031-06-04", None)


def test_months_by_name() -> None:
    for number, name in enumerate(calendar.month_name[1:], 1):
        assert read_date(f"9 {name} 2030", TODAY) == (f"2030-{number:02}-09", None)
        assert read_date(f"9 {name[:3].upper()} 2030", TODAY) == (f"2030-{number:02}-09", None)
    assert read_date("9 Juli 2030", TODAY) == ("2030-07-09", None)
    assert read_date("9 Foo 2030", TODAY)[0] is None


def test_a_hot_flower_is_asked_about() -> None:
    assert read_temperature("45", CROSSES["temperature_c"]) == (45.0, None)
    value, fault = read_temperature("45.5", CROSSES["temperature_c"])
    assert (value, fault.severity) == (45.5, Severity.WARNING)
    assert fault.remedy == "Check it; if it is in Fahrenheit write 7.5."


def test_minutes_end_at_59_and_remedies_name_the_time() -> None:
    assert read_time("9:05")[1].remedy == "Write 09:05."
    assert read_time("09:05:30")[1].remedy == "Write 09:05."
    assert read_time("12:60 am")[1].remedy == "Write the time as HH:MM on a 24-hour clock, such as 09:30."
    assert read_time("12:59 am")[1].remedy == "Write 00:59."
