"""Tables in memory read as sheets are: a notebook's own frames, and a Season's that were changed.

A frame becomes the text that a sheet with the same content would hold, so that one set of checks judges both.
Rows are numbered as in that sheet: the first below the headings is row 2.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from typing import Any

import pandas as pd

from crossproof.io.problems import Fault, Problems
from crossproof.io.records.raw_tables import PROVENANCE
from crossproof.io.records.season import Season
from crossproof.io.sheets.columns import CORRECTIONS, CROSSES, MARKERS, SAMPLES, Table
from crossproof.io.sheets.headings import heading_key
from crossproof.io.sheets.shape import Sheet, finished

FRAMES: Mapping[str, Table] = {
    "crosses": CROSSES, "samples": SAMPLES, "markers": MARKERS, "corrections": CORRECTIONS,
}  # fmt: skip
"""Tables that may be given as frames, by their name in a Season."""

DERIVED = ("hour", "week")
"""Columns of a Season's crosses that follow from the time and the date."""


def frames_of(season: Season) -> dict[str, pd.DataFrame]:
    """The tables of a Season that it has."""
    found = {name: getattr(season, name) for name in FRAMES}
    return {name: frame for name, frame in found.items() if frame is not None}


def frames_digest(frames: Mapping[str, pd.DataFrame]) -> str:
    """What tells whether a table was changed since: content, names and order of columns, order of rows."""
    found = hashlib.sha256()
    for name in sorted(frames):
        frame = frames[name]
        found.update(repr((name, [str(c) for c in frame.columns], len(frame))).encode())
        for i in range(frame.shape[1]):
            cells = frame.iloc[:, i].astype(object)
            found.update("\0".join(map(repr, cells)).encode("utf-8", "surrogatepass"))
    return found.hexdigest()


def sheet_of_frame(frame: pd.DataFrame, name: str) -> Sheet:
    """The sheet that holds what a frame holds; columns that readers add are left out."""
    file = shown_frame(name)
    left_out = (*PROVENANCE, *(DERIVED if name == "crosses" else ()))
    places = [i for i, c in enumerate(frame.columns) if str(c) not in left_out]
    heads = [" ".join(str(frame.columns[i]).split()) for i in places]
    columns = [[_cell(v) for v in frame.iloc[:, i].astype(object)] for i in places]
    if name == "samples":
        columns = _plants_given(heads, columns)
    notes = Problems(file)
    rows = [(row, list(cells)) for row, cells in enumerate(zip(*columns, strict=True), 2)]
    known = frozenset(heading_key(n) for n in FRAMES[name].names)
    return finished(file, 1, heads, [r for r in rows if any(r[1])], notes, known)


def shown_frame(name: str) -> str:
    """A frame as problems name it."""
    return f"{name} (in memory)"


def tell_derived(frame: pd.DataFrame, read: pd.DataFrame, notes: Problems) -> None:
    """Note hours and weeks that do not follow from the time and date beside them.

    `read`: the crosses read from the frame. A change of the one without the other would be lost.
    """
    for column, source in zip(DERIVED, ("time", "date"), strict=True):
        if column not in frame or len(frame) != len(read):
            continue
        for i, (given, made) in enumerate(zip(frame[column], read[column], strict=True)):
            if _cell(given) != _cell(made):
                fault = Fault(f"The {column} follows from the {source} and differs from it.",
                              f"Change the {source}; the {column} is made from it.")  # fmt: skip
                notes.note(fault, file=shown_frame("crosses"), row=i + 2, column=column, value=_cell(given))


def _plants_given(heads: list[str], columns: list[list[str]]) -> list[list[str]]:
    """The columns, with `plant` empty where it only repeats the sample: readers fill it in so."""
    if not {"plant", "sample_id"} <= set(heads):
        return columns
    plant, sample = heads.index("plant"), heads.index("sample_id")
    given = ["" if p == s else p for p, s in zip(columns[plant], columns[sample], strict=True)]
    return [given if i == plant else c for i, c in enumerate(columns)]


def _cell(value: Any) -> str:
    """A value as a sheet would hold it; a whole number has no decimals, a date is ISO 8601."""
    if isinstance(value, str):
        return " ".join(value.split())
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(" ")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, dt.time):
        return value.strftime("%H:%M")
    number = getattr(value, "item", lambda: value)()
    if isinstance(number, bool):
        return "yes" if number else "no"
    if isinstance(number, float) and number.is_integer():
        return str(int(number))
    return str(number)
