"""Result tables read back: identifiers untouched, declared numbers as numbers, counts that may be missing."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from crossproof.errors import InputError
from crossproof.io.results.reading import read_table, read_typed, read_verdicts
from crossproof.io.results.tables import write_parquet, write_table


def test_text_stays_as_it_was_written(tmp_path: Path) -> None:
    frame = pd.DataFrame({"plant": ["007", "NA", ""], "call_rate": [0.5, float("nan"), 1.0]})
    write_table(tmp_path / "verdicts.csv", frame)
    read = read_table(tmp_path / "verdicts.csv")
    assert read["plant"].tolist() == ["007", "NA", ""]
    assert read["call_rate"].tolist() == ["0.5000", "", "1.0000"]


def test_declared_numbers_are_numbers_and_names_of_digits_are_not(tmp_path: Path) -> None:
    frame = pd.DataFrame({"line": ["12"], "wells": [3], "call_rate": [0.25], "bench": ["7"]})
    write_table(tmp_path / "lines.csv", frame)
    read = read_typed(tmp_path / "lines.csv", "lines")
    assert read.loc[0, ["line", "bench"]].tolist() == ["12", "7"]
    assert read.loc[0, ["wells", "call_rate"]].tolist() == [3, 0.25]


def test_verdicts_come_back_with_the_types_they_had(tmp_path: Path) -> None:
    counts = ["contrast_markers", "contrast_scored", "contrast_het", "foreign_calls"]
    frame = pd.DataFrame({"plant": ["a", "b"], "lod": [1.5, float("nan")]})
    frame[counts] = pd.DataFrame([[3, 2, 1, 0], [pd.NA] * 4], dtype="Int64")
    write_parquet(tmp_path / "verdicts.parquet", frame)
    pd.testing.assert_frame_equal(read_verdicts(tmp_path / "verdicts.parquet"), frame, check_exact=True)


@pytest.mark.parametrize("data", [b"", b"\0\xff" * 50, b"plant,verdict\nP1,hybrid\nP2,self,cull,more\n"])
def test_a_table_that_is_none_any_more_is_refused_with_its_remedy(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "verdicts.csv").write_bytes(data)
    with pytest.raises(InputError, match="is damaged") as refused:
        read_table(tmp_path / "verdicts.csv")
    assert refused.value.problems[0].remedy.startswith("Run the season again")


def test_a_column_that_is_needed_is_named(tmp_path: Path) -> None:
    pd.DataFrame({"sample_id": ["a"]}).to_csv(tmp_path / "verdicts.csv", index=False)
    with pytest.raises(InputError, match="no column plant or verdict"):
        read_table(tmp_path / "verdicts.csv", ["plant", "sample_id", "verdict"])
