"""What a report is made from: the result tables, the season's settings, and a compact store of calls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute

from crossproof.model.arrays import Bools, Floats
from crossproof.model.findings import Finding
from crossproof.model.plant_calls import PlantCalls
from crossproof.text import shown


def _empty() -> pd.DataFrame:
    return pd.DataFrame()


CODES = "_code"
"""Column of the verdicts that holds what the code of a plant's label reads, where labels have codes."""


@dataclass(frozen=True)
class ReportInputs:
    """Everything a report says comes from here.

    The frames carry the columns that io.result_columns declares for the result table of the same name; each
    may be empty and a missing column is treated as unknown, so that a season without operators or
    temperatures still has its report. `samples` has a row per well, `rates_by` a row per `factor` and
    `level` (factor "season" has one row for the whole).

    `findings`: what the plate checks found. `corrections`: the answers this run followed, each with what it
    changed, in words. `config` and `run` are the settings in force and run.json.
    """

    verdicts: pd.DataFrame
    crosses: pd.DataFrame = field(default_factory=_empty)
    operators: pd.DataFrame = field(default_factory=_empty)
    factors: pd.DataFrame = field(default_factory=_empty)
    rates_by: pd.DataFrame = field(default_factory=_empty)
    learning: pd.DataFrame = field(default_factory=_empty)
    control_chart: pd.DataFrame = field(default_factory=_empty)
    plates: pd.DataFrame = field(default_factory=_empty)
    samples: pd.DataFrame = field(default_factory=_empty)
    markers: pd.DataFrame = field(default_factory=_empty)
    lines: pd.DataFrame = field(default_factory=_empty)
    problems: pd.DataFrame = field(default_factory=_empty)
    changes: pd.DataFrame = field(default_factory=_empty)
    config: Mapping[str, Any] = field(default_factory=dict)
    run: Mapping[str, Any] = field(default_factory=dict)
    findings: Sequence[Finding] = ()
    calls: PlantCalls | None = None
    corrections: Sequence[str] = ()
    code_season: str = ""
    """Season that the codes of labels hold; "" where they have none."""


def texts(frame: pd.DataFrame, column: str) -> list[str]:
    """A column as plain texts, "" where missing or where there is no such column."""
    if column not in frame.columns:
        return [""] * len(frame)
    values: list[Any] = frame[column].astype(object).tolist()
    try:
        whole = "".join(values)
    except TypeError:
        whole = "\0"  # something other than text is among them
    if whole.isascii() and whole.isprintable():
        return values
    return [v if type(v) is str and v.isascii() and v.isprintable() else shown(v) for v in values]


def flags(frame: pd.DataFrame, column: str, *, missing: bool = False) -> Bools:
    """A column of yes and no as bool (row,); `missing` where a cell, or the column, is not there."""
    meant = {"yes": True, "True": True, "no": False, "False": False}
    return np.array([meant.get(t, missing) for t in texts(frame, column)], dtype=bool)


def numbers(frame: pd.DataFrame, column: str) -> Floats:
    """A column as float64 (row,), NaN where missing, not a number, or where there is no such column."""
    if column not in frame.columns:
        return np.full(len(frame), np.nan)
    cells = frame[column]
    if isinstance(cells.dtype, pd.StringDtype):
        try:  # sooner than pandas, and as exact
            read = pa.compute.cast(pa.array(cells.where(cells != "")), pa.float64())
            return np.asarray(read.to_numpy(zero_copy_only=False))
        except pa.ArrowInvalid:
            pass  # some cell is no number
    values: Floats = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return values
