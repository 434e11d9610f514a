"""The text of a cell to its value: whole numbers, numbers, dates, times, choices.

Each function returns (value, fault); the value is None where nothing can be read. A fault says what was
probably meant when only one reading is possible, and never uses it: the sheet has to be mended.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import TypeVar

from crossproof.errors import Severity
from crossproof.io.problems import Fault
from crossproof.io.sheets.columns import Column
from crossproof.io.sheets.headings import nearest

NOTHING = frozenset({"", "NA", "N/A", "n/a", "na", "-", "--", "?", "."})
"""What stands for an empty cell in a column of numbers, dates or times."""

_Number = TypeVar("_Number", int, float)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_EARLIEST = dt.date(1950, 1, 1)


def read_number(text: str, column: Column) -> tuple[float | None, Fault | None]:
    """A number with a decimal point, within the column's range."""
    if text in NOTHING:
        return None, None
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?", text):
        return None, _not_a_number(text, column, "a number")
    return _in_range(float(text), column)


def read_integer(text: str, column: Column) -> tuple[int | None, Fault | None]:
    """A whole number within the column's range."""
    if text in NOTHING:
        return None, None
    if not re.fullmatch(r"[+-]?\d{1,12}(\.0*)?", text):
        return None, _not_a_number(text, column, "a whole number")
    return _in_range(int(text.split(".")[0]), column)


def _in_range(number: _Number, column: Column) -> tuple[_Number | None, Fault | None]:
    low, high = column.low, column.high
    if (low is not None and number < low) or (high is not None and number > high):
        return None, Fault(f"The value is out of range ({column.allowed}).", "Correct the value.")
    return number, None


def _not_a_number(text: str, column: Column, what: str) -> Fault:
    remedy = f"Write {what}, or leave the cell empty where it is not known."
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        point = text.replace(",", ".")
        if what == "a number":
            remedy = f"Write a decimal point instead of the comma: {point}."
        elif re.fullmatch(r"[+-]?\d+,0+", text) and not re.fullmatch(r"[+-]?\d+,000", text):
            remedy = f"Write {text.split(',')[0]}."
    elif match := re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(°?\s*[A-Za-z]+\.?|°|%)", text):
        unit = f"; the column is in {column.unit}" if column.unit else ""
        remedy = f"Write the number alone{unit}: {match.group(1)}."
        if match.group(2).strip("° .").casefold() == "f":
            remedy = f"Write it in °C: {(float(match.group(1)) - 32) / 1.8:.1f}."
    elif re.fullmatch(r"[~<>≈=]+\s*\d+(\.\d+)?", text):
        remedy = f"Write the number alone: {text.lstrip('~<>≈= ')}."
    return Fault(f"This is not {what}.", remedy)


def read_temperature(text: str, column: Column) -> tuple[float | None, Fault | None]:
    """A temperature in °C; what lies between 60 and 140 is taken for Fahrenheit and refused."""
    if re.fullmatch(r"\d+(\.\d+)?", text) and 60 < float(text) <= 140:
        celsius = (float(text) - 32) / 1.8
        return None, Fault(
            "No flower is this hot: the value is probably in Fahrenheit.",
            f"Write it in °C: {text} °F is {celsius:.1f} °C.",
        )
    number, fault = read_number(text, column)
    if number is not None and number > 45:
        fault = Fault(
            "This is very hot for a flower.",
            f"Check it; if it is in Fahrenheit write {(number - 32) / 1.8:.1f}.",
            Severity.WARNING,
        )
    return number, fault


class DateOrder(StrEnum):
    """The order of day and month in dates such as 04.06.2027."""

    DAY_MONTH = "day-month"
    MONTH_DAY = "month-day"


_DAY_AND_MONTH = re.compile(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d{2})")


def date_order(texts: Iterable[str], said: str | None = None) -> DateOrder | None:
    """The order of day and month in a column: as said, or as some of its dates prove; None where neither."""
    if said is not None:
        return DateOrder(said)
    possible = set(DateOrder)
    seen = False
    for text in set(texts):
        if match := _DAY_AND_MONTH.fullmatch(text):
            if match[2] == "-" and len(match[4]) == 2:
                return None  # such as 26-05-18, where the year may stand first
            seen = True
            possible = {o for o in possible if _ordered(match, o) is not None}
    return possible.pop() if seen and len(possible) == 1 else None


def _ordered(match: re.Match[str], order: DateOrder) -> dt.date | None:
    one, two, year = int(match[1]), int(match[3]), _year(match[4])
    return _day(year, two, one) if order is DateOrder.DAY_MONTH else _day(year, one, two)


