"""Result tables read back: as text, as their declarations say, or with the types they had."""

from __future__ import annotations

import io
from collections.abc import Collection, Sequence
from pathlib import Path

import pandas as pd

from crossproof.errors import InputError
from crossproof.io.results.columns import RESULT_COLUMNS, ColumnKind
from crossproof.io.results.tables import VERDICT_COUNTS, read_parquet, table_bytes

PLANT_KEYS = ("plant", "cross_id")
"""Columns of verdicts.csv without which nothing can be said of a plant."""
RUN_AGAIN = "Run the season again: crossproof run DIR"


def read_table(
    path: Path | io.BytesIO, needed: Sequence[str] = (), only: Collection[str] = ()
) -> pd.DataFrame:
    """A result table as text, as a user would open it: identifiers stay as they are, an empty cell is "".

    `only`: the columns to read, where not all. Raises FileNotFoundError without a file, InputError where
    it is no table any more or lacks a column that is `needed`.
    """
    shown = f"{path.parent.name}/{path.name}" if isinstance(path, Path) else "table"
    try:
        wanted = only.__contains__ if only else None
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8", usecols=wanted)
    except (pd.errors.EmptyDataError, pd.errors.ParserError, UnicodeDecodeError):
        problem = "This table of results is damaged, or was changed by hand."
        raise InputError.at(shown, problem, RUN_AGAIN) from None
    lacking = [k for k in needed if k not in frame]
    if lacking:
        raise InputError.at(
            shown,
            f"This table of results has no column {' or '.join(lacking)}; it was changed by hand.",
            RUN_AGAIN,
            column=lacking[0],
        )
    return frame


def read_typed(path: Path | io.BytesIO, table: str) -> pd.DataFrame:
    """A result table with the types of its declaration; names and the user's columns stay text.

    Whole numbers are Int64 and yes or no is boolean, both with pandas.NA for an empty cell; numbers are
    float64 with NaN. A column that holds anything else, in a file changed by hand, stays text.
    """
    frame = read_table(path)
    for column in RESULT_COLUMNS[table]:
        if column.name not in frame or column.kind is ColumnKind.TEXT:
            continue
        cells = frame[column.name]
        given = cells != ""
        if column.kind is ColumnKind.YES_NO:
            if cells[given].isin(("yes", "no")).all():
                frame[column.name] = (cells == "yes").astype("boolean").where(given)
            continue
        numbers = pd.to_numeric(cells.where(given), errors="coerce").astype("float64")
        whole = column.kind is ColumnKind.WHOLE
        if numbers[given].notna().all() and not (whole and (numbers[given] % 1 != 0).any()):
            frame[column.name] = numbers.astype("Int64") if whole else numbers
    return frame


def as_read(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """A table in memory as it would be read from its file: the same decimals, the same types."""
    return read_typed(io.BytesIO(table_bytes(frame, table)), table)


def read_verdicts(path: Path) -> pd.DataFrame:
    """The table of verdicts from Parquet, its types as they were before it was written."""
    return read_parquet(path).astype(dict.fromkeys(VERDICT_COUNTS, "Int64"))
