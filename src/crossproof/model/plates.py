"""Plates and wells.

Well positions follow ANSI/SLAS 4-2004: rows are letters from the top (A is row 1), columns are numbers from
the left; 96 wells are 8 x 12, 384 are 16 x 24, 1536 are 32 x 48 with rows A to Z, then AA to AF.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np

from crossproof.model.arrays import Ints

_WELL = re.compile(r"^\s*([A-Za-z]{1,2})\s*0*([1-9]\d?)\s*$")


class Role(StrEnum):
    """What a well holds."""

    PROGENY = "progeny"
    PARENT = "parent"
    BLANK = "blank"


@dataclass(frozen=True, order=True)
class Well:
    """A place on a plate; `row` and `column` count from 0."""

    row: int
    column: int

    @property
    def name(self) -> str:
        """Name with an unpadded column number, such as A1, H12, AF48."""
        return row_letters(self.row) + str(self.column + 1)


@dataclass(frozen=True)
class PlateFormat:
    """Geometry of a plate."""

    wells: int
    rows: int
    columns: int

    def __contains__(self, well: Well) -> bool:
        return 0 <= well.row < self.rows and 0 <= well.column < self.columns

    def places(self, row: Ints, column: Ints) -> Ints:
        """Places of wells, counted along the rows from 0; -1 for those that lie off the plate."""
        inside = (row >= 0) & (row < self.rows) & (column >= 0) & (column < self.columns)
        return np.where(inside, row * self.columns + column, -1)


PLATE_FORMATS: tuple[PlateFormat, ...] = (
    PlateFormat(96, 8, 12),
    PlateFormat(384, 16, 24),
    PlateFormat(1536, 32, 48),
)


def row_letters(row: int) -> str:
    """Letters of a row that counts from 0: A .. Z, AA .. AF."""
    assert 0 <= row < 702
    return chr(65 + row) if row < 26 else chr(64 + row // 26) + chr(65 + row % 26)


@lru_cache(maxsize=1 << 13)
def parse_well(text: str) -> Well:
    """Read a well name such as A1, A01 or af48.

    Raises ValueError where the text is no position of a 1536-well plate.
    """
    match = _WELL.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a well name such as A1 or H12")
    letters = match.group(1).upper()
    row = ord(letters[-1]) - 65 if len(letters) == 1 else (ord(letters[0]) - 64) * 26 + ord(letters[1]) - 65
    well = Well(row, int(match.group(2)) - 1)
    if well not in PLATE_FORMATS[-1]:
        raise ValueError(f"{text!r} is outside the largest plate (rows A to AF, columns 1 to 48)")
    return well


def smallest_format(wells: list[Well]) -> PlateFormat:
    """The smallest standard plate that has all these wells."""
    for plate in PLATE_FORMATS:
        if all(w in plate for w in wells):
            return plate
    raise ValueError("a well is outside the largest plate")
