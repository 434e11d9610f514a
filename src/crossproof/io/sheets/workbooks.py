"""Read one sheet of an .xlsx workbook as text.

Formulas are refused, not trusted: what a formula shows depends on when it was last calculated. Merged cells
are refused because only the first of them holds the text. XML is parsed without entities or external links,
and a workbook may not unpack to more than a fixed size.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from xml.parsers import expat

import openpyxl
from openpyxl.utils import get_column_letter

from crossproof.errors import Problem, Severity, error
from crossproof.io.problems import Fault, Problems
from crossproof.io.sheets.shape import Record, Sheet, finished
from crossproof.text import shortened

MAX_UNPACKED = 256 * 1024**2
MAX_ROWS = 1_048_576
MAX_COLUMNS = 16_384
MAX_CELLS = 20_000_000

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT = b"http://purl.oclc.org/ooxml/"
"""Begins the names that the strict form uses (ISO/IEC 29500, part 1); the usual form is the transitional."""
_SAVE = "Open it in a spreadsheet and save it as .xlsx or as 'CSV UTF-8'."


def parse_workbook(
    data: bytes, *, shown_as: str, known: frozenset[str] = frozenset(), sheet: str | None = None
) -> Sheet:
    """Read one sheet of a workbook; see `sheets.read_sheet`."""
    found = Problems(shown_as)
    try:
        refused = refusal(data, shown_as)
        if refused is not None:
            return Sheet(shown_as, problems=(refused,))
        with warnings.catch_warnings():
            # openpyxl warns of drawings and styles that it leaves out; neither holds records.
            warnings.simplefilter("ignore")
            return _parse(data, shown_as, known, sheet, found)
    except MemoryError:
        raise
    except Exception:
        # Whatever a damaged archive or XML makes the library raise, the user can do one thing about it.
        problem = error(shown_as, "The workbook is damaged and cannot be read.", _SAVE)
        return Sheet(shown_as, problems=(problem,))


def refusal(data: bytes, file: str) -> Problem | None:
    """Why these bytes are not opened at all, or None."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        unpacked = sum(member.file_size for member in archive.infolist())
        if unpacked > MAX_UNPACKED:
            return error(
                file,
                f"The workbook unpacks to {unpacked / 1024**2:.0f} MB; "
                f"at most {MAX_UNPACKED // 1024**2} MB are read.",
                "Save the sheet as .csv, or leave out what is not needed.",
            )
        if not any(name.startswith("xl/") for name in names):
            what = "an OpenDocument file" if "mimetype" in names else "a zip archive"
            remedy = "Save it as .xlsx or .csv." if "mimetype" in names else "Unpack it first."
            return error(file, f"The file is {what}, not an .xlsx workbook.", remedy)
        if any(name.casefold().endswith(".bin") and "workbook" in name for name in names):
            return error(file, "The file is a binary workbook (.xlsb).", "Save it as .xlsx or .csv.")
        for name in names:
            if name.endswith((".xml", ".rels")):
                with archive.open(name) as member:
                    head = member.read(4096).replace(b"\0", b"")
                if _STRICT in head:
                    return error(
                        file,
                        "The workbook is saved in the strict form of Open XML, which is not read.",
                        "Save it as an ordinary .xlsx workbook, or as 'CSV UTF-8'.",
                    )
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                    return error(
                        file,
                        "The workbook holds declarations that can pull in other files; it was not written by "
                        "a spreadsheet.",
                        _SAVE,
                    )
    return None


