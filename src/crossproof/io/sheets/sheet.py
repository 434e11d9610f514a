"""Read a sheet (.csv, .tsv, .xlsx) as text, with the row numbers a technician sees.

The format comes from the content, not from the name. Nothing is converted: 007 stays 007. Whatever could be
read in two ways is refused with the row and a remedy.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from crossproof.errors import error
from crossproof.io.files.delimited import Delimited, QuotationError
from crossproof.io.problems import Problems
from crossproof.io.sheets.headings import heading_key
from crossproof.io.sheets.shape import DELIMITERS, Record, Sheet, finished
from crossproof.text import shortened

MAX_BYTES = 512 * 1024**2
"""A sheet of records larger than this is something else."""
MAX_CELL = 1_000_000
"""Characters of one cell that are read."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffd\ufffe\uffff]")
_SAVE = "Save it again as 'CSV UTF-8' in the spreadsheet, or as .xlsx."

_FOREIGN: tuple[tuple[bytes, str, str], ...] = (
    (
        b"\xd0\xcf\x11\xe0",
        "an old .xls workbook, or one protected by a password",
        "Save it as .xlsx, unprotected.",
    ),
    (b"\x1f\x8b", "a compressed (gzip) file", "Unpack it first."),
    (b"%PDF", "a PDF document", "Save the table as .csv or .xlsx."),
    (b"\xff\xfe\x00\x00", "UTF-32 text", _SAVE),
    (b"\x00\x00\xfe\xff", "UTF-32 text", _SAVE),
    (b"\x89PNG", "a picture", "Save the table as .csv or .xlsx."),
    (b"\xff\xd8\xff", "a picture", "Save the table as .csv or .xlsx."),
    (b"BCF", "a genotype file (BCF)", "Name it under genotypes in config.yaml."),
    (b"##fileformat=VCF", "a genotype file (VCF)", "Name it under genotypes in config.yaml."),
    (b"<", "a web page or XML file", "Save the table as .csv or .xlsx."),
)


def read_sheet(path: Path, *, shown_as: str, known: Collection[str] = (), sheet: str | None = None) -> Sheet:
    """Read a sheet as text.

    `shown_as` is the file as the user named it. `known` are headings expected (any spelling); they settle
    which delimiter is meant and whether a title stands above the header. `sheet` names a sheet of a workbook;
    the first one is read otherwise. Never raises for what the file holds: see `Sheet.problems`.
    """
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MAX_BYTES else b""
    except OSError as fault:
        return _refused(
            shown_as,
            f"The file cannot be opened ({fault.strerror}).",
            "Check that you may read it and that no other program holds it.",
        )
    if size > MAX_BYTES:
        return _refused(
            shown_as,
            f"The file has {size / 1024**2:.0f} MB, more than a sheet of records can have.",
            "Name genotype files under genotypes in config.yaml, not here.",
        )
    return parse_sheet(data, shown_as=shown_as, known=known, sheet=sheet)


def parse_sheet(
    data: bytes, *, shown_as: str, known: Collection[str] = (), sheet: str | None = None
) -> Sheet:
    """Read a sheet from its bytes; see `read_sheet`."""
    keys = frozenset(heading_key(k) for k in known)
    if data.startswith(b"PK"):
        from crossproof.io.sheets.workbooks import (
            parse_workbook,  # openpyxl is slow to import and often not needed
        )

        return parse_workbook(data, shown_as=shown_as, known=keys, sheet=sheet)
    for magic, what, remedy in _FOREIGN:
        if data.lstrip(b" \t\r\n" if magic == b"<" else b"").startswith(magic):
            return _refused(shown_as, f"The file is {what}, not a sheet.", remedy)
    text = _decoded(data, shown_as)
    if isinstance(text, Sheet):
        return text
    return _parse_text(text, shown_as, keys)


