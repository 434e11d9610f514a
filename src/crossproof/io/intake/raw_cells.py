"""The rows of any text table or workbook as they stand, before anything is known of them."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from crossproof.errors import PlateError, Problem, error
from crossproof.io.files.byte_source import Packing, packing_of, read_all
from crossproof.io.files.delimited import Delimited, QuotationError
from crossproof.io.intake.table_shape import Encoding, Separator

MAX_TABLE_BYTES = 1e9
"""Most bytes such a table may have: its cells are held as text."""
_LONGEST_CELL = 1 << 24

Rows = list[tuple[int, list[str]]]
"""Row number, as an editor or a spreadsheet shows it, and the cells with blanks around them removed."""


@dataclass(frozen=True)
class Page:
    """One sheet of a workbook: its rows, and what may not be read (formulas, error values), by row."""

    title: str
    rows: Rows
    problems: tuple[Problem, ...]
    hidden: bool


def read_bytes(path: Path, *, shown_as: str, limit_bytes: float) -> bytes:
    """The bytes of a table, unpacked. Raises PlateError where they are damaged or too many."""
    return read_all(path, packing_of(path), shown_as=shown_as, limit_bytes=limit_bytes, most=MAX_TABLE_BYTES)


def is_packed(path: Path) -> bool:
    """Whether the file is compressed."""
    return packing_of(path) is not Packing.PLAIN


def encodings_of(data: bytes) -> tuple[Encoding, ...]:
    """The ways these bytes can be read as text, the surest first; none where they are no text."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return (Encoding.UTF_16,) if decoded(data, Encoding.UTF_16) is not None else ()
    if decoded(data, Encoding.UTF_8) is not None:
        return (Encoding.UTF_8,)
    return (Encoding.WESTERN,) if decoded(data, Encoding.WESTERN) is not None else ()


def decoded(data: bytes, encoding: Encoding) -> str | None:
    """The text, or None where the bytes are no text of this encoding."""
    codec = "utf-8-sig" if encoding is Encoding.UTF_8 else str(encoding)
    try:
        text = data.decode(codec)
    except UnicodeDecodeError:
        return None
    if any(ord(c) < 32 and c not in "\t\r\n" for c in set(text)):
        return None
    return text


def split_rows(text: str, separator: Separator) -> Rows:
    """The rows of a text; a row that is quoted over several lines has the number of the first.

    Raises ValueError(row, reason) where the quotation marks do not pair.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if separator is Separator.SPACE:
        return [(n, line.split()) for n, line in enumerate(text.split("\n"), 1)]
    if '"' not in text:
        mark = separator.character
        return [(n, [c.strip() for c in line.split(mark)]) for n, line in enumerate(text.split("\n"), 1)]
    try:
        records = Delimited(text, separator.character, largest=_LONGEST_CELL)
        return [(start, [c.strip() for c in cells]) for start, cells in records]
    except QuotationError as fault:
        raise ValueError(fault.start, fault.reason) from None


def read_pages(path: Path, *, shown_as: str, sheet: str | None = None) -> list[Page]:
    """The sheets of a workbook that hold cells, or the one called `sheet`. Raises PlateError."""
    import openpyxl  # slow to import and often not needed

    from crossproof.io.problems import Problems
    from crossproof.io.sheets.workbooks import cell_text, check_layout, refusal

    data = path.read_bytes()
    damaged = error(shown_as, "The workbook is damaged and cannot be read.", "Save it again as .xlsx.")
    try:
        refused = refusal(data, shown_as)
        if refused is not None:
            raise PlateError(refused)
        with warnings.catch_warnings():
            # openpyxl warns of drawings and styles that it leaves out; neither holds calls.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
            pages = []
            for page in book.worksheets:
                if sheet is not None and page.title != sheet:
                    continue
                page.reset_dimensions()
                found = Problems(shown_as)
                check_layout(data, page, found)
                rows: Rows = []
                for number, cells in enumerate(page.iter_rows(), 1):
                    texts = [cell_text(c, number, i, found)[0] for i, c in enumerate(cells)]
                    while texts and not texts[-1]:
                        texts.pop()
                    rows.append((number, texts))
                hidden = page.sheet_state != "visible"
                pages.append(Page(page.title, rows, tuple(found.listed()), hidden))
            titles = [p.title for p in book.worksheets]
    except (PlateError, MemoryError):
        raise
    except Exception:
        # Whatever a damaged archive or XML makes the library raise, the user can do one thing about it.
        raise PlateError(damaged) from None
    if sheet is not None and not pages:
        raise PlateError.at(
            shown_as, f"There is no sheet called {sheet!r}.", f"Use one of: {', '.join(titles)}.", value=sheet
        )
    return [p for p in pages if any(cells for _, cells in p.rows) or sheet is not None]
