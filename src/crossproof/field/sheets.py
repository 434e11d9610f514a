"""Sheets of labels: what fits on a page, in millimetres, and the HTML that prints it at its true size."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from crossproof.errors import UsageError
from crossproof.io.files.atomic import write_bytes
from crossproof.report.draw.html import digest, template_text
from crossproof.text import shown

T = TypeVar("T")


class Paper(StrEnum):
    """What is printed on."""

    A4 = "a4"
    LETTER = "letter"
    ROLL = "roll"


PAPER_MM = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}
"""Width and height: ISO 216, and 8.5 x 11 inches (ANSI/ASME Y14.1, sheet A)."""

LEAST_LABEL_MM, MOST_LABEL_MM = 20.0, 300.0
SMALLEST_MARGIN_MM = 5.0
"""Most office printers leave so much white at each edge. Common practice, no source."""

_SIZE = re.compile(r"\s*(\d+(?:\.\d+)?)\s*[xX×]\s*(\d+(?:\.\d+)?)\s*(?:mm)?\s*")


@dataclass(frozen=True)
class LabelSize:
    """Width and height of one label in mm."""

    width: float
    height: float

    def __str__(self) -> str:
        return f"{self.width:g}x{self.height:g}"


def read_size(text: str) -> LabelSize:
    """A size written as WIDTHxHEIGHT in mm, such as 90x50.

    Raises UsageError where it is written in another way, or where a side is not from 20 to 300 mm.
    """
    match = _SIZE.fullmatch(text)
    size = LabelSize(float(match[1]), float(match[2])) if match else None
    if size is None or not all(LEAST_LABEL_MM <= s <= MOST_LABEL_MM for s in (size.width, size.height)):
        raise UsageError.at(
            "--size",
            "This is not the size of a label.",
            f"Write width and height in mm, each from {LEAST_LABEL_MM:g} to {MOST_LABEL_MM:g}, such as "
            "90x50.",
            value=text,
        )
    return size


@dataclass(frozen=True)
class Sheet:
    """A page of labels; all lengths in mm. On a roll a page is one label."""

    paper: Paper
    width: float
    height: float
    label: LabelSize
    columns: int
    rows: int
    margin_x: float
    margin_y: float
    gap: float

    @property
    def per_page(self) -> int:
        """Labels on one page."""
        return self.columns * self.rows

    def style(self) -> str:
        """The style sheet that gives pages and labels their size."""
        grid = (
            f"grid-template-columns:repeat({self.columns},{self.label.width:g}mm);"
            f"grid-auto-rows:{self.label.height:g}mm;gap:{self.gap:g}mm"
        )
        return (
            f"@page{{size:{self.width:g}mm {self.height:g}mm;margin:0}}\n"
            f".page{{width:{self.width:g}mm;height:{self.height:g}mm;"
            f"padding:{self.margin_y:g}mm {self.margin_x:g}mm}}\n"
            f".grid{{{grid}}}\n.label{{width:{self.label.width:g}mm;height:{self.label.height:g}mm}}\n"
        )


def sheet_of(paper: Paper, label: LabelSize, *, margin: float = 8.0, gap: float = 0.0) -> Sheet:
    """The sheet with as many labels as fit, in the middle of the page.

    `margin`: least white at each edge, `gap`: white between two labels, both mm and without meaning for a
    roll. Raises UsageError where not one label fits.
    """
    if paper is Paper.ROLL:
        return Sheet(paper, label.width, label.height, label, 1, 1, 0.0, 0.0, 0.0)
    width, height = PAPER_MM[paper]
    if not SMALLEST_MARGIN_MM <= margin < width / 2 or gap < 0:
        raise UsageError.at(
            "--margin",
            f"The margin is at least {SMALLEST_MARGIN_MM:g} mm, and the gap at least 0.",
            "Give lengths in mm that leave room for a label.",
            value=f"{margin:g}, {gap:g}",
        )
    columns, rows = (
        math.floor((side - 2 * margin + gap) / (own + gap) + 1e-9)
        for side, own in ((width, label.width), (height, label.height))
    )
    if columns < 1 or rows < 1:
        raise UsageError.at(
            "--size",
            f"A label of {label} mm does not fit on {paper.value} paper.",
            "Choose a smaller size, or --paper roll for a label printer.",
            value=str(label),
        )
    margin_x, margin_y = (
        (side - n * own - (n - 1) * gap) / 2
        for side, own, n in ((width, label.width, columns), (height, label.height, rows))
    )
    return Sheet(paper, width, height, label, columns, rows, margin_x, margin_y, gap)


def pages_of(labels: Sequence[T], per_page: int) -> tuple[tuple[T, ...], ...]:
    """Labels page by page, in their order."""
    return tuple(tuple(labels[i : i + per_page]) for i in range(0, len(labels), per_page))


def write_page(path: Path, html: str) -> Path:
    """Write a page to print, whole or not at all; returns its path."""
    write_bytes(path, html.encode("utf-8"))
    return path


def field_template(name: str) -> str:
    """One of the files in field/templates/."""
    return resources.files("crossproof.field").joinpath("templates", name).read_text(encoding="utf-8")


def field_environment() -> Environment:
    """Jinja with escaping everywhere; templates may extend one another. `shown` makes a name harmless."""
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=FunctionLoader(field_template),
    )
    environment.filters["shown"] = shown
    return environment


def render(template: str, styles: Sequence[str], *, more_style: str = "", **values: Any) -> str:
    """A page to print from templates/`template`, which extends sheet.html.j2, in the report's own colours.

    `styles`: files of templates/ after sheet.css; `more_style`: such as `Sheet.style()`. `values` must hold
    `title`. The page asks no network for anything, runs no script, and names reach it as text only.
    """
    style = "".join(
        [template_text("tokens.css"), *(field_template(s) for s in ("sheet.css", *styles)), more_style]
    )
    policy = (
        f"default-src 'none'; style-src '{digest(style)}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    page = field_environment().get_template(template)
    return page.render(style=Markup(style), policy=policy, **values)