def read_date(text: str, today: dt.date, order: DateOrder | None = None) -> tuple[str | None, Fault | None]:
    """A day as YYYY-MM-DD, not after `today`, in any way of writing that has one meaning in its column."""
    if text in NOTHING:
        return None, None
    if match := re.fullmatch(r"(\d{4})-?(\d\d)-?(\d\d)", text):
        if text.count("-") != 1:
            return _sound(_day(*map(int, match.groups())), today)
    if (match := _DAY_AND_MONTH.fullmatch(text)) and order is not None:
        return _sound(_ordered(match, order), today)
    meant = sorted(set(_meanings(text)))
    if len(meant) == 1 and _ONE_MEANING.fullmatch(text):
        return _sound(meant[0], today)
    return None, _not_a_date(text, meant)


def _not_a_date(text: str, meant: list[dt.date]) -> Fault:
    """What is wrong with a date that is refused; `meant`: the days that it may stand for."""
    serial = re.fullmatch(r"\d{5}(\.\d+)?", text)
    timed = re.fullmatch(r"\d{4}-\d\d-\d\d[ T]\d.*", text)
    day_and_month = _DAY_AND_MONTH.fullmatch(text)
    why = "The date is not in the form YYYY-MM-DD."
    if serial:
        why = "This is a spreadsheet's day number, not a date."
    elif timed:
        why = "The cell holds a time besides the date."
    if len(meant) == 1:
        remedy = f"Write {meant[0].isoformat()}, if that is the day meant."
        if timed:
            remedy = f"Write {meant[0].isoformat()} here and the time in the column time."
    elif meant:
        remedy = f"It could be {' or '.join(d.isoformat() for d in meant)}: write the right one."
        if day_and_month and day_and_month[2] != "-":
            remedy += " For the whole sheet: date_order: day-month (or month-day) in config.yaml."
    else:
        remedy = "Write the date as YYYY-MM-DD, such as 2031-06-04."
        if re.fullmatch(r"(\d{1,2}[-. ]?[A-Za-z]{3,9}|[A-Za-z]{3,9}[-. ]?\d{1,2})\.?", text):
            why = "The date has no year (a spreadsheet may have cut it off)."
    return Fault(why, remedy)


_ONE_MEANING = re.compile(
    r"\d{4}[-/. ]\d{1,2}[-/. ]\d{1,2}|\d{1,2}[-/. ]\d{1,2}[-/. ]\d{4}"
    r"|\d{1,2}[-/. ]*[A-Za-z]{3,9}[-/., ]*\d{4}"
    r"|[A-Za-z]{3,9}[-/. ]*\d{1,2}(?:st|nd|rd|th)?[-/., ]+\d{4}"
)
"""Ways to write a date that name the year in full: where they fit one day only, it is that day."""


def _sound(day: dt.date | None, today: dt.date) -> tuple[str | None, Fault | None]:
    if day is None:
        return None, Fault("There is no such day.", "Write the date as YYYY-MM-DD.")
    if day < _EARLIEST:
        return None, Fault("The year is too long ago.", "Correct the year.")
    if day > today:
        return None, Fault(
            f"The date is in the future (today is {today.isoformat()}).",
            "Correct the date; crosses still to be made do not belong in this sheet.",
        )
    return day.isoformat(), None


def decimal_sign(texts: Iterable[str]) -> Callable[[str], str]:
    """How to write a column's numbers with a decimal point, where it has decimal commas throughout.

    A comma before three digits may part thousands, and a column that has points too has two meanings: then
    nothing is changed, and each such number is refused.
    """
    with_comma = [t for t in texts if "," in t]
    sure = bool(with_comma) and all(re.fullmatch(r"[+-]?\d+,\d{1,2}", t) for t in with_comma)
    if sure and not any(re.fullmatch(r"[+-]?\d*\.\d+", t) for t in texts):
        return lambda text: text.replace(",", ".")
    return str


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _meanings(text: str) -> list[dt.date]:
    """Every day that this text may stand for."""
    days: list[dt.date | None] = []
    if match := re.fullmatch(r"(\d{5})(\.\d+)?", text):
        # Day 60 of the 1900 system is the 29 February 1900 that never was; records are all later.
        serial = int(match.group(1))
        if 20_000 <= serial <= 80_000:
            days.append(dt.date(1899, 12, 30) + dt.timedelta(days=serial))
    elif match := re.match(r"(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})(?:[T ]\d{1,2}:\d\d.*|T.*)?$", text):
        days.append(_day(int(match[1]), int(match[2]), int(match[3])))
    elif match := re.fullmatch(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})", text):
        year = _year(match[3])
        days += [_day(year, int(match[2]), int(match[1])), _day(year, int(match[1]), int(match[2]))]
        if len(match[3]) == 2 and "-" in text:
            days.append(_day(_year(match[1].zfill(2)), int(match[2]), int(match[3])))
    elif match := re.fullmatch(r"(\d{1,2})[-/. ]*([A-Za-z]{3,9})[-/., ]*(\d{4}|\d{2})", text):
        days.append(_day(_year(match[3]), _month(match[2]), int(match[1])))
    elif match := re.fullmatch(r"([A-Za-z]{3,9})[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[-/., ]+(\d{4})", text):
        days.append(_day(int(match[3]), _month(match[1]), int(match[2])))
    return [d for d in days if d is not None]


