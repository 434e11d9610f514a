"""The crossing book: every tag in walking order, with what is known of it and room for what is not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import pandas as pd

from crossproof.errors import InputError, Severity, UsageError
from crossproof.field.printing import walking_order
from crossproof.field.sheets import PAPER_MM, Paper, render
from crossproof.io.config.season_config import find_config, read_config
from crossproof.io.problems import Problems
from crossproof.io.records.issued_tags import TAGS_FILE, IssuedTag, read_issued
from crossproof.io.records.raw_tables import gather
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CROSSES
from crossproof.io.sheets.sheet import read_sheet
from crossproof.model.plates import Role
from crossproof.model.tag_numbers import TagNumber, has_form
from crossproof.report.content.sheets import natural
from crossproof.text import shown

COLUMNS = tuple(c for c in CROSSES.columns if c.name != "cross")
"""Columns of the workbook: those of the crosses sheet."""
PLACE = "mother_place"
"""Column of the workbook behind them, where a place is known."""
_DERIVED = {"hour", "week", "_file", "_row", *CROSSES.names, PLACE}


@dataclass(frozen=True)
class BookRow:
    """One tag. `cells`: texts by column of the crosses sheet and by the user's own columns, "" where not
    known yet. `planned`: flowers to pollinate, 0 where not said."""

    cells: Mapping[str, str]
    place: str = ""
    week: str = ""
    person: str = ""
    planned: int = 0

    @property
    def tag(self) -> str:
        """The number on the tag."""
        return self.cells["cross_id"]

    @property
    def digits(self) -> str:
        """The number without its check letter; all of a name of another kind."""
        return self.tag[:-1] if has_form(self.tag) else self.tag

    @property
    def letter(self) -> str:
        """The check letter, "" where there is none."""
        return self.tag[-1] if has_form(self.tag) else ""


@dataclass(frozen=True)
class Book:
    """All tags of a season in walking order. `own`: the user's own columns, in their order."""

    root: Path
    title: str
    season: str
    rows: tuple[BookRow, ...]
    own: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    people: tuple[str, ...] = ()
    anthers: int = 10
    places: bool = False


def make_book(folder: Path) -> Book:
    """The book of a season folder: its printed tags, and what its crosses sheet knows already.

    Raises InputError where crosses sheet or tags.csv have errors, since what cannot be read cannot be carried
    over; UsageError where there is no tag and no cross.
    """
    config = read_config(find_config(folder), genotypes_come=True, wells_come=True)
    issued, found = read_issued(config.root)
    season = read_season(config.source, genotypes_come=True, wells_come=True)
    sheet = config.shown(config.crosses_file)
    errors = [
        p for p in (*found, *season.problems) if p.severity is Severity.ERROR and p.file in (sheet, TAGS_FILE)
    ]
    if errors:
        raise InputError(sorted(set(errors)))
    known = _recorded(season)
    tags = issued.tags if issued else ()
    rows = [_row(tag, known.pop(tag.name, {})) for tag in tags]
    rows += [BookRow(cells) for cells in known.values()]
    if not rows:
        raise UsageError.at(
            TAGS_FILE, "No tags have been printed yet.", "Print them first: crossproof tags DIR"
        )
    own = tuple(c for c in season.crosses.columns if c not in _DERIVED)
    parents = season.samples.loc[season.samples["role"] == Role.PARENT, "line"]
    lines = {*parents, *(r.cells[c] for r in rows for c in ("mother", "father"))} - {""}
    people = {*(t.operator for t in tags), *(r.cells["operator"] for r in rows)} - {""}
    return Book(
        config.root,
        " ".join(t for t in (config.crop, config.season) if t) or config.root.resolve().name,
        issued.season if issued else "",
        tuple(sorted(rows, key=_walking)),
        own,
        tuple(sorted(lines, key=natural)),
        tuple(sorted(people, key=natural)),
        config.anthers_per_flower,
        any(r.place for r in rows),
    )


def _recorded(season: Season) -> dict[str, dict[str, str]]:
    """What the crosses sheet says of each tag, as texts; what stands there by default only is left empty."""
    config = season.config
    sheet = read_sheet(config.crosses_file, shown_as="", known=_headings(season))
    raw = gather([sheet], CROSSES, config.renames("crosses"), Problems())
    written = {row: i for i, row in enumerate(raw.rows)}
    columns = [c.name for c in COLUMNS] + [c for c in season.crosses.columns if c not in _DERIVED]
    out: dict[str, dict[str, str]] = {}
    for entry in season.crosses.to_dict("records"):
        cells = {name: _text(entry[name]) for name in columns}
        for name in ("flowers", "target_hybrids"):
            if not raw.columns[name][written[int(entry["_row"])]]:
                cells[name] = ""
        out[cells["cross_id"]] = cells
    return out


def _headings(season: Season) -> tuple[str, ...]:
    usual = [h for c in CROSSES.columns for h in c.also]
    return (*CROSSES.names, *season.config.renames("crosses"), *usual)


def _text(value: Any) -> str:
    """A typed value as it is written in a sheet."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _row(tag: IssuedTag, known: Mapping[str, str]) -> BookRow:
    cells = {c.name: "" for c in COLUMNS} | {"mother": tag.mother, "father": tag.father}
    cells |= {name: text for name, text in known.items() if text} | {"cross_id": tag.name}
    return BookRow(cells, tag.place, tag.week, tag.operator, tag.flowers)


def _walking(row: BookRow) -> tuple[object, ...]:
    first = IssuedTag(_NO_NUMBER, "", row.cells["mother"], row.cells["father"], 0, row.week, "", row.place)
    return (*walking_order(first), natural(row.tag))


_NO_NUMBER = TagNumber("0000", 1)


@dataclass(frozen=True)
class Stop:
    """One mother at one place, and the tags to hang on her."""

    mother: str
    rows: tuple[BookRow, ...]


def stops_by_place(book: Book) -> tuple[tuple[str, tuple[Stop, ...]], ...]:
    """Places in walking order, each with its mothers; "" where no place is known."""
    return tuple(
        (
            place,
            tuple(Stop(mother, tuple(rows)) for mother, rows in groupby(there, lambda r: r.cells["mother"])),
        )
        for place, there in groupby(book.rows, lambda r: r.place)
    )


def book_page(book: Book, paper: Paper) -> str:
    """The book as pages to print and carry, across the paper."""
    short, long = PAPER_MM[paper]
    return render(
        "book.html.j2",
        ("book.css",),
        more_style=f"@page{{size:{long:g}mm {short:g}mm;margin:9mm 9mm 12mm;"
        '@bottom-left{content:"Mother first. For the person, initials will do.";font:8pt sans-serif}'
        '@bottom-right{content:counter(page) " / " counter(pages);font:8pt sans-serif}}\n',
        title=f"Crossing book {shown(book.title)}",
        places=stops_by_place(book),
        count=len(book.rows),
        any_place=book.places,
    )
