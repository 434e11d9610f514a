"""Tables in memory as sheets: every value as a sheet would hold it, and changes noticed."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from crossproof.io.records.frames import frames_digest, sheet_of_frame


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("  Lark  No. 2 ", "Lark No. 2"), ("007", "007"), (7, "7"), (7.0, "7"), (22.5, "22.5"),
        (np.int64(3), "3"), (np.float32(0.5), "0.5"), (np.nan, ""), (None, ""), (pd.NA, ""), (pd.NaT, ""),
        (pd.Timestamp("2025-06-04"), "2025-06-04"), (dt.date(2025, 6, 4), "2025-06-04"),
        (pd.Timestamp("2025-06-04 09:30"), "2025-06-04 09:30:00"), (dt.time(9, 5), "09:05"), (True, "yes"),
        (np.bool_(False), "no"), (float("inf"), "inf"),
    ],
)  # fmt: skip
def test_values(value: object, text: str) -> None:
    frame = pd.DataFrame({"cross_id": ["X001"], "notes": pd.Series([value], dtype=object)})
    assert sheet_of_frame(frame, "crosses").rows == (("X001", text),)


def test_rows_are_numbered_as_in_a_sheet_and_empty_ones_are_none() -> None:
    frame = pd.DataFrame({"cross_id": ["A", None, "C"], "flowers": [1, None, 3]}, index=[5, 5, 5])
    sheet = sheet_of_frame(frame, "crosses")
    assert (sheet.rows, sheet.row_numbers) == ((("A", "1"), ("C", "3")), (2, 4))
    assert sheet.headings == ("cross_id", "flowers")


def test_what_readers_add_is_left_out() -> None:
    frame = pd.DataFrame(
        {"sample_id": ["S1", "S2"], "plant": ["S1", "P"], "_row": [2, 3], "_file": ["f", "f"]}
    )
    assert sheet_of_frame(frame, "samples").rows == (("S1", ""), ("S2", "P"))
    crosses = pd.DataFrame({"cross_id": ["A"], "hour": [9.5], "week": ["2025-W23"]})
    assert sheet_of_frame(crosses, "crosses").headings == ("cross_id",)


def test_every_change_changes_the_digest() -> None:
    frame = pd.DataFrame({"a": ["1", "2"], "b": [1.0, np.nan]})
    changed = [
        frame.assign(a=["2", "1"]), frame[["b", "a"]], frame.rename(columns={"a": "c"}), frame.head(1),
        frame.assign(b=[np.nan, 1.0]), frame.assign(a=["12", ""]), frame.assign(c="x"),
    ]  # fmt: skip
    digests = {frames_digest({"crosses": f}) for f in [frame, *changed]}
    assert len(digests) == 1 + len(changed)
    assert frames_digest({"crosses": frame.copy()}) in digests
    assert frames_digest({"samples": frame}) not in digests
