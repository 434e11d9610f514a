"""Results are written whole, the same bytes for the same content, and read back as what they were."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.errors import error
from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import (
    RESULT_COLUMNS,
    number_text,
    problems_frame,
    read_parquet,
    table_bytes,
    write_parquet,
    write_table,
)
from crossproof.model.results import CLASSES


def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plant": ["a", "=1+1", 'say "x", y'],
            "p_hybrid": [0.123456789, 1.0, np.nan],
            "lod": [-0.001, np.inf, 12.345],
            "tested": pd.array([3, None, 0], dtype="Int64"),
            "verifiable": [True, False, True],
            "other": [1 / 3, -0.0, 1e-12],
        }
    )


def test_cells_are_written_as_declared() -> None:
    """By hand from the declaration: p_hybrid 6 decimals, lod 2, undeclared numbers 6 significant digits."""
    assert table_bytes(frame(), "verdicts").decode() == (
        "plant,p_hybrid,lod,tested,verifiable,other\n"
        "a,0.123457,0.00,3,yes,0.333333\n"
        "=1+1,1.000000,inf,,no,0\n"
        '"say ""x"", y",,12.35,0,yes,1e-12\n'
    ).replace("12.35", f"{12.345:.2f}")


def test_formula_like_text_is_not_changed() -> None:
    """tech.md: a leading apostrophe would change the identifier."""
    text = table_bytes(pd.DataFrame({"plant": ["=1+1", "-x", "@y", "+z"]})).decode()
    assert [row[0] for row in csv.reader(io.StringIO(text))] == ["plant", "=1+1", "-x", "@y", "+z"]


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-0.0, None, "0"),
        (-0.0004, 2, "0.00"),
        (-0.006, 2, "-0.01"),
        (1234567.0, None, "1.23457e+06"),
        (float("-inf"), 3, "-inf"),
        (0.5, 0, "0"),
    ],
)
def test_numbers(value: float, decimals: int | None, text: str) -> None:
    assert number_text(value, decimals) == text


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_numbers_keep_six_digits(value: float) -> None:
    assert float(number_text(value)) == pytest.approx(value, rel=1e-5)


@given(st.lists(st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\r\0")), max_size=8))
def test_any_text_round_trips(texts: list[str]) -> None:
    data = table_bytes(pd.DataFrame({"plant": texts, "x": [1] * len(texts)}, dtype=object))
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    assert [r[0] for r in rows[1:]] == texts


def test_booleans_of_every_kind_are_yes_and_no() -> None:
    columns = {
        "a": np.array([True, False]),
        "b": pd.array([True, None], dtype="boolean"),
        "c": pd.Series([np.bool_(False), True], dtype=object),
    }
    assert table_bytes(pd.DataFrame(columns)) == b"a,b,c\nyes,yes,no\nno,,yes\n"


def test_same_content_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_table(tmp_path / name / "verdicts.csv", frame())
        write_parquet(tmp_path / name / "verdicts.parquet", frame())
    for file in ("verdicts.csv", "verdicts.parquet"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_parquet_holds_types_and_missing_values(tmp_path: Path) -> None:
    write_parquet(tmp_path / "v.parquet", frame().assign(kind=pd.Categorical(["u", None, "u"])))
    table = pq.read_table(tmp_path / "v.parquet")
    assert [str(t) for t in table.schema.types] == [
        *("string", "double", "double", "int64", "bool", "double", "string")
    ]
    assert table.column("tested").to_pylist() == [3, None, 0]
    assert table.column("p_hybrid").to_pylist()[2] is None
    assert table.column("plant").to_pylist() == ["a", "=1+1", 'say "x", y']
    assert table.column("kind").to_pylist() == ["u", None, "u"]


def test_an_empty_table_has_its_header() -> None:
    assert table_bytes(problems_frame([])) == b"severity,file,row,column,value,problem,remedy\n"


def test_problems_become_rows() -> None:
    problem = error("c.csv", "Why, so.", "Do.", row=3, column="date", value="1-Mar")
    assert table_bytes(problems_frame([problem, error("c.csv", "p", "r")]), "problems").decode() == (
        'severity,file,row,column,value,problem,remedy\nerror,c.csv,3,date,1-Mar,"Why, so.",Do.\n'
        "error,c.csv,,,,p,r\n"
    )


def test_a_failed_write_leaves_the_old_file_and_no_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    write_bytes(path, b"old")

    def fail(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="no space left"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["t.csv"]


def test_files_get_the_usual_permissions(tmp_path: Path) -> None:
    write_bytes(tmp_path / "a", b"x")
    (tmp_path / "b").write_bytes(b"x")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "b").stat().st_mode


def test_two_columns_of_one_name_are_our_mistake() -> None:
    with pytest.raises(AssertionError, match="two columns of one name"):
        table_bytes(pd.DataFrame([[1, 2]], columns=["a", "a"]))


def test_declarations_cover_the_output_contract() -> None:
    """Columns named in design.md, results."""
    verdicts = [c.name for c in RESULT_COLUMNS["verdicts"]]
    contract = [
        "verdict",
        "decision",
        "reason",
        "p_hybrid",
        "p_self",
        "p_outcross",
        "p_off_pedigree",
        "lod",
        "contrast_markers",
        "contrast_scored",
        "contrast_het",
        "het_share",
        "het_low",
        "het_high",
        "foreign_calls",
        "call_rate",
        "likely_source",
        "source_probability",
        "flags",
    ]
    assert [c for c in verdicts if c in contract] == contract
    assert {f"p_{c}" for c in CLASSES} <= set(verdicts)
    crosses = {c.name for c in RESULT_COLUMNS["crosses"]}
    assert crosses >= {
        *("tested", "hybrid_rate", "hybrid_rate_low", "hybrid_rate_high", "true_success", "verifiable"),
        *("next_step", "seeds_to_test", "flowers_to_repeat"),
    }
    assert [c.name for c in RESULT_COLUMNS["changes"]][-3:] == ["verdict_before", "verdict_now", "cause"]
    for table in RESULT_COLUMNS.values():
        assert len({c.name for c in table}) == len(table)
        assert all(c.meaning for c in table)


def test_parquet_is_read_as_pandas_reads_it(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"a": ["x", None, ""], "b": [1.5, np.nan, 0.0], "c": [1, 2, 3], "d": [True, False, True]}
    )
    write_parquet(tmp_path / "own.parquet", frame)
    frame.to_parquet(tmp_path / "theirs.parquet")
    for name in ("own", "theirs"):
        path = tmp_path / f"{name}.parquet"
        pd.testing.assert_frame_equal(read_parquet(path), pd.read_parquet(path))
        pd.testing.assert_frame_equal(
            read_parquet(path, ["d", "a"]), pd.read_parquet(path, columns=["d", "a"])
        )
