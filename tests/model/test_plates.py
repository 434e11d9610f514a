"""Wells and plates as the plate standard has them.

Source: ANSI/SLAS 4-2004 (well positions): rows by letters from the top, columns by numbers from the left,
A1 at the top left; 1536 wells have rows A to Z, then AA to AF.
"""

from __future__ import annotations

import pytest

from crossproof.model.plates import PLATE_FORMATS, Well, parse_well, row_letters, smallest_format


@pytest.mark.parametrize(
    ("text", "row", "column", "name"),
    [
        ("A1", 0, 0, "A1"),
        ("a01", 0, 0, "A1"),
        (" H 12 ", 7, 11, "H12"),
        ("P24", 15, 23, "P24"),
        ("Z48", 25, 47, "Z48"),
        ("aa1", 26, 0, "AA1"),
        ("AF48", 31, 47, "AF48"),
    ],
)
def test_wells(text: str, row: int, column: int, name: str) -> None:
    well = parse_well(text)
    assert well == Well(row, column)
    assert well.name == name


@pytest.mark.parametrize("text", ["", "A", "1", "1A", "A0", "A-1", "A1B", "AAA1", "Ä1", "A1.0", "A100"])
def test_what_is_no_well(text: str) -> None:
    with pytest.raises(ValueError, match="not a well name such as A1 or H12"):
        parse_well(text)


@pytest.mark.parametrize("text", ["AG1", "A49", "ZZ48", "AF49"])
def test_wells_beyond_the_largest_plate(text: str) -> None:
    with pytest.raises(ValueError, match="outside the largest plate"):
        parse_well(text)


def test_letters_of_rows_go_on_as_the_standard_has_them() -> None:
    assert [row_letters(i) for i in (0, 7, 15, 25, 26, 27, 31)] == ["A", "H", "P", "Z", "AA", "AB", "AF"]
    names = [Well(r, c).name for r in range(32) for c in range(48)]
    assert len(set(names)) == 1536
    assert [parse_well(n) for n in names] == [Well(r, c) for r in range(32) for c in range(48)]


@pytest.mark.parametrize(
    ("names", "wells"), [([], 96), (["H12"], 96), (["A1", "A13"], 384), (["I1"], 384), (["Q1", "A1"], 1536)]
)
def test_smallest_plate(names: list[str], wells: int) -> None:
    assert smallest_format([parse_well(n) for n in names]).wells == wells


def test_no_plate_holds_a_well_beyond_the_largest() -> None:
    with pytest.raises(ValueError, match="outside the largest plate"):
        smallest_format([Well(32, 0)])
    assert [p.wells for p in PLATE_FORMATS] == [p.rows * p.columns for p in PLATE_FORMATS] == [96, 384, 1536]
