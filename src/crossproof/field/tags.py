"""Tags to hang on the mother before the cross: number, parents, fields to fill in, code for the telephone."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from markupsafe import Markup

from crossproof.errors import UsageError
from crossproof.field.codes import Code
from crossproof.field.qr import CODE_MM, qr_svg
from crossproof.field.sheets import LabelSize, Sheet, pages_of, render
from crossproof.io.records.issued_tags import IssuedTag
from crossproof.text import shortened, shown

TAG_SIZES = ("90x50", "100x60", "70x40", "60x35", "150x25", "200x30")
"""Sizes that were tried, mm: plates with a hole, and strips to loop. Common practice, no source."""

POINT_MM = 25.4 / 72
_LARGEST, _SMALLEST = 24, 6
"""Points of the parents' names. A capital of 14 points is 3.5 mm high, which is read at arm's length (70 cm)
by the rule of 1/200 of the distance. Common practice, no source."""
_LINE = 1.14
"""Height of a line in the size of its letters."""
_LENGTHS = (60, 44, 32, 24, 18, 12, 8)
"""Characters that are left of a name too long for its tag, the most that fit."""
_PADDING_MM = 2.0
_GAP_MM = 2.5
_FOOT_MM = 3.2


class Form(StrEnum):
    """How a tag is laid out."""

    CARD = "card"
    STRIP = "strip"


@dataclass(frozen=True)
class Measures:
    """Millimetres within a tag. `sign`: the column of the signs of the parents; `row`: a row of fields."""

    number: float
    sign: float
    row: float
    row_gap: float
    above_fields: float


_MEASURES = {
    (Form.CARD, False): Measures(number=7.4, sign=8.0, row=8.0, row_gap=1.0, above_fields=1.0),
    (Form.CARD, True): Measures(number=6.2, sign=5.5, row=6.4, row_gap=0.4, above_fields=0.6),
    (Form.STRIP, False): Measures(number=6.2, sign=5.5, row=7.0, row_gap=0.8, above_fields=0.0),
    (Form.STRIP, True): Measures(number=6.2, sign=5.5, row=7.0, row_gap=0.8, above_fields=0.0),
}


@dataclass(frozen=True)
class TagFace:
    """What one tag shows. `points`: size of the parents' names."""

    digits: str
    letter: str
    mother: str
    father: str
    points: int
    flowers: int
    when: str
    operator: str
    place: str
    code: Markup

    @property
    def empty(self) -> bool:
        """Whether the parents are to be written by hand."""
        return not self.mother and not self.father


def form_of(size: LabelSize) -> Form:
    """The layout that suits a tag size; raises UsageError for one that cannot hold what a tag needs."""
    if size.width >= 110 and size.height >= 20 and size.width >= 3.5 * size.height:
        return Form.STRIP
    if size.width >= 60 and size.height >= 35:
        return Form.CARD
    raise UsageError.at(
        "--size",
        "A tag of this size cannot hold the parents, a 15 mm code and six fields to fill in.",
        f"Use at least 60x35, or a strip of at least 110x20; for example {', '.join(TAG_SIZES)}.",
        value=str(size),
    )


def is_small(size: LabelSize) -> bool:
    """Whether a tag has room for what is needed only."""
    return form_of(size) is Form.CARD and size.height < 45


def faces_of(
    tags: Sequence[IssuedTag], size: LabelSize, *, hole: float, note: bool, people: bool
) -> tuple[TagFace, ...]:
    """What the tags show; `hole`: mm left free at the left edge, `note`: whether each ends with a note.

    `people`: whether the person who is to make the cross is named, where there is room.
    """
    return tuple(_face(tag, size, hole, note, people) for tag in tags)


def _face(tag: IssuedTag, size: LabelSize, hole: float, note: bool, people: bool) -> TagFace:
    small = is_small(size)
    place = "" if small else shortened(shown(tag.place), 40)
    room = room_for_names(size, hole=hole, foot=note or bool(place))
    mother, father, points = fitted_names(shown(tag.mother), shown(tag.father), *room)
    return TagFace(
        tag.number.digits,
        tag.number.letter,
        mother,
        father,
        points,
        tag.flowers,
        tag.week or tag.number.season,
        shortened(shown(tag.operator), 12) if people and not small else "",
        place,
        qr_svg(Code(tag.number.season, tag.name), CODE_MM),
    )


