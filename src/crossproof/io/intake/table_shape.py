"""How a laboratory's table is written, as an entry of config.yaml says it."""

from __future__ import annotations

import fnmatch
import unicodedata
from dataclasses import dataclass, fields
from enum import StrEnum


class Separator(StrEnum):
    """What stands between the cells of a text table."""

    COMMA = "comma"
    SEMICOLON = "semicolon"
    TAB = "tab"
    BAR = "bar"
    SPACE = "space"

    @property
    def character(self) -> str:
        """The character itself; for SPACE any run of blanks."""
        return {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "}[self.value]


class Encoding(StrEnum):
    """How letters are written as bytes."""

    UTF_8 = "utf-8"
    UTF_16 = "utf-16"
    WESTERN = "windows-1252"


class Decimal(StrEnum):
    """The decimal sign."""

    POINT = "point"
    COMMA = "comma"


@dataclass(frozen=True)
class TableShape:
    """The shape of one table; every field left out is found from the content or does not apply.

    `header_row` and `last_row`: rows as a text editor or spreadsheet counts them. `sample_column`,
    `marker_column`, `call_columns`, `ignore_columns`: headings, in any case; `*` in `ignore_columns` stands
    for any text. `columns_per_marker`: 2 where each allele has a column of its own.
    """

    encoding: Encoding | None = None
    separator: Separator | None = None
    decimal: Decimal | None = None
    header_row: int | None = None
    last_row: int | None = None
    sample_column: str | None = None
    marker_column: str | None = None
    call_columns: tuple[str, ...] = ()
    columns_per_marker: int = 1
    ignore_columns: tuple[str, ...] = ()

    @property
    def plain(self) -> bool:
        """Whether nothing is said, so that the table is read as the season's own tables are."""
        return all(getattr(self, f.name) == f.default for f in fields(self))


def folded(text: str) -> str:
    """A heading or name as it is compared: composed letters, no case, one blank between words."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def is_ignored(heading: str, place: int, patterns: tuple[str, ...]) -> bool:
    """Whether a column is not to be read; `place` counts from 1 and names a column without a heading."""
    names = (folded(heading), f"column {place}") if not heading else (folded(heading),)
    for pattern in patterns:
        key = folded(pattern)
        # Brackets are ordinary characters of headings, not sets of letters.
        wild = key.replace("[", "[[]")
        if any(name == key or fnmatch.fnmatchcase(name, wild) for name in names):
            return True
    return False
