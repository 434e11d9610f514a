"""The text of one sheet, and the check of its shape: headings over all columns, rows of one width."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from crossproof.errors import Problem
from crossproof.io.problems import Problems
from crossproof.io.sheets.headings import heading_key

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
SOUGHT_ROWS = 20
"""Rows below the first in which headings are looked for, where the first has none."""

Record = tuple[int, list[str]]
"""Number of a row, and the texts of its cells."""


@dataclass(frozen=True)
class Sheet:
    """The text of one sheet.

    `headings` and each of `rows` have one text per column, spaces around it removed. `row_numbers` are those
    that a text editor (.csv: the line where the record begins) or a spreadsheet (.xlsx) shows. `cell_kinds`
    says which cells of a workbook were numbers or dates: (row index, column index) -> "number" | "date".
    A sheet that cannot be read at all has no headings, and an error among its `problems`; `cut_short` says
    that reading stopped at an error and rows may be missing.
    """

    file: str
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    row_numbers: tuple[int, ...] = ()
    header_row: int = 1
    problems: tuple[Problem, ...] = ()
    cell_kinds: Mapping[tuple[int, int], str] = field(default_factory=dict)
    cut_short: bool = False

    @property
    def readable(self) -> bool:
        """Whether there is a header to go on with."""
        return bool(self.headings)


def finished(
    file: str,
    header_row: int,
    header: Sequence[str],
    records: Sequence[Record],
    found: Problems,
    known: frozenset[str],
    *,
    delimiter: str = "",
    cell_kinds: Mapping[tuple[int, int], str] | None = None,
) -> Sheet:
    """Check the shape of a sheet: a heading over every column, every row as wide as the header.

    `cell_kinds` counts rows as in `records`. A workbook (no `delimiter`) has no short rows.
    """
    above = _rows_above(header, records, known)
    if above:
        header_row, header = records[above - 1]
        records = records[above:]
        cell_kinds = {(r - above, c): k for (r, c), k in (cell_kinds or {}).items() if r >= above}
        found.warning(
            "There is other text above the headings; this row was taken for them.",
            "No action is needed if that is right; else delete the rows above, or begin them with #.",
            row=header_row,
            value=", ".join(header),
        )
    width = _width(header, records)
    keep = [i for i in range(width) if header[i]]
    _check_unnamed(header[:width], records, found)
    rows = []
    for row, record in records:
        _check_surplus(row, record, width, delimiter, found)
        if len(record) < width:
            if delimiter:
                _tell_short(row, record, width, delimiter, found)
            record = record + [""] * (width - len(record))
        rows.append(tuple(record[i] for i in keep))
    place = {old: new for new, old in enumerate(keep)}
    kinds = {(r, place[c]): kind for (r, c), kind in (cell_kinds or {}).items() if c in place}
    return Sheet(
        file,
        tuple(header[i] for i in keep),
        tuple(rows),
        tuple(row for row, _ in records),
        header_row,
        tuple(found.listed()),
        kinds,
    )


def _width(header: Sequence[str], records: Sequence[Record]) -> int:
    """Columns of the sheet, without those at its end that are empty throughout."""
    width = len(header)
    while width and not header[width - 1] and not any(r[width - 1 : width] > [""] for _, r in records):
        width -= 1
    return width


def _rows_above(header: Sequence[str], records: Sequence[Record], known: frozenset[str]) -> int:
    """How many records, the header among them, stand above the headings; 0 where nothing does."""
    if known and not any(heading_key(h) in known for h in header):
        for above, (_, record) in enumerate(records[:SOUGHT_ROWS], 1):
            if sum(heading_key(cell) in known for cell in record) > 1:
                return above
    return 0


def _check_unnamed(header: Sequence[str], records: Sequence[Record], found: Problems) -> None:
    """A column without a heading must be empty."""
    for i, heading in enumerate(header):
        if heading:
            continue
        for row, record in records:
            if i < len(record) and record[i]:
                found.error(
                    f"Column {i + 1} has no heading but holds text.",
                    "Give the column a heading, or delete it.",
                    row=row,
                    value=record[i],
                )
                break


def _check_surplus(row: int, record: Sequence[str], width: int, delimiter: str, found: Problems) -> None:
    """A row must not have text beyond the last heading."""
    extra = [cell for cell in record[width:] if cell]
    if extra:
        hint = " A comma inside a cell needs quotes around the cell." if delimiter == "," else ""
        found.error(
            f"This row has more cells than the header has headings ({width}).",
            "Delete the surplus cells, or give their column a heading." + hint,
            row=row,
            value=", ".join(extra),
        )


def _tell_short(row: int, record: Sequence[str], width: int, delimiter: str, found: Problems) -> None:
    """A row of text with too few cells; perhaps it is split at another delimiter."""
    other = next((name for d, name in DELIMITERS.items() if d != delimiter and d in record[0]), "")
    hint = f" The row seems to use the {other}, the header the {DELIMITERS[delimiter]}." if other else ""
    found.error(
        f"This row has fewer cells than the header has headings ({width}).",
        "Add the missing cells (empty ones too)." + hint,
        row=row,
        value=delimiter.join(record),
    )