def room_for_names(size: LabelSize, *, hole: float, foot: bool) -> tuple[float, float]:
    """Width and height in mm that the names of both parents have together."""
    form = form_of(size)
    m = _MEASURES[form, is_small(size)]
    inside = size.width - 2 * _PADDING_MM - hole - CODE_MM - _GAP_MM
    down = size.height - 2 * _PADDING_MM - m.number - (_FOOT_MM if foot else 0.0)
    if form is Form.CARD:
        return inside - m.sign, down - 2 * m.row - m.row_gap - m.above_fields
    return STRIP_NAMES * (inside - _GAP_MM) - m.sign, down


STRIP_NAMES = 0.46
"""Share of a strip, right of the code, that the number and the names have; the fields have the rest."""


def fitted_names(mother: str, father: str, width: float, height: float) -> tuple[str, str, int]:
    """Both names as they fit into so many mm, and their size in points.

    A name too long for its tag is cut in the middle: the ends of line names tell sisters apart.
    """
    for most in _LENGTHS:
        names = cut_in_the_middle(mother, most), cut_in_the_middle(father, most)
        if (points := points_for(*names, width, height)) >= _SMALLEST:
            break
    return *names, max(points, _SMALLEST)


def cut_in_the_middle(text: str, most: int) -> str:
    """A text of at most so many characters, with its beginning and its end."""
    end = most // 2
    return text if len(text) <= most else f"{text[: most - end - 1]}…{text[-end:]}"


def points_for(mother: str, father: str, width: float, height: float) -> int:
    """The largest size in points at which both names fit into so many mm, in as many lines as they need.

    0 where they fit at none.
    """
    for points in range(_LARGEST, _SMALLEST - 1, -1):
        em = points * POINT_MM
        lines = sum(_lines(em_width(text) * em, width) for text in (mother, f"× {father}"))
        if lines * em * _LINE + 1.6 <= height:
            return points
    return 0


def _lines(long: float, width: float) -> int:
    # A line that is broken between words is seldom full.
    return 1 if long <= width else math.ceil(1.2 * long / width)


def em_width(text: str) -> float:
    """An upper estimate of the width of a bold text, in the size of its letters.

    From the advance widths of a wide typeface, DejaVu Sans Bold; narrower ones leave room.
    """
    return sum(_em_width(c) for c in text)


def _em_width(c: str) -> float:
    if unicodedata.east_asian_width(c) in "WF":
        return 1.05
    if c in "mwMW@%—…":
        return 1.11
    if c in "fijlrt.,:;'|!()[]/- I":
        return 0.5
    return 0.85 if c.isupper() else 0.72


def tags_page(
    title: str,
    tags: Sequence[IssuedTag],
    sheet: Sheet,
    *,
    hole: float = 0.0,
    note: str = "",
    people: bool = False,
) -> str:
    """The tags as a page to print.

    `note`: a line of the user's own on every tag, such as what a biosafety rule demands. `people`: name on
    each tag who is to make the cross; whoever passes reads it, so it is not done unasked.
    """
    form, small = form_of(sheet.label), is_small(sheet.label)
    m = _MEASURES[form, small]
    style = (
        sheet.style()
        + f".tag{{padding:{_PADDING_MM:g}mm {_PADDING_MM:g}mm {_PADDING_MM:g}mm {_PADDING_MM + hole:g}mm;"
        f"column-gap:{_GAP_MM:g}mm}}\n"
        f".number{{height:{m.number:g}mm}}.parent{{grid-template-columns:{m.sign:g}mm minmax(0,1fr)}}\n"
        f".card .fields{{grid-auto-rows:{m.row:g}mm;row-gap:{m.row_gap:g}mm;"
        f"margin-top:{m.above_fields:g}mm}}\n"
        f".tag.strip{{grid-template-columns:{CODE_MM:g}mm minmax(0,{STRIP_NAMES:g}fr) "
        f"minmax(0,{1 - STRIP_NAMES:g}fr)}}\n.name{{line-height:{_LINE:g}}}.foot{{height:{_FOOT_MM:g}mm}}\n"
        + (f".hole{{left:{(hole + _PADDING_MM) / 2 - 2:g}mm}}\n" if hole else "")
        + "".join(f".pt{n} .name{{font-size:{n}pt}}\n" for n in range(_SMALLEST, _LARGEST + 1))
    )
    note = shortened(shown(note), 80)
    return render(
        "tags.html.j2",
        ("tags.css",),
        more_style=style,
        title=f"Tags {shown(title)}",
        pages=pages_of(
            faces_of(tags, sheet.label, hole=hole, note=bool(note), people=people), sheet.per_page
        ),
        count=len(tags),
        sheet=sheet,
        form=form.value,
        small=small,
        hole=hole > 0,
        note=note,
    )
