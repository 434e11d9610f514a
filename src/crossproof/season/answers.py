"""Write an answer to a finding into corrections.csv; a person decides, nothing is answered by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from crossproof.errors import UsageError
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.sheets.columns import CORRECTIONS
from crossproof.io.sheets.headings import match_headings
from crossproof.io.sheets.text_rows import text_rows

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
    data = path.read_bytes() if path.exists() else (",".join(CORRECTIONS.names) + "\n").encode("utf-8")
    write_bytes(path, _with_rows(data, config.shown(path), config.renames("corrections"), rows))
    return path


def _with_rows(
    data: bytes, file: str, renames: Mapping[str, str], rows: Sequence[Mapping[str, str]]
) -> bytes:
    text = text_rows(data, shown_as=file, known=(*CORRECTIONS.names, *renames))
    if text is None:
        raise UsageError.at(
            file,
            "Rows can be added only to a text file (CSV, UTF-8).",
            f"Add by hand: {'; '.join(', '.join(filter(None, r.values())) for r in rows)}.",
        )
    sheet = text.sheet
    names, _ = match_headings(sheet.headings, CORRECTIONS, renames, file=file, header_row=sheet.header_row)
    missing = sorted({c for row in rows for c, cell in row.items() if cell and c not in names})
    if missing:
        raise UsageError.at(file, f"There is no column {missing[0]!r}.", f"Add the heading {missing[0]!r}.")
    return text.changed({}, [[row.get(name, "") for name in names] for row in rows])
