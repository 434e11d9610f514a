"""Rows put into a workbook against the same rows written cell by cell by xlsxwriter, byte for byte."""

import io
import math
import zipfile
from datetime import datetime

import numpy as np
import pytest
import xlsxwriter
from report_parts import HOSTILE

from crossproof.report.draw import sheet_rows
from crossproof.report.draw.sheet_rows import SheetRows, with_rows

TEXTS = (
    *HOSTILE, "", "plain", " leading", "trailing ", "\ttab", "two\nlines", "a\x0bb", "_x0041_",
    "\ufffe\uffff", "<b>&amp;", '"quoted"', "=1+1", "a" * 40_000, "\u00a0space", "\U0001f33f",
)  # fmt: skip
NUMBERS = (0.0, -0.0, 1.0, 1, 17, 1 / 3, 1e-300, 1e22, 123456789012345678.0, math.nan, math.inf)
STYLES = {"text": "@", "0": "0", "0%": "0%", "sign": "@", "group": "@", "mark H": "@", "mark S": "@"}


def book_of(sheets, samples_only):
    buffer = io.BytesIO()
    options = {"constant_memory": True, "strings_to_formulas": False, "nan_inf_to_errors": False}
    book = xlsxwriter.Workbook(buffer, options)
    book.set_properties({"created": datetime(2000, 1, 1)})  # not the time of the test
    formats = {
        name: book.add_format({"num_format": f, "indent": i}) for i, (name, f) in enumerate(STYLES.items())
    }
    for rows in sheets:
        page = book.add_worksheet()
        for k in range(len(rows.styles)):
            page.write_string(0, k, f"column {k}")
        if samples_only:
            cells = [(r, k) for r, k, _ in rows.samples()]
        else:
            cells = [(r, k) for r in range(len(rows.rows)) for k in range(len(rows.styles))]
        for r, k in cells:
            cell, style = rows.rows[r][k], expected_style(rows, r, k)
            if style is None:
                continue
            if isinstance(cell, str):
                page.write_string(rows.first + r, k, cell[:32_000], formats[style])
            else:
                page.write_number(rows.first + r, k, cell, formats[style])
    book.close()
    return buffer.getvalue()


def expected_style(rows, r, k):
    """The rule of the workbook, written out once more."""
    cell = rows.rows[r][k]
    if r in rows.heads:
        return rows.head_style
    if isinstance(cell, str):
        if cell == "":
            return rows.styles[k] if rows.keep_empty else None
        return "mark " + cell if k == rows.marks else rows.styles[k]
    return rows.styles[k] if math.isfinite(cell) else None


def random_rows(rng, n):
    kinds = ("text", "text", "0", "0%", "sign", "text") * 5  # beyond column Z
    rows = []
    for _ in range(n):
        row = [
            TEXTS[rng.integers(len(TEXTS))] if s == "text" else NUMBERS[rng.integers(len(NUMBERS))]
            for s in kinds
        ]
        row = ["" if s == "sign" else c for s, c in zip(kinds, row, strict=True)]
        row[1] = ("H", "S", "")[rng.integers(3)]
        rows.append(tuple(row))
    heads = frozenset(int(i) for i in np.flatnonzero(rng.random(n) < 0.2))
    rows = [tuple(f"tray {i}" if k == 1 else "" for k in range(len(kinds))) if i in heads else r
            for i, r in enumerate(rows)]  # fmt: skip
    marks = {"H": "mark H", "S": "mark S"}
    return SheetRows(tuple(rows), 3, kinds, marks=1, mark_styles=marks, heads=heads, head_style="group")


def parts_of(data):
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return {name: book.read(name) for name in book.namelist()}


@pytest.mark.parametrize("n", [1, 2, 40])
def test_rows_are_what_xlsxwriter_writes(n, monkeypatch):
    monkeypatch.setattr(sheet_rows, "_CHUNK", 7)
    monkeypatch.setattr(sheet_rows, "_MOST_REMEMBERED", 3)
    rng = np.random.default_rng(n)
    codes = SheetRows((("a", ""), ("", "b")), 0, ("text", "text"), keep_empty=True)
    sheets = [random_rows(rng, n), SheetRows((), 3, ("text",)), random_rows(rng, n), codes]
    made = with_rows(book_of(sheets, samples_only=True), dict(enumerate(sheets, start=1)))
    assert parts_of(made) == parts_of(book_of(sheets, samples_only=False))


def test_a_name_in_angle_brackets_stays_a_name():
    # xlsxwriter takes such text for markup of its own and writes it unescaped.
    rows = SheetRows((("<r>bold</r>",),), 1, ("text",))
    made = with_rows(book_of([rows], samples_only=True), {1: rows})
    assert b"<t>&lt;r&gt;bold&lt;/r&gt;</t>" in parts_of(made)["xl/worksheets/sheet1.xml"]


def test_rows_beyond_the_last_of_a_spreadsheet_are_left_out(monkeypatch):
    monkeypatch.setattr(sheet_rows, "MOST_ROWS", 5)
    rows = SheetRows(tuple((str(i),) for i in range(9)), 3, ("text",))
    assert rows.last == 1
    made = with_rows(book_of([rows], samples_only=True), {1: rows})
    assert parts_of(made)["xl/worksheets/sheet1.xml"].count(b"<row ") == 3  # a heading and two


def test_what_is_surely_plain_is_plain_to_the_pattern() -> None:
    rng = np.random.default_rng(5)
    letters = np.array(list('ab_x0F1 \t\n&<>"\r\x0b\x1f\x85\xa0\u00e9\x00\x7f'))
    sure = 0
    for size in rng.integers(0, 12, 20_000).tolist():
        # mostly plain letters, so that many are sure
        odd = rng.random(size) < 0.2
        text = "".join(np.where(odd, rng.choice(letters, size), rng.choice(list("abc d_\t"), size)))
        if sheet_rows._surely_plain(text):
            sure += 1
            assert sheet_rows._UNSAFE_AMONG.search(text) is None
    assert sure > 5000
