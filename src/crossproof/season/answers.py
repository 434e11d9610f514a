"""Write an answer to a finding into corrections.csv; a person decides, nothing is answered by itself."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

from crossproof.errors import UsageError, error
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.sheets.columns import CORRECTIONS, match_headings
from crossproof.io.sheets.shape import Sheet
from crossproof.io.sheets.sheet import parse_sheet

DELIMITERS = (",", ";", "\t")
STANDARD = "corrections.csv"
"""Where answers go when the season has none yet; read without being named in config.yaml."""


def answers_file(config: Config) -> Path:
    """The file that answers are written to."""
    return config.corrections_file or config.root / STANDARD


def add_rows(config: Config, rows: Sequence[Mapping[str, str]]) -> Path:
    """Add rows (column name to text) below those of corrections.csv, which is made where it is missing.

    What the file holds already stays byte for byte. Raises UsageError where it cannot be added to: the rows
    then have to be copied by hand.
    """
    path = answers_file(config)
    data = path.read_bytes() if path.exists() else _line(CORRECTIONS.names, ",", "\n").encode("utf-8")
    write_bytes(path, data + _added(data, config.shown(path), config.renames("corrections"), rows))
    return path


def _added(data: bytes, file: str, renames: Mapping[str, str], rows: Sequence[Mapping[str, str]]) -> bytes:
    sheet = parse_sheet(data, shown_as=file, known=(*CORRECTIONS.names, *renames))
    delimiter = _delimiter(data, sheet)
    if delimiter is None:
        raise UsageError(
            error(
                file,
                "Rows can be added only to a text file (CSV, UTF-8).",
                f"Add by hand: {'; '.join(', '.join(filter(None, r.values())) for r in rows)}.",
            )
        )
    names, _ = match_headings(sheet.headings, CORRECTIONS, renames, file=file, header_row=sheet.header_row)
    missing = sorted({c for row in rows for c, text in row.items() if text and c not in names})
    if missing:
        raise UsageError(
            error(file, f"There is no column {missing[0]!r}.", f"Add the heading {missing[0]!r}.")
        )
    end = "\r\n" if b"\r\n" in data else "\n"
    text = "".join(_line([row.get(name, "") for name in names], delimiter, end) for row in rows)
    return (("" if data.endswith(b"\n") else end) + text).encode("utf-8")


def _delimiter(data: bytes, sheet: Sheet) -> str | None:
    """What separates the cells of the heading; None for a workbook or a text that is not UTF-8."""
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        return None
    if not sheet.readable or len(lines) < sheet.header_row:
        return None
    heading = lines[sheet.header_row - 1]
    for delimiter in DELIMITERS:
        found = next(csv.reader([heading], delimiter=delimiter))
        if tuple(cell.strip() for cell in found) == sheet.headings:
            return delimiter
    return None


def _line(cells: Sequence[str], delimiter: str, end: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerow(cells)
    return out.getvalue()
