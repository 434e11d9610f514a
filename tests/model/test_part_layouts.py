"""Where wells of parts come from, counted by hand on a 96- and a 384-well plate."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.model.part_layouts import (
    NATURAL,
    TEXT,
    copied_strip_layouts,
    name_order,
    part_layout,
    part_layouts,
    run_layouts,
    shifted_strip_layouts,
    sorted_layouts,
)
from crossproof.model.plates import PLATE_FORMATS, Well, parse_well

SMALL, LARGE = PLATE_FORMATS[:2]
NONE = np.empty(0, dtype=np.int64)


def source(plate, detail: str, well: str) -> str:
    at = parse_well(well)
    from_ = int(part_layout(plate, detail, NONE, []).source[at.row * plate.columns + at.column])
    return "" if from_ < 0 else Well(*divmod(from_, plate.columns)).name


@pytest.mark.parametrize(
    ("plate", "detail", "well", "holds"),
    [
        (SMALL, "halves left and right exchanged", "A1", "A7"),
        (SMALL, "halves top and bottom exchanged", "H3", "D3"),
        (SMALL, "left half rotated", "A1", "H6"),
        (SMALL, "left half rotated", "A7", "A7"),
        (SMALL, "bottom half mirrored left to right", "E1", "E12"),
        (LARGE, "quadrant 2 rotated", "A2", "O24"),
        (LARGE, "quadrant 2 rotated", "A1", "A1"),
        (LARGE, "quadrant 3 shifted down", "B1", ""),
        (LARGE, "quadrant 3 shifted down", "D1", "B1"),
        (LARGE, "quadrants 1 and 4 exchanged", "A1", "B2"),
        (SMALL, "column 6 shifted down by a well", "B6", "A6"),
        (SMALL, "column 6 shifted down by a well", "A6", ""),
        (SMALL, "row C shifted left by a well", "C1", "C2"),
        (SMALL, "column 6 filled from column 5", "D6", "D5"),
        (SMALL, "row B filled from row C", "B4", "C4"),
        (SMALL, "shifted from C2 on, one well later along columns", "D2", "C2"),
        (SMALL, "shifted from C2 on, one well later along columns", "C2", ""),
        (SMALL, "shifted from C2 on, one well later along columns", "B2", "B2"),
        (SMALL, "shifted from C2 on, one well earlier along rows", "C12", "D1"),
    ],
)
def test_what_lies_where(plate, detail, well, holds):
    assert source(plate, detail, well) == holds


@pytest.mark.parametrize("plate", [SMALL, LARGE])
def test_every_layout_is_another_and_found_by_its_words(plate):
    strips = (*shifted_strip_layouts(plate), *copied_strip_layouts(plate))
    layouts = (*part_layouts(plate), *strips, *run_layouts(plate))
    assert len({x.detail for x in layouts}) == len(layouts)
    assert all(((x.source >= -1) & (x.source < plate.wells)).all() for x in layouts)
    assert not any((x.source == np.arange(plate.wells)).all() for x in layouts)
    assert len(part_layouts(plate)) == (14 if plate is SMALL else 14 + 4 * 7 + 6)


def test_orders_of_names():
    names = ["T10", "T2", "T1", "A"]
    assert [names[i] for i in name_order(names, NATURAL)] == ["T1", "T2", "T10", "A"] or [
        names[i] for i in name_order(names, NATURAL)
    ] == ["A", "T1", "T2", "T10"]
    assert [names[i] for i in name_order(names, TEXT)] == ["A", "T1", "T10", "T2"]


def test_a_sheet_sorted_as_text_is_read_by_number():
    """Wells A1 to E1 hold T1, T2, T3, T10, T11; the sheet lists T1, T10, T11, T2, T3."""
    positions = np.arange(5) * 12
    names = ["T1", "T10", "T11", "T2", "T3"]
    words = "filled in the order of plant names by number along columns, from A1 on"
    layout = part_layout(SMALL, words.upper(), positions, names)
    listed = dict(zip(positions.tolist(), names, strict=True))
    assert [listed[int(layout.source[p])] for p in positions] == ["T1", "T2", "T3", "T10", "T11"]
    assert all(
        x.words != words for x in sorted_layouts(SMALL, positions, sorted(names, key=lambda n: int(n[1:])))
    )


def test_plants_stand_by_their_names_from_every_well_on_until_they_do_anyway():
    """Against the definition, well by well, for names in a random order."""
    rng = np.random.default_rng(1)
    positions = np.sort(rng.choice(96, 40, replace=False))
    names = [f"T{n}" for n in rng.permutation(30).tolist()] + [f"T{n}" for n in range(30, 40)]
    found = [x.source for x in sorted_layouts(SMALL, positions, names) if "by number along rows" in x.words]
    listed = dict(zip(positions.tolist(), names, strict=True))
    number = [int(n[1:]) for n in names]
    sorted_from = next(s for s in range(40) if number[s:] == sorted(number[s:]))
    assert len(found) == sorted_from > 20
    for start, source in enumerate(found):
        stand = [int(listed[int(p)][1:]) for p in source[positions]]
        assert stand == number[:start] + sorted(number[start:])
        assert (np.delete(source, positions) == np.delete(np.arange(96), positions)).all()


def test_an_unknown_part_is_refused():
    with pytest.raises(ValueError, match="'middle rotated' names no part of this plate"):
        part_layout(SMALL, "middle rotated", NONE, [])
