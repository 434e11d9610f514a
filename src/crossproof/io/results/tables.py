"""Write results: the columns of every table declared once, bytes that depend on the content alone.

A file is written beside its place, forced to disk and then moved there, so that a reader never meets half
a table and a run that is killed leaves the old one. Text that a spreadsheet would take for a formula is
written as it is: a changed identifier would no longer match the records. It is warned of when the sheets are
read, and worklist.xlsx holds such names as text.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.columns import RESULT_COLUMNS, ResultColumn


def write_table(path: Path, frame: pd.DataFrame, table: str | None = None) -> None:
    """Write a table as CSV: UTF-8, line feeds, columns and rows in the order of the frame.

    `table` names its declaration in RESULT_COLUMNS (default: the stem of the file name), which says how many
    decimals a number gets; a number of an undeclared column gets 6 significant digits. True and False are yes
    and no; a missing value is an empty cell.
    """
    write_bytes(path, table_bytes(frame, Path(path).stem if table is None else table))


def table_bytes(frame: pd.DataFrame, table: str = "") -> bytes:
    """The bytes that `write_table` writes."""
    assert frame.columns.is_unique, "two columns of one name"
    declared = {c.name: c for c in RESULT_COLUMNS.get(table, ())}
    columns = [_cells(frame[name], declared.get(name)) for name in frame.columns]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(frame.columns)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue().encode("utf-8")


def _cells(series: pd.Series, declared: ResultColumn | None) -> list[str]:
    decimals = declared.decimals if declared else None
    # A column of one type is not asked of each value anew.
    match series.dtype.kind if isinstance(series.dtype, np.dtype) else "O":
        case "f":
            return _numbers(series.to_numpy(), decimals)
        case "i" | "u":
            return [str(value) for value in series.tolist()]
        case "b":
            return ["yes" if value else "no" for value in series.tolist()]
    missing = series.isna().tolist()
    if isinstance(series.dtype, pd.StringDtype):
        words = series.to_numpy(dtype=object).tolist()
        return ["" if gone else word for word, gone in zip(words, missing, strict=True)]
    if isinstance(series.dtype, pd.Int64Dtype):
        wholes = series.fillna(0).to_numpy(dtype=np.int64).tolist()
        return ["" if gone else str(value) for value, gone in zip(wholes, missing, strict=True)]
    values = series.astype(object).tolist()
    return [
        value if type(value) is str else "" if gone else _cell(value, decimals)
        for value, gone in zip(values, missing, strict=True)
    ]


def _numbers(values: NDArray[Any], decimals: int | None) -> list[str]:
    """A column of numbers as `number_text` writes them, plain ones all at once; NaN is an empty cell."""
    form = ",%.6g" if decimals is None else f",%.{decimals}f"
    out = (form * len(values) % tuple(values.tolist())).split(",")[1:]
    for i in np.flatnonzero(np.isnan(values)).tolist():
        out[i] = ""
    for i in np.flatnonzero(np.isinf(values) | (np.signbit(values) & ~np.isnan(values))).tolist():
        out[i] = number_text(float(values[i]), decimals)
    return out


def _cell(value: Any, decimals: int | None) -> str:
    if isinstance(value, str):
        return str(value)
    if isinstance(value, bool) or type(value).__name__ == "bool_" or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, int) or (hasattr(value, "dtype") and value.dtype.kind in "iu"):
        return str(int(value))
    if isinstance(value, float) or (hasattr(value, "dtype") and value.dtype.kind == "f"):
        return number_text(float(value), decimals)
    return str(value)


def number_text(value: float, decimals: int | None = None) -> str:
    """A number as tables show it: so many decimals, or 6 significant digits; never a negative zero."""
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    text = f"{value:.6g}" if decimals is None else f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def write_parquet(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as Parquet; the same content gives the same bytes."""
    write_bytes(path, parquet_bytes(frame))


def parquet_bytes(frame: pd.DataFrame) -> bytes:
    """The bytes that `write_parquet` writes."""
    arrays, names = [], []
    for name in frame.columns:
        series = frame[name]
        if isinstance(series.dtype, pd.StringDtype):
            arrays.append(pa.array(series.to_numpy(dtype=object), type=pa.string(), from_pandas=True))
        elif series.dtype == object or isinstance(series.dtype, pd.CategoricalDtype):
            missing = series.isna().tolist()
            told = [
                None if gone else str(v)
                for v, gone in zip(series.astype(object).tolist(), missing, strict=True)
            ]
            arrays.append(pa.array(told, type=pa.string()))
        else:
            arrays.append(pa.array(series, from_pandas=True))
        names.append(str(name))
    table = pa.Table.from_arrays([_combined(a) for a in arrays], names=names)
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd", version="2.6", write_statistics=True)
    return out.getvalue()


def read_parquet(path: Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """A table from one Parquet file; pandas' own reader first loads what reads folders of them."""
    return pq.ParquetFile(path).read(columns).to_pandas()


VERDICT_COUNTS = ("contrast_markers", "contrast_scored", "contrast_het", "foreign_calls")
"""Columns of verdicts that hold whole numbers or nothing."""


def _combined(array: pa.Array | pa.ChunkedArray) -> pa.Array:
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def problems_frame(problems: Any) -> pd.DataFrame:
    """Problems as the table problems.csv."""
    names = [c.name for c in RESULT_COLUMNS["problems"]]
    rows = [[str(p.severity), p.file, p.row, p.column, p.value, p.problem, p.remedy] for p in problems]
    frame = pd.DataFrame(rows, columns=names)
    return frame.astype({"row": "Int64"}) if len(frame) else frame


__all__ = [
    "RESULT_COLUMNS",
    "VERDICT_COUNTS",
    "ResultColumn",
    "number_text",
    "parquet_bytes",
    "problems_frame",
    "read_parquet",
    "table_bytes",
    "write_parquet",
    "write_table",
]
