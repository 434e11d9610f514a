"""The crossing book as a workbook that goes in unchanged as the crosses sheet.

Its columns are those of the crosses sheet; drop-downs, dates and numbers are checked while they are typed.
All text is written as text: a line called =1+1 stays a name. Metadata are constant.
"""

from __future__ import annotations

import datetime as dt
import io
from itertools import count
from pathlib import Path
from typing import Any

import xlsxwriter

from crossproof.field.book import COLUMNS, PLACE, Book
from crossproof.io.files.atomic import write_bytes
from crossproof.io.sheets.columns import Column, Kind

_FIXED_TIME = dt.datetime(2000, 1, 1)
SHEET, LISTS = "crosses", "# lists"
ROWS_MORE = 500
"""Rows below the tags in which cells are checked too."""
_WIDTHS = {
    "cross_id": 10, "mother": 20, "father": 20, "date": 12, "time": 8, "operator": 14, "notes": 34, PLACE: 22,
}  # fmt: skip
_UNTIL_HARVEST = ("pods", "seeds")


def book_bytes(book: Book, season_year: int) -> bytes:
    """The workbook as bytes; dates before the year before `season_year`, and in the future, are refused."""
    buffer = io.BytesIO()
    work = xlsxwriter.Workbook(
        buffer,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    )
    work.set_properties({"title": "Crossing book", "author": "crossproof", "created": _FIXED_TIME})
    formats = _formats(work)
    page, lists = work.add_worksheet(SHEET), work.add_worksheet(LISTS)
    _write_lists(lists, book, formats)
    columns = [*(c.name for c in COLUMNS), *([PLACE] if book.places else []), *book.own]
    kinds = {c.name: c.kind for c in COLUMNS}
    for k, name in enumerate(columns):
        page.set_column(k, k, _WIDTHS.get(name, 11), formats[_style(kinds.get(name))])
        page.write_string(0, k, name, formats["harvest" if name in _UNTIL_HARVEST else "head"])
    for r, row in enumerate(book.rows, start=1):
        for k, name in enumerate(columns):
            text = row.place if name == PLACE else row.cells.get(name, "")
            _write(page, r, k, text, kinds.get(name), formats)
    last = len(book.rows) + ROWS_MORE
    for k, column in enumerate(COLUMNS):
        rule = _rule(column, book, season_year)
        if rule:
            page.data_validation(1, k, last, k, rule)
    page.freeze_panes(1, 3)
    page.set_row(0, 24)
    page.set_landscape()
    page.set_paper(9)
    page.repeat_rows(0)
    page.fit_to_pages(1, 0)
    work.close()
    return buffer.getvalue()


def write_book(book: Book, folder: Path) -> Path:
    """Write the workbook into `folder` under the first of book.xlsx, book_2.xlsx, ... that is free.

    One that is there may have been filled in, and is never written over. Returns the path.
    """
    names = ("book.xlsx" if n == 1 else f"book_{n}.xlsx" for n in count(1))
    path = next(p for name in names if not (p := folder / name).exists())
    year = int(book.season[:4]) if book.season else dt.date.today().year
    write_bytes(path, book_bytes(book, year))
    return path


def _formats(work: Any) -> dict[str, Any]:
    base = {"font_name": "Calibri", "font_size": 11, "valign": "vcenter"}
    head = {**base, "bold": True, "bottom": 2, "num_format": "@"}
    return {
        "head": work.add_format(head),
        "harvest": work.add_format({**head, "bg_color": "#E6EBE8"}),
        "text": work.add_format({**base, "num_format": "@"}),
        "number": work.add_format({**base, "num_format": "General"}),
        "date": work.add_format({**base, "num_format": "yyyy-mm-dd", "align": "left"}),
        "time": work.add_format({**base, "num_format": "hh:mm", "align": "left"}),
    }


def _style(kind: Kind | None) -> str:
    match kind:
        case Kind.DATE:
            return "date"
        case Kind.TIME:
            return "time"
        case Kind.INTEGER | Kind.NUMBER:
            return "number"
        case _:
            return "text"


