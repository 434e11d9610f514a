"""The parts of a workbook: sheets of rows, plates drawn as grids, and the order of names and places."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

Cell = str | float
"""A cell: text, or a number (NaN stays empty)."""


@dataclass(frozen=True)
class SheetColumn:
    """One column: heading, width in characters, number format ("" for text); `sign` is left to write on."""

    label: str
    width: float
    number: str = ""
    sign: bool = False


@dataclass(frozen=True)
class Sheet:
    """One sheet of the workbook.

    `marks`: the column with verdict letters, -1 where there is none. `heads`: numbers of the rows that head a
    group of rows.
    """

    name: str
    title: str
    note: str
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    marks: int = -1
    landscape: bool = True
    heads: frozenset[int] = frozenset()

    @property
    def listed(self) -> int:
        """Rows that are no headings."""
        return len(self.rows) - len(self.heads)


@dataclass(frozen=True)
class Grid:
    """Plates drawn as grids: title, and rows of cells with the row letters first."""

    name: str
    title: str
    note: str
    plates: tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]


@dataclass(frozen=True)
class ScanSheet:
    """A sheet for a scanner that types: of each plant what its code reads, its name, decision and place."""

    name: str
    title: str
    note: str
    rows: tuple[tuple[str, str, str, str], ...]


BOX = "\u2610"
"""An empty box, to tick while walking."""
SIGN = SheetColumn("Done, by whom", 18, sign=True)
TICK = SheetColumn("Done", 6)


@lru_cache(maxsize=1 << 18)
def natural(text: str) -> tuple[tuple[int, int | str], ...]:
    """A key that sorts P2 before P10."""
    parts: list[tuple[int, int | str]] = []
    digits = word = ""
    for c in text.casefold() + "\0":
        if c.isascii() and c.isdigit():
            if word:
                parts.append((1, word))
                word = ""
            digits += c
        else:
            if digits:
                parts.append((0, int(digits[:18])))
                digits = ""
            word += c
    parts.append((1, word))
    return tuple(parts)


def tray_of(place: str) -> str:
    """A place without its last number: the tray of "Tray 2, pot 5" is "Tray 2", of "3-17" it is "3".

    "" where there is none, as in "bench 4", so that such plants stand under no heading.
    """
    found = _LAST_NUMBER.search(place)
    if found is None:
        return ""
    head = place[: found.start()]
    parted = any(c.isdigit() for c in head) or found.group(1).strip()
    return head if parted else ""


_LAST_NUMBER = re.compile(r"(?<=[\w)])([\s,;:/._-]+)(?:[^\W\d]+[\s._-]*)?\d+[a-zA-Z]?$")
