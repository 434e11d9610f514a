"""Stretches of plants shifted by a well, against their definition by hand."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.model.plates import PLATE_FORMATS, parse_well
from crossproof.model.stretch_layouts import as_filled, named_stretch, stretch_layout

PLATE = PLATE_FORMATS[0]


def at(name):
    well = parse_well(name)
    return well.row * PLATE.columns + well.column


PLANTS = np.array([at(w) for w in ("A1", "B1", "D1", "E1", "F1", "A2")])  # a blank in C1


@pytest.mark.parametrize(
    ("words", "holds"),
    [
        ("from B1 to E1, one well later along columns", {"B1": None, "D1": "B1", "E1": "D1", "F1": "F1"}),
        ("from B1 to E1, one well earlier along columns", {"B1": "D1", "D1": "E1", "E1": None, "F1": "F1"}),
        ("from E1 on, one well later along columns", {"D1": "D1", "E1": None, "F1": "E1", "A2": "F1"}),
        ("from A2 on, one well earlier along rows", {"A1": "A1", "A2": "B1", "B1": "D1", "F1": None}),
    ],
)
def test_what_lies_where_and_the_blank_stays(words, holds):
    layout = named_stretch(PLATE, f"Shifted  {words}, blanks and parents in place".upper(), PLANTS)
    assert layout is not None
    for well, source in {**holds, "C1": "C1", "H12": "H12"}.items():
        assert layout.source[at(well)] == (-1 if source is None else at(source))


def test_every_stretch_is_found_by_its_words():
    for by_columns in (True, False):
        line = as_filled(PLATE, PLANTS, by_columns)
        for first, last in zip(*np.triu_indices(len(line), 1), strict=True):
            for step in (1, -1):
                layout = stretch_layout(PLATE, line, int(first), int(last), by_columns, step)
                named = named_stretch(PLATE, layout.detail, PLANTS)
                assert named is not None
                assert named.detail == layout.detail
                assert (named.source == layout.source).all()


@pytest.mark.parametrize(
    "words",
    ["from C1 on, one well later", "from E1 to B1, one well later", "from A1 on, two wells later", ""],
)
def test_no_such_stretch(words):
    """C1 is a blank, E1 stands behind B1."""
    assert named_stretch(PLATE, f"shifted {words} along columns, blanks and parents in place", PLANTS) is None
