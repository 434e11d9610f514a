"""Texts as they may be shown: names that nothing acts on, values cut to length, counts with their noun."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Context, Decimal

_KEPT_CONTROLS = {"\t": " ", "\n": " ", "\r": " "}


def shown(value: object) -> str:
    """Any value as harmless text.

    Control characters are dropped (an escape byte recolours a terminal, a NUL ends a workbook), characters
    that reverse the reading direction or hide are spelled out (they can make one name look like another),
    and missing values become the empty text.
    """
    if value is None or (not isinstance(value, str) and _is_missing(value)):
        return ""
    text = str(value)
    if text.isascii() and text.isprintable():
        return text
    return "".join(_shown_character(c) for c in text)


def _is_missing(value: object) -> bool:
    import pandas as pd  # slow to import, and texts need none of it

    return value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))


def _shown_character(character: str) -> str:
    if character in _KEPT_CONTROLS:
        return _KEPT_CONTROLS[character]
    category = unicodedata.category(character)
    if category == "Cf" and character not in "\u200c\u200d":  # joiners belong to emoji and to Persian words
        return f"[U+{ord(character):04X}]"
    if category in ("Cc", "Cs"):
        return ""
    if category in ("Zl", "Zp"):
        return " "
    return character


def plain(text: object) -> str:
    """Text without control or direction-changing characters."""
    return "".join(
        c
        if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp")
        else f"<U+{ord(c):04X}>"
        for c in str(text)
    )


_EVERY_DIGIT = Context(prec=400)
"""More digits than the largest number has, which are 309 before the point."""


def fixed(value: float, digits: int) -> str:
    """Fixed decimals, halves away from zero as a browser's toFixed does, so that page and terminal agree."""
    exact = Decimal(float(value)).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP, _EVERY_DIGIT)
    return f"{exact:.{digits}f}"


def percent(share: float, space: str = " ") -> str:
    """A share between 0 and 1 as a percentage: whole from 1 to 99 %, one decimal towards the ends."""
    if not math.isfinite(share):
        return ""
    value = 100 * share
    text = fixed(value, 0 if 1 <= value <= 99 or value in (0.0, 100.0) else 1)
    if text == "100.0":
        text = "over 99.9"
    elif text == "0.0" and value > 0:
        text = "under 0.1"
    return f"{text}{space}%"


def probability(value: float) -> str:
    """A probability with three decimals; never 0 or 1, which no evidence reaches."""
    if not math.isfinite(value):
        return ""
    if value < 0.0005:
        return "< 0.001"
    if value > 0.9995:
        return "> 0.999"
    return fixed(value, 3)


def count_of(number: int, one: str, many: str = "") -> str:
    """A number and its noun: 1 plant, 2 plants."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def agreeing(number: int, one: str, many: str) -> str:
    """The form of a verb or noun that agrees with a number: 1 plant waits, 2 plants wait."""
    return one if number == 1 else many


def first_of(names: Iterable[object], most: int, more: str = " ...") -> str:
    """The first names of a list, and whether there are more."""
    every = list(map(str, names))
    return ", ".join(every[:most]) + (more if len(every) > most else "")


def shortened(text: str, length: int = 80) -> str:
    """A value short enough to show."""
    return text if len(text) <= length else text[: length - 1] + "…"
