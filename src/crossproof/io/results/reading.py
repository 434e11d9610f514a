"""Result tables read back: as text, as their declarations say, or with the types they had."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from crossproof.io.results.columns import RESULT_COLUMNS
from crossproof.io.results.tables import VERDICT_COUNTS
from crossproof.io.sheets.columns import TABLES, Kind

_TEXT_KINDS = (Kind.NAME, Kind.TEXT, Kind.DATE, Kind.TIME, Kind.WELL, Kind.CHOICE)
_TEXT = frozenset(c.name for t in TABLES.values() for c in t.columns if c.kind in _TEXT_KINDS)


def read_table(path: Path) -> pd.DataFrame:
    """A result table as text, as a user would open it: identifiers stay as they are, an empty cell is "".

    Raises FileNotFoundError where it is not there, pandas.errors.EmptyDataError where it has no columns.
    """
    return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")


def read_typed(path: Path, table: str) -> pd.DataFrame:
    """A result table, numbers where its declaration has numbers; names and the user's columns stay text."""
    frame = read_table(path)
    declared = {c.name for c in RESULT_COLUMNS[table]} - _TEXT
    for column in frame.columns.intersection(sorted(declared)):
        given = frame[column] != ""
        numbers = pd.to_numeric(frame[column].where(given), errors="coerce")
        if given.any() and numbers[given].notna().all():
            frame[column] = numbers
    return frame


def read_verdicts(path: Path) -> pd.DataFrame:
    """The table of verdicts from Parquet, its types as they were before it was written."""
    return pd.read_parquet(path).astype(dict.fromkeys(VERDICT_COUNTS, "Int64"))