def _refused(file: str, problem: str, remedy: str, row: int | None = None, value: str = "") -> Sheet:
    return Sheet(file, problems=(error(file, problem, remedy, row=row, value=shortened(value)),))


def _decoded(data: bytes, file: str) -> str | Sheet:
    encoding = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as fault:
        if encoding == "utf-16":
            return _refused(file, "The file begins as UTF-16 text but is damaged.", _SAVE)
        row = data.count(b"\n", 0, fault.start) + 1
        line = data[data.rfind(b"\n", 0, fault.start) + 1 :].split(b"\n", 1)[0]
        return _refused(
            file,
            "From this row on the file is not UTF-8 text, and its letters cannot be read for certain.",
            _SAVE,
            row,
            line.decode("latin-1").strip(),
        )
    if (bad := _CONTROL.search(text)) is not None:
        row = text.count("\n", 0, bad.start()) + 1
        code = ord(bad.group())
        if code == 0xFFFD:
            return _refused(
                file,
                "This row holds the replacement mark \ufffd: a letter was lost when the file was converted.",
                "Go back to the original file and " + _SAVE[0].lower() + _SAVE[1:],
                row,
            )
        kind = "a NUL byte" if code == 0 else f"a control character (code {code})"
        return _refused(file, f"This row holds {kind}; the file is damaged or not text.", _SAVE, row)
    return text


def _parse_text(text: str, file: str, known: frozenset[str]) -> Sheet:
    found = Problems(file)
    # Spreadsheets write this line to say which delimiter follows.
    told = re.match(r"sep=(.)\r?\n", text)
    if told and told.group(1) not in DELIMITERS:
        problem = "The delimiter of this file is none of comma, semicolon and tab."
        return _refused(file, problem, _SAVE, 1, told.group(1))
    delimiter = told.group(1) if told else _delimiter(text, file, known)
    if isinstance(delimiter, Sheet):
        return delimiter
    lines = Delimited(text, delimiter, largest=MAX_CELL, skip=1 if told else 0, comments=True)
    records = _read_records(lines, found)
    if not records:
        problem = "The file is empty." if not text.strip() else "The file has no header and no rows."
        if not found:
            found.error(problem, "Fill it in; 'crossproof new' writes a sheet to start from.")
        return Sheet(file, problems=tuple(found.listed()), cut_short=True)
    cut_short = bool(found)
    header_row, header = records[0]
    if known and not any(heading_key(h) in known for h in header):
        row = _hidden_header(lines.comments, delimiter, known, found)
        if row is not None:
            return Sheet(file, header_row=row, problems=tuple(found.listed()), cut_short=True)
    for row, comment in lines.comments:
        if row > header_row and _is_lost_row(comment, delimiter, len(header)):
            _warn_comment(found, row, comment)
    sheet = finished(file, header_row, header, records[1:], found, known, delimiter=delimiter)
    return replace(sheet, cut_short=True) if cut_short else sheet


def _read_records(lines: Delimited, found: Problems) -> list[Record]:
    """Records with text, as far as they can be read."""
    records: list[Record] = []
    try:
        for start, cells in lines:
            record = [cell.strip() for cell in cells]
            if any(record):
                if lines.last > start:
                    width = len(records[0][1]) if records else 0
                    _ask_of_swallowed(start, cells, width, lines.delimiter, found)
                records.append((start, record))
    except QuotationError as fault:
        large = "field larger" in fault.reason
        if large and fault.last == fault.start:
            found.error(
                f"A cell of this row has more than {MAX_CELL:,} characters.",
                "Shorten it; nothing in a sheet of records needs so much text.",
                row=fault.start,
            )
            return [r for r in records if not _is_comment(r[1])]
        if large or "unexpected end" in fault.reason:
            problem = "A quotation mark opens in this row and is never closed."
        else:
            problem = "There is a quotation mark inside a cell of this row."
        found.error(
            problem, 'Delete the mark, or write it twice ("") in a cell that is in quotes.', row=fault.start
        )
    return [r for r in records if not _is_comment(r[1])]


