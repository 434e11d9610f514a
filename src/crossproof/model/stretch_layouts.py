"""Layouts of plants that were filled in by a list: one well too many or too few, up to some well.

Blanks and parent tubes are pipetted by themselves and stay; the plants follow one another in the order of
filling. A well was passed over, or a row of the list, and the plants after it stand one place later or
earlier: as far as the last plant, or up to the place where that was put right.

As in `layouts`: source[p] is the place of the sheet that describes what lies at position p, -1 for none.
"""

from __future__ import annotations

import re

import numpy as np

from crossproof.model.arrays import Ints
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import FindingKind
from crossproof.model.layouts import Layout
from crossproof.model.part_layouts import reading_order
from crossproof.model.plates import PlateFormat, Well

IN_PLACE = "blanks and parents in place"
_WORDS = re.compile(
    rf"shifted from (\S+) (?:on|to (\S+)), one well (later|earlier) along (columns|rows), {IN_PLACE}"
)


def as_filled(plate: PlateFormat, positions: Ints, by_columns: bool) -> Ints:
    """These positions in the order in which a plate is filled."""
    order = reading_order(plate, by_columns)
    return np.asarray(order[np.isin(order, positions)])


def stretch_layout(
    plate: PlateFormat, line: Ints, first: int, last: int, by_columns: bool, step: int
) -> Layout:
    """The plants at line[first] to line[last] stand one place of the line later (step +1) or earlier (-1).

    `line`: positions of all plants, `as_filled`. What the sheet lists at the end of the stretch (at its
    beginning, where they stand earlier) lies nowhere; the place at its other end was left empty.
    """
    source = np.arange(plate.wells, dtype=np.int64)
    if step > 0:
        source[line[first + 1 : last + 1]] = line[first:last]
        source[line[first]] = -1
    else:
        source[line[first:last]] = line[first + 1 : last + 1]
        source[line[last]] = -1
    source.flags.writeable = False
    names = [Well(*divmod(int(line[i]), plate.columns)).name for i in (first, last)]
    end = "on" if last == len(line) - 1 else f"to {names[1]}"
    way, along = "later" if step > 0 else "earlier", "columns" if by_columns else "rows"
    words = f"shifted from {names[0]} {end}, one well {way} along {along}, {IN_PLACE}"
    return Layout(FindingKind.SHIFTED, CorrectionKind.PART, words, words, source)


def named_stretch(plate: PlateFormat, detail: str, positions: Ints) -> Layout | None:
    """The layout that these words name, as `stretch_layout` has them; None where they name none.

    `positions`: the wells with plants on the sheet.
    """
    found = _WORDS.fullmatch(" ".join(detail.lower().split()))
    if found is None:
        return None
    begin, end, way, along = found.groups()
    line = as_filled(plate, positions, along == "columns")
    place = {Well(*divmod(int(p), plate.columns)).name.lower(): i for i, p in enumerate(line)}
    first, last = place.get(begin), len(line) - 1 if end is None else place.get(end)
    if first is None or last is None or last <= first:
        return None
    return stretch_layout(plate, line, first, last, along == "columns", 1 if way == "later" else -1)
