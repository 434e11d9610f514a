"""Numbers as a reader sees them; one rounding for page, workbook, labels and terminal."""

from __future__ import annotations

import datetime as dt
import math

from crossproof.text import fixed, percent, probability

__all__ = [
    "NO_BREAK", "count", "decimal", "factor", "fixed", "interval", "moment", "noun", "probability", "share",
]  # fmt: skip

NO_BREAK = "\u00a0"


def count(value: float) -> str:
    """A count with a comma between thousands; "" where unknown."""
    return "" if not math.isfinite(value) else f"{round(value):,}"


def share(value: float) -> str:
    """A share between 0 and 1 as a percentage: whole from 1 to 99 %, one decimal towards the ends."""
    return percent(value, NO_BREAK)


def interval(low: float, high: float) -> str:
    """Both ends of an interval of shares, "48 to 66 %"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    return f"{share(low).removesuffix(NO_BREAK + '%')} to {share(high)}"


def decimal(value: float, digits: int = 2) -> str:
    """A plain decimal number; "" where unknown."""
    return "" if not math.isfinite(value) else fixed(value, digits)


def odds(value: float) -> str:
    """An odds ratio; beyond ten thousand, either way, only that it is."""
    if value > 1e4:
        return "over 10,000"
    return "under 0.0001" if value < 1e-4 else decimal(value, 2 if value >= 0.005 else 4)


def factor(power: float) -> str:
    """10 to a power, either sign read as a factor above 1: plain below a thousand, then as a power of ten."""
    if not math.isfinite(power):
        return ""
    power = abs(power)
    if power < 3:
        return fixed(10**power, 0 if power >= 1 else 1)
    return "10" + fixed(power, 0).translate(_RAISED)


_RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


def noun(number: float, one: str, many: str = "") -> str:
    """A count with its noun: 1 plant, 2 plants."""
    return f"{count(number)}{NO_BREAK}{one if number == 1 else many or one + 's'}"


def moment(text: str) -> str:
    """A time as run.json has it, such as 2026-11-28T08:26:34+00:00, as a reader says it; else as it is."""
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        return text
    zone = f" {at.tzname()}" if at.tzinfo else ""
    return f"{at.day} {at:%B %Y, %H:%M}{zone}"
