"""Rows of a text sheet changed, added, taken away: every other byte stays."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.io.sheets.text_rows import text_rows

SHEET = b'# a comment, "quoted"\r\nid;b;;n\r\n1;2;;"a\r\nb"\r\n# between\r\n\r\n2;3;;\r\n'


def test_a_changed_row_leaves_all_else_as_it_was():
    rows = text_rows(SHEET, shown_as="x.csv")
    assert rows.sheet.rows == (("1", "2", "a\r\nb"), ("2", "3", ""))
    assert rows.changed({1: ("9", "8", "y;z")}) == SHEET.replace(b"2;3;;", b'9;8;;"y;z"')
    assert rows.changed({}) == SHEET


def test_a_row_is_taken_away_with_its_line_ends():
    rows = text_rows(SHEET, shown_as="x.csv")
    assert rows.changed({}, taken={0}) == SHEET.replace(b'1;2;;"a\r\nb"\r\n', b"")


def test_a_row_is_added_below_a_last_line_without_an_end():
    rows = text_rows(b"\xef\xbb\xbfid,name\n1,a", shown_as="x.csv")
    assert rows.changed({}, [("2", "b,c")]) == b'\xef\xbb\xbfid,name\n1,a\n2,"b,c"\n'


@pytest.mark.parametrize("data", [b"PK\x03\x04workbook", "id;Länge\n1;2\n".encode("latin-1"), b""])
def test_what_is_no_text_sheet_is_left_alone(data):
    assert text_rows(data, shown_as="x") is None


CELL = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), max_size=8).map(str.strip)


@given(st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=6), st.data())
def test_what_is_written_is_read_again(table, data):
    """Independent of the code under test: the csv module of Python writes the sheet and reads the result."""
    table = [[f"k{i}", *row[1:]] for i, row in enumerate(table)]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([["id", "b", "c"], *table])
    rows = text_rows(out.getvalue().encode(), shown_as="x")
    if rows is None or rows.sheet.problems or len(rows.sheet.rows) != len(table):
        return
    at = data.draw(st.integers(0, len(table) - 1))
    new = ["new", *data.draw(st.lists(CELL, min_size=2, max_size=2))]
    text = rows.changed({at: new}).decode()
    expected = [["id", "b", "c"], *table[:at], new, *table[at + 1 :]]
    assert list(csv.reader(io.StringIO(text))) == expected
