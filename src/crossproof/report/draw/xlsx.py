"""The workbook to carry to the bench, drawn from worklist.py.

Everything that is text is written as text: a plant called =1+1 stays a name. Metadata are constant, so that
the same season gives the same bytes. Rows are written out as they come, from top to bottom and from left to
right: memory does not grow with plants, and a cell above the one last written would be lost. Long tables get
their rows from `sheet_rows.py`.
"""

from __future__ import annotations

import io
import math
from datetime import datetime
from typing import Any

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from crossproof.model.bench import BenchAction
from crossproof.report.content.content import Content
from crossproof.report.content.marks import VERDICT_MARKS, Mark
from crossproof.report.content.sheets import Grid, ScanSheet, Sheet
from crossproof.report.content.worklist import build_sheets
from crossproof.report.draw.sheet_rows import MOST_TEXT, Shared, SheetRows, one_by_one, with_rows

_FIXED_TIME = datetime(2000, 1, 1)
_HEADER_ROW = 2
_SCANNED_PRINTED = 24
"""Rows of the sheet to scan into that are printed: it is meant for the screen."""
_SCANNED_ROWS = 500
"""Rows of the scanning sheet that have their formulas."""
_LOOKED_UP_IN = "Codes"
_LETTER_INK = {"hybrid": "#FFFFFF", "outcross": "#FFFFFF"}


