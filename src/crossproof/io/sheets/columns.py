"""The columns of every input sheet, declared once.

One `Column` drives reading, checking, the sheets that `crossproof new` writes and the documentation.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from crossproof.errors import Problem, error


class Kind(StrEnum):
    """How the text of a cell is read."""

    NAME = "name"
    TEXT = "text"
    INTEGER = "whole number"
    NUMBER = "number"
    DATE = "date"
    TIME = "time"
    WELL = "well"
    CHOICE = "choice"


@dataclass(frozen=True)
class Column:
    """One column of an input sheet.

    `low` and `high` are the smallest and largest values allowed, both included, in `unit`. `choices` are the
    only values of a CHOICE. `example` is an invented value that fits.
    """

    name: str
    kind: Kind
    meaning: str
    example: str = ""
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """The values allowed, in words; empty where any will do."""
        if self.choices:
            return ", ".join(self.choices)
        unit = f" {self.unit}" if self.unit else ""
        if self.low is not None and self.high is not None:
            return f"{self.low:g} to {self.high:g}{unit}"
        if self.low is not None:
            return f"at least {self.low:g}{unit}"
        return {
            Kind.DATE: "YYYY-MM-DD, such as 2031-06-04",
            Kind.TIME: "HH:MM on a 24-hour clock, such as 09:30",
            Kind.WELL: "a well of a 96, 384 or 1536-well plate, such as A1 or H12",
        }.get(self.kind, "")


@dataclass(frozen=True)
class Table:
    """One kind of input sheet: its name, what a row stands for, and its columns in the usual order."""

    name: str
    row_is: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names, in order."""
        return tuple(c.name for c in self.columns)

    def __getitem__(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


CROSSES = Table(
    "crosses",
    "one tagged cross",
    (
        Column("cross_id", Kind.NAME, "number or name on the tag; each only once", "X001", required=True),
        Column("mother", Kind.NAME, "line that was emasculated and bore the seed", "Lark"),
        Column("father", Kind.NAME, "line that gave the pollen", "Wren"),
        Column(
            "cross",
            Kind.TEXT,
            "both parents in one cell, the mother first: mother x father (instead of the two columns)",
            "Lark x Wren",
        ),
        Column("date", Kind.DATE, "day of pollination", "2025-06-04"),
        Column("time", Kind.TIME, "time of pollination", "09:30"),
        Column("operator", Kind.NAME, "who made the cross", "Ana"),
        Column("flowers", Kind.INTEGER, "flowers pollinated under this tag; 1 where left empty", "2", low=0),
        Column("pods", Kind.INTEGER, "pods harvested from these flowers", "1", low=0),
        Column("seeds", Kind.INTEGER, "seeds harvested from these pods", "4", low=0),
        Column(
            "temperature_c", Kind.NUMBER, "air temperature at pollination", "24.5", unit="°C", low=-5, high=60
        ),
        Column("anthers_removed", Kind.NUMBER, "anthers taken out of each flower", "10", low=0),
        Column("target_hybrids", Kind.INTEGER, "hybrid plants wanted from this cross", "4", low=0),
        Column("notes", Kind.TEXT, "anything worth remembering", "example row - delete it"),
    ),
)

SAMPLES = Table(
    "samples",
    "one well",
    (
        Column("sample_id", Kind.NAME, "the sample's name in the genotype file", "S01", required=True),
        Column(
            "batch",
            Kind.NAME,
            "name of the genotype file in config.yaml (needed where several files hold this sample)",
            "B01",
        ),
        Column("plate", Kind.NAME, "name of the plate", "plate1"),
        Column("well", Kind.WELL, "place on the plate", "A1"),
        Column(
            "role",
            Kind.CHOICE,
            "what is in the well",
            "progeny",
            required=True,
            choices=("parent", "progeny", "blank"),
        ),
        Column("line", Kind.NAME, "for a parent: the name of the line", ""),
        Column("cross_id", Kind.NAME, "for a progeny plant: the number on its tag", "X001"),
        Column("pod", Kind.NAME, "for a progeny plant: the pod its seed came from", "1"),
        Column("plant", Kind.NAME, "name of the plant; the same in each well that holds it", "X001-1"),
        Column(
            "place",
            Kind.NAME,
            "where the plant stands, such as house, tray and pot",
            "house 1, tray 2, pot 7",
        ),
        Column(
            "inbreeding",
            Kind.NUMBER,
            "for a parent: from 0 (an F1 or a plant of unknown breeding) to 1 (a fixed line)",
            "",
            low=0,
            high=1,
        ),
        Column("line_mother", Kind.NAME, "for a parent that is an F1: the mother line of the F1", ""),
        Column("line_father", Kind.NAME, "for a parent that is an F1: the father line of the F1", ""),
    ),
)

MARKERS = Table(
    "markers",
    "one marker",
    (
        Column("marker", Kind.NAME, "the marker's name in the genotype files", "M01", required=True),
        Column("chrom", Kind.TEXT, "chromosome", "Chr01"),
        Column("pos", Kind.INTEGER, "position on the chromosome", "120400", unit="bp", low=0),
        Column("cm", Kind.NUMBER, "position on the genetic map of the chromosome", "", unit="cM", low=0),
        Column(
            "inheritance",
            Kind.CHOICE,
            "maternal for a chloroplast marker or else nuclear",
            "nuclear",
            choices=("nuclear", "maternal"),
        ),
        Column("alleles", Kind.TEXT, "the alleles with the reference one first", "A/G"),
        Column("counted_allele", Kind.TEXT, "for a table of 0 1 2: the allele that is counted", ""),
        Column(
            "generic_alleles",
            Kind.TEXT,
            "for files that call the alleles A and B or 1 and 2: what these stand for in this order",
            "",
        ),
        Column(
            "also_called", Kind.TEXT, "other names of the marker in genotype files with ; between them", ""
        ),
    ),
)

CORRECTIONS = Table(
    "corrections",
    "one answer to what a plate check proposed",
    (
        Column("kind", Kind.TEXT, "what to do, in the words of the proposal", "swap wells", required=True),
        Column("target", Kind.NAME, "the plate, well, sample or tag it is about", "plate1:A1", required=True),
        Column("other", Kind.NAME, "the other plate, well, tag or line, where there is one", "plate1:B1"),
        Column("detail", Kind.TEXT, "a further choice, such as by how many columns", ""),
        Column("note", Kind.TEXT, "who decided, and why", ""),
    ),
)

TABLES: Mapping[str, Table] = {t.name: t for t in (CROSSES, SAMPLES, MARKERS, CORRECTIONS)}


def heading_key(heading: str) -> str:
    """A heading without case, and with spaces, hyphens and underscores alike."""
    return re.sub(r"[\s_\-\u00a0]+", "_", heading.strip().casefold()).strip("_")


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like this one, or "" where none is alike."""
    keys = {heading_key(k): k for k in known}
    found = difflib.get_close_matches(heading_key(word), list(keys), n=1, cutoff=0.6)
    return keys[found[0]] if found else ""


def match_headings(
    headings: Sequence[str],
    table: Table,
    renames: Mapping[str, str],
    *,
    file: str,
    header_row: int,
) -> tuple[tuple[str, ...], list[Problem]]:
    """Our name of each heading; a heading that is none of ours keeps its own text.

    `renames` maps a lab's heading to our name. Two headings for one column, and a column required but absent,
    are errors. Returned names are in the order of `headings`.
    """
    ours = {heading_key(c): c for c in table.names}
    lab = {heading_key(theirs): name for theirs, name in renames.items()}
    names: list[str] = []
    problems: list[Problem] = []
    first: dict[str, str] = {}
    for heading in headings:
        key = heading_key(heading)
        name = lab.get(key) or ours.get(key) or heading.strip()
        place = heading_key(name)
        if place in first:
            before = first[place]
            if heading_key(before) == key:
                text = f"The heading {heading!r} stands twice; which column is meant cannot be known."
            else:
                text = f"The headings {before!r} and {heading!r} both stand for the column {name!r}."
            problems.append(
                error(
                    file,
                    text,
                    "Rename or delete one of the two columns.",
                    row=header_row,
                    column=heading,
                    value=heading,
                )
            )
        first.setdefault(place, heading)
        names.append(name)
    for column in table.columns:
        if column.required and heading_key(column.name) not in first:
            close = nearest(column.name, [h for h in headings if heading_key(h) not in ours])
            hint = (
                f"Rename the heading {close!r} to {column.name!r}, or say so in config.yaml under columns: "
                f"{{{close}: {column.name}}}."
                if close
                else f"Add a column {column.name!r}: {column.meaning}."
            )
            found = ", ".join(h for h in headings[:12] if h) or "none"
            problems.append(
                error(
                    file,
                    f"The column {column.name!r} is needed and is not there (headings found: {found}).",
                    hint,
                    row=header_row,
                    column=column.name,
                )
            )
    return tuple(names), problems


__all__ = [
    "CORRECTIONS",
    "CROSSES",
    "MARKERS",
    "SAMPLES",
    "TABLES",
    "Column",
    "Kind",
    "Table",
    "heading_key",
    "match_headings",
    "nearest",
]