def _ask_of_swallowed(row: int, record: Sequence[str], width: int, delimiter: str, found: Problems) -> None:
    """A cell over several lines may be rows that two stray quotation marks have made one cell of.

    Where a line of it has as many cells as the header, or its ends do together, that is what happened;
    otherwise it may as well be a long note.
    """
    for cell in record:
        parts = [line.count(delimiter) for line in cell.splitlines()]
        if len(parts) < 2 or not any(parts):
            continue
        rows_inside = width > 2 and any(n == width - 1 for n in parts[1:-1])
        if rows_inside or (width > 4 and parts[0] + parts[-1] == width - 1):
            found.error(
                "A quotation mark opens in this row and closes in a later one, so that the rows between them "
                "are read as the text of one cell.",
                "Delete the stray quotation marks; write a text that is meant so on one line.",
                row=row,
                value=" ".join(cell.split()),
            )
        else:
            found.warning(
                f"A cell of this row is in quotes and holds line breaks and the {DELIMITERS[delimiter]} that "
                "separates the cells; it is read as one text.",
                "Look whether rows are missing; delete stray quotation marks, or write the text on one line.",
                row=row,
                value=" ".join(cell.split()),
            )


def _hidden_header(
    comments: Sequence[tuple[int, str]], delimiter: str, known: frozenset[str], found: Problems
) -> int | None:
    """The row of a comment that is the header, which is noted; None where there is none."""
    for row, comment in comments:
        cells = comment.strip().lstrip("# ").split(delimiter)
        if len(cells) > 1 and sum(heading_key(cell) in known for cell in cells) > len(cells) / 2:
            problem = "The row with the headings begins with # and is taken for a comment."
            found.error(problem, "Delete the #.", row=row, value=comment.strip())
            return row
    return None


def _is_lost_row(comment: str, delimiter: str, width: int) -> bool:
    """Whether a comment has the cells of a record, with text behind the first."""
    cells = comment.split(delimiter)
    return width > 2 and len(cells) == width and any(cell.strip() for cell in cells[1:])


def _is_comment(record: list[str]) -> bool:
    """A comment that a spreadsheet has put in quotes or padded with empty cells."""
    return record[0].startswith("#") and not any(record[1:])


def _warn_comment(found: Problems, row: int, text: str) -> None:
    found.warning(
        "This row begins with # and is left out as a comment.",
        "Delete the # if the row belongs to the records; put quotes around a name that begins with #.",
        row=row,
        value=text.strip(),
    )


def _delimiter(text: str, file: str, known: frozenset[str]) -> str | Sheet:
    """The delimiter that the header proves, or a refusal."""
    headers: dict[str, list[str]] = {}
    row = 1
    for delimiter in DELIMITERS:
        try:
            for start, cells in Delimited(text, delimiter, largest=MAX_CELL, comments=True):
                record = [cell.strip() for cell in cells]
                if any(record) and not _is_comment(record):
                    headers[delimiter], row = record, start
                    break
        except QuotationError:
            continue
    several = {d: h for d, h in headers.items() if sum(map(bool, h)) > 1}
    if not several:
        for delimiter in DELIMITERS:
            if delimiter in text and delimiter in headers:
                return delimiter
        return ","
    if len(several) == 1:
        return next(iter(several))
    hits = {d: sum(heading_key(h) in known for h in header) for d, header in several.items()}
    best = [d for d, n in hits.items() if n == max(hits.values())]
    if len(best) == 1:
        return best[0]
    names = " and ".join(DELIMITERS[d] for d in several)
    shown = text.splitlines()[row - 1] if row <= len(text.splitlines()) else ""
    return _refused(
        file,
        f"The header can be split at {names}; it is not clear which one separates the columns.",
        "Use one of them only, or put headings that hold the other in quotes.",
        row,
        shown,
    )