def worklist_bytes(content: Content, shared: Shared = one_by_one) -> bytes:
    """The workbook as bytes; `shared`: by whom the rows of its sheets are packed."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer,
        {
            "constant_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "nan_inf_to_errors": False,
            "default_date_format": "yyyy-mm-dd",
        },
    )
    book.set_properties({"title": "Worklist", "author": "crossproof", "created": _FIXED_TIME})
    formats = _formats(book)
    _front(book, content, formats)
    sheets: dict[int, SheetRows] = {}
    for sheet in build_sheets(content.inputs):
        if isinstance(sheet, Grid):
            _draw_grid(book, sheet, formats)
        elif isinstance(sheet, ScanSheet):
            rows = _draw_scan(book, sheet, formats)
            sheets[len(book.worksheets())] = rows
        else:
            rows = _draw_sheet(book, sheet, formats)
            sheets[len(book.worksheets())] = rows
    book.close()
    return with_rows(buffer.getvalue(), sheets, shared)


def _formats(book: Any) -> dict[str, Any]:
    base = {"font_name": "Calibri", "font_size": 10.5, "valign": "vcenter"}
    thin = {"bottom": 1, "bottom_color": "#C9D2CD"}
    out = {
        "title": book.add_format({**base, "font_size": 15, "bold": True}),
        "note": book.add_format({**base, "font_color": "#52606A", "text_wrap": False}),
        "long note": book.add_format({**base, "font_color": "#52606A", "text_wrap": True, "valign": "top"}),
        "head": book.add_format({**base, "bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom"}),
        "text": book.add_format({**base, **thin, "num_format": "@"}),
        "sign": book.add_format({**base, "bottom": 1, "left": 1, "right": 1, "num_format": "@"}),
        "wrap": book.add_format({**base, "text_wrap": True, "valign": "top"}),
        "bold": book.add_format({**base, "bold": True, "valign": "top"}),
        "big": book.add_format({**base, "bold": True, "font_size": 20, "align": "left"}),
        "well": book.add_format(
            {
                **base,
                "font_size": 9,
                "border": 1,
                "border_color": "#9AA7A1",
                "text_wrap": True,
                "align": "center",
                "num_format": "@",
            }
        ),
        "scan in": book.add_format({**base, "num_format": "@", "border": 1}),
        "scan text": book.add_format({**base, "font_size": 14}),
        # Capitals some 13 mm high at 100 %: read from two metres.
        "scan big": book.add_format({**base, "font_size": 52, "bold": True}),
        "group": book.add_format(
            {**base, "bold": True, "bg_color": "#E4EAE7", "top": 1, "bottom": 1, "num_format": "@"}
        ),
        "edge": book.add_format({**base, "bold": True, "align": "center"}),
        "0": book.add_format({**base, **thin, "num_format": "0"}),
        "0%": book.add_format({**base, **thin, "num_format": "0%"}),
        # As on the page: no probability is shown as 0 or 1, which no evidence reaches.
        "0.000": book.add_format(
            {**base, **thin, "num_format": '[>0.9995]"> 0.999";[<0.0005]"< 0.001";0.000', "align": "right"}
        ),
    }
    for mark in VERDICT_MARKS.values():
        out["mark " + mark.letter] = book.add_format(_mark_format(base, mark))
    return out


def _mark_format(base: dict[str, Any], mark: Mark) -> dict[str, Any]:
    return {
        **base,
        "bold": True,
        "align": "center",
        "border": 1,
        "bg_color": mark.colour,
        "font_color": _LETTER_INK.get(mark.key, "#14202A"),
        "num_format": "@",
    }


def _front(book: Any, content: Content, formats: dict[str, Any]) -> None:
    page = book.add_worksheet("Start here")
    page.hide_gridlines(2)
    page.set_column(0, 0, 9)
    page.set_column(1, 1, 26)
    page.set_column(2, 2, 62)
    page.write_string(0, 0, content.title, formats["title"])
    page.write_string(1, 0, content.summary, formats["note"])
    row = 3
    for card in content.sections[0].blocks[0].cards:  # type: ignore[union-attr]
        page.write_string(row, 0, card.number, formats["big"])
        page.write_string(row, 1, card.label, formats["bold"])
        page.write_string(row, 2, card.sentence, formats["wrap"])
        row += 1
    row += 1
    page.write_string(row, 0, "Marks", formats["bold"])
    for mark in VERDICT_MARKS.values():
        row += 1
        page.write_string(row, 0, mark.letter, formats["mark " + mark.letter])
        page.write_string(row, 1, mark.label, formats["bold"])
        page.write_string(row, 2, mark.means, formats["wrap"])
    row += 2
    for line in (
        "A verdict is a probability. Keep remnant seed of everything that cannot be made again.",
        "Seed certification, quarantine and biosafety follow the rules of your country and licensed "
        "practice.",
        f"Inputs with digest {content.digest}." if content.digest else "",
    ):
        page.write_string(row, 0, line, formats["note"])
        row += 1
    _paper(page, landscape=False)


def _draw_sheet(book: Any, sheet: Sheet, formats: dict[str, Any]) -> SheetRows:
    """A sheet with samples of its rows, which are returned."""
    page = book.add_worksheet(sheet.name)
    page.write_string(0, 0, f"{sheet.title} ({sheet.listed:,})", formats["title"])
    _note(page, sheet.note, [c.width for c in sheet.columns], formats)
    page.set_row(_HEADER_ROW, 30)
    for k, column in enumerate(sheet.columns):
        # The signing column has its lines from the column: a cell for every plant would cost time.
        page.set_column(k, k, column.width, formats["sign"] if column.sign else None)
        page.write_string(_HEADER_ROW, k, column.label, formats["head"])
    rows = SheetRows(
        sheet.rows,
        _HEADER_ROW + 1,
        tuple(c.number or ("sign" if c.sign else "text") for c in sheet.columns),
        marks=sheet.marks,
        mark_styles={mark.letter: "mark " + mark.letter for mark in VERDICT_MARKS.values()},
        heads=sheet.heads,
        head_style="group",
    )
    _write_samples(page, rows, formats)
    last = max(_HEADER_ROW + 1, _HEADER_ROW + len(sheet.rows))
    page.autofilter(_HEADER_ROW, 0, last, len(sheet.columns) - 1)
    page.freeze_panes(_HEADER_ROW + 1, 0)
    page.repeat_rows(_HEADER_ROW)
    page.print_area(0, 0, last, len(sheet.columns) - 1)
    _paper(page, landscape=sheet.landscape)
    return rows


def _write_samples(page: Any, rows: SheetRows, formats: dict[str, Any]) -> None:
    """The cells of a sheet that xlsxwriter writes, see `SheetRows.samples`."""
    for r, k, style in rows.samples():
        cell = rows.rows[r][k]
        if isinstance(cell, str):
            page.write_string(rows.first + r, k, cell[:MOST_TEXT], formats[style])
        else:
            page.write_number(rows.first + r, k, float(cell), formats[style])


def _note(page: Any, note: str, widths: list[float], formats: dict[str, Any]) -> None:
    """The sentence under a title, over the width of the table, so that it is printed in full."""
    if len(widths) > 1:
        page.merge_range(1, 0, 1, len(widths) - 1, note, formats["long note"])
        page.set_row(1, 15 * max(1, math.ceil(len(note) / (0.9 * sum(widths)))))
    else:
        page.write_string(1, 0, note, formats["note"])


class _PlainFormulas(Worksheet):  # type: ignore[misc]
    """A sheet whose formulas are written as they are: none has a function that has to be named otherwise, and
    looking for thirty of them takes longer than writing.
    """

    def _prepare_formula(self, formula: str, _expand: bool = False) -> str:
        return formula.removeprefix("=")


def _draw_scan(book: Any, sheet: ScanSheet, formats: dict[str, Any]) -> SheetRows:
    """The sheet to scan into, and a hidden one with samples of all codes, whose rows are returned.

    Its formulas hold no text of the user.
    """
    page = book.add_worksheet(sheet.name, worksheet_class=_PlainFormulas)
    page.write_string(0, 0, sheet.title, formats["title"])
    page.write_string(1, 0, sheet.note, formats["note"])
    head = ("plant", "decision", "name", "place", "action")
    for k, (label, width) in enumerate(zip(head, (24, 46, 26, 40, 16), strict=True)):
        page.set_column(k, k, width, formats["scan in" if k in (0, 4) else "scan text"])
        page.write_string(_HEADER_ROW, k, label, formats["head"])
    first, last = _HEADER_ROW + 1, _HEADER_ROW + _SCANNED_ROWS
    end = max(len(sheet.rows), 1)
    for r in range(first, last + 1):
        page.set_row(r, 60)
        at = f"MATCH(TRIM($A{r + 1}),{_LOOKED_UP_IN}!$A$1:$A${end},0)"
        for k, (column, absent) in enumerate((("C", "NOT FOUND"), ("B", ""), ("D", "")), start=1):
            found = f"INDEX({_LOOKED_UP_IN}!${column}$1:${column}${end},{at})"
            text = f"UPPER({found})" if column == "C" else f'{found}&""'
            formula = f'=IF($A{r + 1}="","",IFERROR({text},"{absent}"))'
            page.write_formula(r, k, formula, formats["scan big" if k == 1 else "scan text"], "")
    actions = [a.value for a in BenchAction]
    page.data_validation(first, 4, last, 4, {"validate": "list", "source": actions, "ignore_blank": True})
    page.freeze_panes(first, 0)
    page.print_area(0, 0, first + _SCANNED_PRINTED - 1, len(head) - 1)
    page.repeat_rows(_HEADER_ROW)
    _paper(page, landscape=True)
    codes = book.add_worksheet(_LOOKED_UP_IN)
    rows = SheetRows(sheet.rows, 0, ("text",) * 4, keep_empty=True)
    _write_samples(codes, rows, formats)
    codes.hide()
    return rows


def _draw_grid(book: Any, grid: Grid, formats: dict[str, Any]) -> None:
    page = book.add_worksheet(grid.name)
    page.hide_gridlines(2)
    page.set_column(0, 0, 4)
    page.set_column(1, 12, 12)
    page.write_string(0, 0, grid.title, formats["title"])
    page.write_string(1, 0, grid.note if grid.plates else "Nothing needs a second test.", formats["note"])
    row = 3
    breaks = []
    for name, cells in grid.plates:
        page.write_string(row, 0, name, formats["bold"])
        row += 1
        for r, line in enumerate(cells):
            page.set_row(row, 18 if r == 0 else 34)
            for k, cell in enumerate(line):
                page.write_string(row, k, cell[:MOST_TEXT], formats["edge" if r == 0 or k == 0 else "well"])
            row += 1
        row += 1
        breaks.append(row)
    page.set_h_pagebreaks(breaks[1:-1:2])
    _paper(page, landscape=True)


def _paper(page: Any, *, landscape: bool) -> None:
    page.set_paper(9)
    if landscape:
        page.set_landscape()
    page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    page.fit_to_pages(1, 0)
    page.set_footer("&L&A&CPage &P of &N&RA verdict is a probability")
