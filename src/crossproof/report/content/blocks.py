"""The parts a report is made of. They say what is shown; html.py and xlsx.py decide how it looks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from typing import Any

import pandas as pd


class Tone(StrEnum):
    """How urgent a notice is."""

    STOP = "stop"
    CARE = "care"
    NOTE = "note"


@dataclass(frozen=True)
class Column:
    """One column of a table; `kind` is text, number or name (names never break inside)."""

    label: str
    kind: str = "text"


@dataclass(frozen=True)
class Table:
    """A small table, whole on the page; `more` says where the rest is when it was cut."""

    id: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    more: str = ""
    kind: str = field(default="table", init=False)


@dataclass(frozen=True)
class Prose:
    """A paragraph."""

    text: str
    kind: str = field(default="prose", init=False)


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    text: str
    kind: str = field(default="heading", init=False)


@dataclass(frozen=True)
class Notice:
    """A caution or a finding that must be seen."""

    tone: Tone
    title: str
    text: str
    kind: str = field(default="notice", init=False)


@dataclass(frozen=True)
class Card:
    """One number that tells what to do; `pick` is the decision whose list it opens."""

    key: str
    label: str
    number: str
    sentence: str
    target: str
    pick: str = ""


@dataclass(frozen=True)
class Cards:
    """The numbers to act on, side by side."""

    cards: tuple[Card, ...]
    kind: str = field(default="cards", init=False)


class ChartForm(Enum):
    """The statistical charts that `draw.charts` can draw."""

    DOTS = "rates by level"
    FUNNEL = "people against the limits of chance"
    LEARNING = "one small panel per person"
    CONTROL = "the season week by week"
    HETEROZYGOSITY = "plants by heterozygous share, verdict by verdict"
    FOREST = "odds ratios on a log axis"
    MARKERS = "markers by call rate and false heterozygotes"


@dataclass(frozen=True)
class ChartSpec:
    """What a statistical chart shows: its form, its rows and its words."""

    form: ChartForm
    frame: pd.DataFrame
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Chart:
    """A statistical chart with the sentence that reads it and the table behind it."""

    id: str
    title: str
    sentence: str
    spec: ChartSpec
    table: Table
    wide: bool = False
    kind: str = field(default="chart", init=False)


@dataclass(frozen=True)
class Drawing:
    """A drawing of our own (finished SVG) with its sentence and the table behind it."""

    id: str
    title: str
    sentence: str
    svg: str
    table: Table | None
    kind: str = field(default="drawing", init=False)


@dataclass(frozen=True)
class FindingCard:
    """Something a check found: where, what, how sure, what to do; `svg` shows the wells, where any.

    `proposed`: rows of corrections.csv that would answer it, as text. `would_change`: what following them
    would change. `command`: what writes them.
    """

    tone: Tone
    title: str
    place: str
    sentence: str
    odds: str
    remedy: str
    svg: str = ""
    proposed: tuple[str, ...] = ()
    would_change: str = ""
    command: str = ""
    small: bool = False
    """Asks for little: it goes straight to the table."""


@dataclass(frozen=True)
class FindingCards:
    """All findings of one section."""

    rows: tuple[FindingCard, ...]
    kind: str = field(default="findings", init=False)


@dataclass(frozen=True)
class Row:
    """Charts side by side where there is room."""

    blocks: tuple[Chart | Drawing, ...]
    kind: str = field(default="row", init=False)


@dataclass(frozen=True)
class Live:
    """A place that the page's own script fills from the embedded data: plants, plates, crosses or plant."""

    view: str
    kind: str = field(default="live", init=False)


@dataclass(frozen=True)
class Terms:
    """Pairs of a term and its meaning or value."""

    pairs: tuple[tuple[str, str], ...]
    kind: str = field(default="terms", init=False)


Block = Table | Prose | Heading | Notice | Cards | Chart | Drawing | FindingCards | Row | Live | Terms


@dataclass(frozen=True)
class Section:
    """One part of the page, with the sentence that opens it."""

    id: str
    title: str
    short: str
    lead: str
    blocks: tuple[Block, ...]
    badge: str = ""


def table_of(
    id: str,
    caption: str,
    columns: list[tuple[str, str]],
    rows: Sequence[tuple[str, ...]],
    *,
    most: int = 300,
    rest: str = "",
) -> Table:
    """A table of (label, kind) columns without those that say nothing, cut at `most` rows and saying so."""
    if rows:
        told = [k for k in range(len(columns)) if k == 0 or any(row[k] for row in rows)]
        columns, rows = [columns[k] for k in told], [tuple(row[k] for k in told) for row in rows]
    more = ""
    if len(rows) > most:
        more = f"The first {most:,} of {len(rows):,} rows. {rest}".strip()
    return Table(id, caption, tuple(Column(*c) for c in columns), tuple(rows[:most]), more)