def _year(text: str) -> int:
    return int(text) + (2000 if len(text) == 2 else 0)


def _month(text: str) -> int:
    word = text[:3].casefold()
    return _MONTHS.index(word) + 1 if word in _MONTHS else 0


def read_time(text: str) -> tuple[str | None, Fault | None]:
    """A time of day as HH:MM on a 24-hour clock; H:MM is read with a warning."""
    if text in NOTHING:
        return None, None
    if match := re.fullmatch(r"(\d{1,2}):(\d\d)(?::(\d\d))?", text):
        return _clock_time(match)
    return None, _not_a_time(text)


def _clock_time(match: re.Match[str]) -> tuple[str | None, Fault | None]:
    """Hours, minutes and perhaps seconds with colons."""
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if minute > 59 or second > 59 or hour > 47:
        return None, Fault("There is no such time.", "Write the time as HH:MM, such as 09:30.")
    if hour > 23:
        past = f"{hour - 24:02d}:{minute:02d}"
        return None, Fault(
            "The time is past midnight.", f"Write {past} here and the next day in the column date."
        )
    value = f"{hour:02d}:{minute:02d}"
    if len(match[1]) == 1:
        return value, Fault(f"The time is read as {value}.", f"Write {value}.", Severity.WARNING)
    if second:
        return value, Fault("The seconds are left out.", f"Write {value}.", Severity.WARNING)
    return value, None


def _not_a_time(text: str) -> Fault:
    """What is wrong with a time that is refused, and which one was probably meant."""
    remedy = "Write the time as HH:MM on a 24-hour clock, such as 09:30."
    if match := re.fullmatch(r"(\d{1,2})(?:[:.](\d\d))?(?::\d\d)?\s*([aApP])\.?\s*[mM]\.?", text):
        hour, minute = int(match[1]), int(match[2] or 0)
        if 1 <= hour <= 12 and minute < 60:
            hour = hour % 12 + (12 if match[3] in "pP" else 0)
            remedy = f"Write {hour:02d}:{minute:02d}."
        return Fault("The time is on a 12-hour clock.", remedy)
    if re.fullmatch(r"0?[.,]\d+", text):
        return _share_of_day(text)
    if match := re.fullmatch(r"(\d{1,2})\s*[.,hH-]\s*(\d\d)|(\d{2})(\d\d)", text):
        hour, minute = int(match[1] or match[3]), int(match[2] or match[4])
        if hour < 24 and minute < 60:
            remedy = f"Write {hour:02d}:{minute:02d}, if that is the time meant."
    return Fault("The time is not in the form HH:MM.", remedy)


def _share_of_day(text: str) -> Fault:
    """What a number below 1 may be as a time: a spreadsheet's share of a day, or hours and minutes."""
    minutes = min(round(float(text.replace(",", ".")) * 1440), 1439)
    share, digits = f"{minutes // 60:02d}:{minutes % 60:02d}", re.split("[.,]", text)[1]
    if len(digits) == 2 and int(digits) < 60:
        return Fault(
            "This may be a spreadsheet's share of a day, or hours and minutes.",
            f"It is {share} as a share of a day and 00:{digits} as hours and minutes: write the right one.",
        )
    remedy = f"Write {share}, if that is the time meant."
    return Fault("This is a spreadsheet's share of a day, not a time.", remedy)


def read_choice(text: str, column: Column) -> tuple[str | None, Fault | None]:
    """One of the column's words, in any case."""
    if not text:
        return None, None
    word = text.casefold()
    word = column.words.get(" ".join(word.split()), word)
    if word in column.choices:
        return word, None
    close = nearest(word, column.choices)
    hint = f"Did you mean {close!r}? " if close else ""
    return None, Fault("This is not one of the allowed words.", f"{hint}Write one of: {column.allowed}.")
