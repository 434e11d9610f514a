"""Geometry of layouts, against positions written out by hand (ANSI/SLAS 4-2004 naming)."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.model.corrections import CorrectionKind
from crossproof.model.layouts import (
    layout_of,
    reverse_row,
    strip_layouts,
    swap_columns,
    whole_plate_layouts,
)
from crossproof.model.plates import PLATE_FORMATS, Well, parse_well

P96 = PLATE_FORMATS[0]


def source_of(layout, well: str, plate=P96) -> str:
    w = parse_well(well)
    s = int(layout.source[w.row * plate.columns + w.column])
    return "none" if s < 0 else Well(*divmod(s, plate.columns)).name


@pytest.mark.parametrize(
    ("kind", "detail", "well", "source"),
    [
        (CorrectionKind.ROTATE, "", "A1", "H12"),
        (CorrectionKind.ROTATE, "", "B3", "G10"),
        (CorrectionKind.MIRROR, "left-right", "A1", "A12"),
        (CorrectionKind.MIRROR, "top-bottom", "A1", "H1"),
        (CorrectionKind.SHIFT, "right", "C1", "none"),
        (CorrectionKind.SHIFT, "right", "C2", "C1"),
        (CorrectionKind.SHIFT, "left", "C12", "none"),
        (CorrectionKind.SHIFT, "down", "A4", "none"),
        (CorrectionKind.SHIFT, "down", "B4", "A4"),
        (CorrectionKind.SHIFT, "up", "H4", "none"),
        (CorrectionKind.SHIFT, "forward along rows", "B1", "A12"),
        (CorrectionKind.SHIFT, "back along columns", "H1", "A2"),
        (CorrectionKind.REFILL, "by columns", "B1", "A2"),
        (CorrectionKind.REFILL, "by columns", "A2", "A9"),
        (CorrectionKind.REFILL, "by rows", "A2", "B1"),
        (CorrectionKind.REVERSE_ROW, "C", "C1", "C12"),
        (CorrectionKind.REVERSE_ROW, "C", "D1", "D1"),
        (CorrectionKind.REVERSE_COLUMN, "7", "A7", "H7"),
        (CorrectionKind.SWAP_ROWS, "B and F", "B5", "F5"),
        (CorrectionKind.SWAP_COLUMNS, "3 and 11", "D3", "D11"),
    ],
)
def test_where_contents_come_from(kind, detail, well, source):
    assert source_of(layout_of(P96, kind, detail), well) == source


def test_rotation_is_both_mirrors_and_its_own_inverse():
    rotated, left_right, top_bottom = (x.source for x in whole_plate_layouts(P96)[:3])
    assert np.array_equal(left_right[top_bottom], rotated)
    assert np.array_equal(rotated[rotated], np.arange(96))


@pytest.mark.parametrize("plate", PLATE_FORMATS)
def test_every_position_is_used_once_at_most(plate):
    for layout in whole_plate_layouts(plate):
        used = layout.source[layout.source >= 0]
        assert len(np.unique(used)) == len(used)
        assert len(layout.lost) == (layout.source < 0).sum()


def test_shift_loses_what_stood_at_the_far_edge():
    right = layout_of(P96, CorrectionKind.SHIFT, "right")
    assert [Well(*divmod(int(p), 12)).name for p in right.lost] == [f"{r}12" for r in "ABCDEFGH"]


def test_number_of_strips():
    # 8 rows and 12 columns reversed; 8 x 7 / 2 rows and 12 x 11 / 2 columns swapped
    assert len(strip_layouts(P96)) == 8 + 12 + 28 + 66
    assert strip_layouts(P96)[0].words == reverse_row(P96, 0).words
    assert swap_columns(P96, 0, 1).detail == "1 and 2"


@pytest.mark.parametrize("detail", ["11 and 3", "3, 11", "3 AND 11"])
def test_ways_to_write_two_columns(detail):
    assert layout_of(P96, CorrectionKind.SWAP_COLUMNS, detail).detail == "3 and 11"


def test_unknown_detail_is_named():
    with pytest.raises(ValueError, match="'diagonal' is none of 'left-right', 'top-bottom'"):
        layout_of(P96, CorrectionKind.MIRROR, "diagonal")