def _parse(data: bytes, file: str, known: frozenset[str], sheet: str | None, found: Problems) -> Sheet:
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    page = _page(book.worksheets, sheet, found)
    if page is None:
        return Sheet(file, problems=tuple(found.listed()))
    check_layout(data, page, found)
    page.reset_dimensions()
    records: list[Record] = []
    kinds: dict[tuple[int, int], str] = {}
    header: Record | None = None
    for number, texts, row_kinds in _rows(page, found):
        if texts[0].startswith("#"):
            if header is not None and any(texts[1:]):
                found.warning(
                    "This row begins with # and is left out as a comment.",
                    "Delete the # if the row belongs to the records.",
                    row=number,
                    value=", ".join(t for t in texts if t),
                )
        elif header is None:
            header = (number, texts)
            _check_headings(number, texts, row_kinds, found)
        else:
            kinds.update({(len(records), place): kind for place, kind in row_kinds.items()})
            records.append((number, texts))
    if header is None:
        found.error("The sheet has no header and no rows.", "Put the headings in the first row.")
        return Sheet(file, problems=tuple(found.listed()))
    return finished(file, header[0], header[1], records, found, known, cell_kinds=kinds)


def _page(pages: Sequence[Any], sheet: str | None, found: Problems) -> Any:
    """The sheet to read: the one asked for, else the first; None where there is none, which is noted."""
    if not pages:
        found.error("The workbook has no sheet with cells.", _SAVE)
        return None
    page = pages[0] if sheet is None else next((p for p in pages if p.title == sheet), None)
    if page is None:
        titles = ", ".join(p.title for p in pages)
        found.error(f"There is no sheet called {sheet!r}.", f"Use one of: {titles}.", value=str(sheet))
        return None
    if page.sheet_state != "visible":
        found.warning(
            "The sheet that is read is hidden in the workbook.",
            "Check that it is the right one; move the right sheet to the first place.",
            value=page.title,
        )
    # As with rows: what begins with # is a comment, such as the lists behind the drop-downs of a book.
    others = [p.title for p in pages if p is not page and not p.title.startswith("#")]
    if others and sheet is None:
        found.note(
            Fault(
                f"Only the first sheet ({page.title!r}) is read; the other sheets are not.",
                "Move the records to the first sheet if they are elsewhere.",
                Severity.NOTE,
            ),
            value=", ".join(others),
        )
    return page


def _rows(page: Any, found: Problems) -> Iterator[tuple[int, list[str], dict[int, str]]]:
    """Rows with text: number, texts up to the last, and which cells were numbers or dates, by place."""
    cells_seen = 0
    for number, row in enumerate(page.iter_rows(), 1):
        cells_seen += len(row)
        if number > MAX_ROWS or len(row) > MAX_COLUMNS or cells_seen > MAX_CELLS:
            found.error("The sheet has more cells than can be read.", "Save the sheet as .csv.", row=number)
            return
        cells = [cell_text(cell, number, place, found) for place, cell in enumerate(row)]
        texts = [text for text, _ in cells]
        while texts and not texts[-1]:
            texts.pop()
        if texts:
            yield number, texts, {place: kind for place, (_, kind) in enumerate(cells) if kind}


def _check_headings(row: int, texts: Sequence[str], kinds: Mapping[int, str], found: Problems) -> None:
    """A heading must not be a date: what was typed is lost."""
    for place, kind in kinds.items():
        if kind == "date":
            found.error(
                "The workbook holds a date as a heading; the name that was typed is lost.",
                "Format the cell as text and type the heading again.",
                row=row,
                value=texts[place],
            )


def check_layout(data: bytes, page: Any, found: Problems) -> None:
    """What a streaming reader would pass over in silence: merged cells, rows out of order, cells twice."""
    # The path of the sheet inside the archive has no public name in openpyxl.
    layout = _Layout(found)
    parser = expat.ParserCreate(namespace_separator="}")
    parser.StartElementHandler = layout.start
    parser.EntityDeclHandler = parser.StartDoctypeDeclHandler = layout.declared
    with zipfile.ZipFile(io.BytesIO(data)) as archive, archive.open(page._worksheet_path) as source:
        parser.ParseFile(source)
    layout.tell_of_hidden()