def _write(page: Any, row: int, place: int, text: str, kind: Kind | None, formats: dict[str, Any]) -> None:
    style = formats[_style(kind)]
    if not text:
        return
    match kind:
        case Kind.DATE:
            day = dt.date.fromisoformat(text)
            page.write_datetime(row, place, dt.datetime(day.year, day.month, day.day), style)
        case Kind.TIME:
            page.write_datetime(row, place, dt.time.fromisoformat(text), style)
        case Kind.INTEGER | Kind.NUMBER:
            page.write_number(row, place, float(text), style)
        case _:
            page.write_string(row, place, text[:32_000], style)


def _write_lists(lists: Any, book: Book, formats: dict[str, Any]) -> None:
    """Lines and people, behind the drop-downs; a sheet whose name begins with # is not read."""
    lists.set_column(0, 1, 28, formats["text"])
    for k, (head, names) in enumerate((("lines", book.lines), ("people", book.people))):
        lists.write_string(0, k, head, formats["head"])
        for r, name in enumerate(names, start=1):
            lists.write_string(r, k, name[:32_000], formats["text"])


def _rule(column: Column, book: Book, season_year: int) -> dict[str, Any] | None:
    """What may be typed into a column."""
    ask = {"error_type": "warning", "error_title": "Is this right?"}
    match column.name:
        case "cross_id":
            # Column A: COUNTIF finds the same tag in another row.
            return {
                "validate": "custom",
                "value": "=COUNTIF($A:$A,A2)=1",
                "error_title": "Tag seen twice",
                "error_message": "This tag is already in the book. Look at the tag again.",
            }
        case "mother" | "father":
            names = f"='{LISTS}'!$A$2:$A${1 + max(len(book.lines), 1)}"
            said = "This line is not on the list. Check the spelling; keep it only if it is a new line."
            return {"validate": "list", "source": names, **ask, "error_message": said}
        case "operator":
            names = f"='{LISTS}'!$B$2:$B${1 + max(len(book.people), 1)}"
            said = "This name is not on the list. Always write a person's name the same way."
            return {"validate": "list", "source": names, **ask, "error_message": said}
        case "date":
            return {
                "validate": "date",
                "criteria": "between",
                "minimum": dt.date(season_year - 1, 1, 1),
                "maximum": "=TODAY()",
                "error_title": "Not a day of this season",
                "error_message": f"Write the day of pollination as {season_year}-06-04; it is not in the "
                "future.",
            }
        case "time":
            return {
                "validate": "time",
                "criteria": "between",
                "minimum": dt.time(0, 0),
                "maximum": dt.time(23, 59, 59),
                "error_title": "Not a time",
                "error_message": "Write the time on a 24-hour clock, such as 07:10.",
            }
        case "pods":
            flowers = chr(ord("A") + [c.name for c in COLUMNS].index("flowers"))
            return {
                "validate": "integer",
                "criteria": "between",
                "minimum": 0,
                "maximum": f"={flowers}2",
                # A spreadsheet that ignores blanks would let any pods pass where flowers are blank.
                "ignore_blank": False,
                "error_title": "Pods before flowers",
                "error_message": "One flower gives at most one pod. Write the flowers pollinated first.",
            }
        case "anthers_removed":
            return _between(column, 0, book.anthers, "decimal")
        case _ if column.kind is Kind.INTEGER:
            return _between(column, column.low or 0, column.high or 0, "integer")
        case _ if column.kind is Kind.NUMBER:
            return _between(column, column.low or 0, column.high or 0, "decimal")
        case _:
            return None


def _between(column: Column, low: float, high: float, kind: str) -> dict[str, Any]:
    unit = f" {column.unit}" if column.unit else ""
    what = "whole number" if kind == "integer" else "number"
    return {
        "validate": kind,
        "criteria": "between",
        "minimum": low,
        "maximum": high,
        "error_title": "Not such a number",
        "error_message": f"Write a {what} from {low:,g} to {high:,g}{unit}.",
    }