class _Layout:
    """Hears every element of a sheet's XML, and notes what is wrong with the layout."""

    def __init__(self, found: Problems) -> None:
        self.found, self.last = found, 0
        self.cells: set[str] = set()
        self.told = False
        self.hidden = {"rows": 0, "columns": 0}
        self.heard = {
            _MAIN + "row": self.row,
            _MAIN + "c": self.cell,
            _MAIN + "col": self.column,
            _MAIN + "mergeCell": self.merged,
        }

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        """An element begins."""
        if (heard := self.heard.get(name)) is not None:
            heard(attributes)

    def declared(self, *_: object) -> None:
        """Declarations have no place in a sheet; `parse_workbook` says that it is damaged."""
        raise ValueError("declarations in a sheet")

    def row(self, attributes: Mapping[str, str]) -> None:
        """A row begins."""
        number = int(float(attributes.get("r", self.last + 1)))
        if number <= self.last:
            self.found.error(
                "Rows of this sheet are out of order or appear twice; the workbook is damaged.",
                _SAVE,
                row=number,
            )
        self.last = number
        self.cells.clear()
        self.hidden["rows"] += attributes.get("hidden") in ("1", "true")

    def cell(self, attributes: Mapping[str, str]) -> None:
        """A cell of the row."""
        name = attributes.get("r", "")
        if name and name in self.cells and not self.told:
            self.told = True
            self.found.error(
                f"Cell {name} appears twice in the workbook, so its value is not certain.",
                _SAVE,
                row=self.last,
                value=name,
            )
        self.cells.add(name)

    def column(self, attributes: Mapping[str, str]) -> None:
        """How columns are shown."""
        self.hidden["columns"] += attributes.get("hidden") in ("1", "true")

    def merged(self, attributes: Mapping[str, str]) -> None:
        """Cells that were made one."""
        place = attributes.get("ref", "")
        match = re.search(r"\d+", place)
        self.found.error(
            f"The cells {place} are merged; only the first of them holds the text.",
            "Unmerge them and fill in every cell.",
            row=int(match.group()) if match else None,
            value=place,
        )

    def tell_of_hidden(self) -> None:
        """Rows and columns that are not shown."""
        for noun, count in self.hidden.items():
            if count:
                self.found.warning(
                    f"Some {noun} of this sheet are hidden; they are read all the same.",
                    f"Show all {noun} and delete those that do not belong to the records.",
                    value=str(count),
                )


def cell_text(cell: Any, row: int, place: int, found: Problems) -> tuple[str, str]:
    """The text of a cell and whether it was a number or a date."""
    value = cell.value
    if value is None:
        return "", ""
    name = f"{get_column_letter(place + 1)}{row}"
    if cell.data_type == "f":
        shown = value if isinstance(value, str) else str(getattr(value, "text", "="))
        found.error(
            f"Cell {name} holds a formula; what it shows may be out of date.",
            "Copy the cells and paste them back as values only.",
            row=row,
            value=shortened(shown),
        )
        return "", ""
    if cell.data_type == "e":
        found.error(
            f"Cell {name} shows a spreadsheet error.", "Type the right value.", row=row, value=str(value)
        )
        return "", ""
    if isinstance(value, bool):
        return ("TRUE" if value else "FALSE"), ""
    if isinstance(value, int):
        return str(value), "number"
    if isinstance(value, float):
        # 15 digits are what a spreadsheet shows; the 17 of repr would turn 24.1 into 24.100000000000001.
        text = f"{value:.15g}"
        return text, "number"
    if isinstance(value, dt.datetime):
        if value.time() == dt.time():
            return value.date().isoformat(), "date"
        return value.isoformat(sep=" ", timespec="seconds"), "date"
    if isinstance(value, dt.date):
        return value.isoformat(), "date"
    if isinstance(value, dt.time):
        return value.isoformat(timespec="seconds" if value.second else "minutes"), "date"
    if isinstance(value, dt.timedelta):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}", "date"
    text = str(value)
    if re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffd\ufffe\uffff]", text):
        found.error(f"Cell {name} holds a control character.", "Type the text again.", row=row)
    return text.strip(), ""
