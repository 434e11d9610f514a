"""A whole season: typed frames, provenance, derived columns, and the size that has to be read in time."""

from __future__ import annotations

import datetime as dt
import pickle
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from season_builder import BASE, TODAY

from crossproof.errors import Severity, warning
from crossproof.io import problems
from crossproof.io.records.checks import check_calls
from crossproof.io.records.season import sort_problems
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CROSSES, SAMPLES


@pytest.fixture
def season_folder(tmp_path: Path) -> Path:
    shutil.copytree(BASE, tmp_path / "season")
    return tmp_path / "season"


def test_all_columns_are_there_and_typed() -> None:
    season = read_season(BASE, today=TODAY)
    crosses = season.crosses
    assert list(crosses.columns) == [
        *("cross_id", "mother", "father", "date", "time", "hour", "week", "operator", "flowers", "pods"),
        *("seeds", "temperature_c", "anthers_removed", "target_hybrids", "notes", "_file", "_row"),
    ]
    kinds = {name: str(crosses[name].dtype) for name in crosses.columns}
    assert kinds["hour"] == kinds["temperature_c"] == kinds["anthers_removed"] == "float64"
    assert kinds["flowers"] == kinds["_row"] == "int64"
    assert kinds["pods"] == kinds["seeds"] == kinds["target_hybrids"] == "Int64"
    assert all(pd.api.types.is_string_dtype(crosses[n]) for n in ("cross_id", "mother", "date", "week"))
    assert set(SAMPLES.names) <= set(season.samples.columns)
    assert season.samples["inbreeding"].dtype == np.float64
    assert season.markers is None
    assert season.corrections is None


def test_derived_columns() -> None:
    crosses = read_season(BASE, today=TODAY).crosses
    assert crosses["hour"].tolist() == [9.5, 10.25]
    # ISO 8601: 4 June 2031 is the Wednesday of week 23.
    assert crosses["week"].tolist() == ["2031-W23", "2031-W23"]
    assert dt.date.fromisocalendar(2031, 23, 3) == dt.date(2031, 6, 4)
    assert crosses["_row"].tolist() == [2, 3]


def test_what_is_not_given_is_empty(season_folder: Path) -> None:
    (season_folder / "crosses.csv").write_text(
        "cross_id,mother,father\nX001,Lark,Wren\nX002,Wren,Lark\n", encoding="utf-8"
    )
    season = read_season(season_folder, today=TODAY)
    assert season.problems == ()
    row = season.crosses.iloc[0]
    assert (row["date"], row["time"], row["operator"], row["week"]) == ("", "", "", "")
    assert np.isnan(row["hour"])
    assert row["flowers"] == 1
    assert pd.isna(row["pods"])
    assert row["target_hybrids"] == 4
    assert set(CROSSES.names) - {"cross"} <= set(season.crosses.columns)


def test_a_plant_is_called_after_its_sample_where_no_name_is_given() -> None:
    samples = read_season(BASE, today=TODAY).samples
    assert samples["plant"].tolist() == ["S01", "S02", "X001-1", "X002-1", "X002-2", "S06"]
    assert samples["well"].tolist() == ["A1", "B1", "C1", "D1", "E1", "F1"]


def test_columns_of_several_sheets_are_joined_by_name(season_folder: Path) -> None:
    (season_folder / "samples" / "plate2.tsv").write_text(
        "role\tSample-ID\tBench No\tcross_id\tplate\twell\nprogeny\tT1\t4b\tX001\tplate2\tA01\n",
        encoding="utf-8",
    )
    text = (season_folder / "config.yaml").read_text(encoding="utf-8")
    (season_folder / "config.yaml").write_text(text.replace("samples/*.csv", "samples/*"), encoding="utf-8")
    samples = read_season(season_folder, today=TODAY).samples
    assert samples["Bench No"].tolist() == [""] * 6 + ["4b"]
    last = samples.iloc[-1]
    assert (last["sample_id"], last["well"], last["_file"], last["_row"]) == (
        "T1",
        "A1",
        "samples/plate2.tsv",
        2,
    )


def test_markers_are_typed(season_folder: Path) -> None:
    (season_folder / "markers.csv").write_text(
        "Marker,Pos,Inheritance\nM01,120,\nM02,,Maternal\n", encoding="utf-8"
    )
    markers = read_season(season_folder, today=TODAY).markers
    assert markers is not None
    assert markers["inheritance"].tolist() == ["nuclear", "maternal"]
    assert markers["pos"].tolist() == [120, pd.NA]
    assert markers["alleles"].tolist() == ["", ""]


def test_a_season_can_be_named_by_its_config_file() -> None:
    by_file, by_folder = read_season(BASE / "config.yaml", today=TODAY), read_season(BASE, today=TODAY)
    pd.testing.assert_frame_equal(by_file.crosses, by_folder.crosses)


def test_a_season_survives_pickling() -> None:
    season = read_season(BASE, today=TODAY)
    again = pickle.loads(pickle.dumps(season))
    pd.testing.assert_frame_equal(again.samples, season.samples)
    assert again.config == season.config


def test_problems_are_in_one_order_and_once() -> None:
    late, early = warning("b.csv", "p", "r", row=1), warning("a.csv", "p", "r", row=9)
    assert sort_problems([late, early, late]) == (early, late)
    season = replace(read_season(BASE, today=TODAY), problems=(early, late))
    assert season.errors == ()


def test_a_problem_of_every_row_is_listed_up_to_a_limit_and_then_counted(
    season_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(problems, "MOST", 100)
    rows = "".join(f"X{i:03d},Lark,Wren,45123\n" for i in range(1, 151))
    (season_folder / "crosses.csv").write_text("cross_id,mother,father,date\n" + rows, encoding="utf-8")
    found = read_season(season_folder, today=TODAY).errors
    assert len(found) == 101
    assert found[0].problem.startswith("50 more rows have this problem")


def test_order_of_rows_decides_only_the_order_of_rows(season_folder: Path) -> None:
    path = season_folder / "samples" / "plate1.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    before = read_season(season_folder, today=TODAY).samples
    path.write_text("\n".join([header, *reversed(rows)]) + "\n", encoding="utf-8")
    after = read_season(season_folder, today=TODAY).samples
    columns = [c for c in before.columns if c != "_row"]
    pd.testing.assert_frame_equal(after[columns].iloc[::-1].reset_index(drop=True), before[columns])


@pytest.mark.slow
def test_a_thousand_sheets_and_ten_thousand_crosses_in_ten_seconds(tmp_path: Path) -> None:
    """The bound is the team's own requirement; seconds of processor time."""
    (tmp_path / "samples").mkdir()
    (tmp_path / "g.csv").write_text("x", encoding="utf-8")
    (tmp_path / "config.yaml").write_text(
        "crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes: [{batch: B1, path: g.csv}]\n",
        encoding="utf-8",
    )
    crosses = [
        f"X{i:05d},L{i % 200},L{(i * 7 + 1) % 200 + (i % 200 == (i * 7 + 1) % 200)},2031-06-{i % 28 + 1:02d},"
        f"{i % 10 + 8:02d}:30,P{i % 9},3,2,200,24.5,10"
        for i in range(10_000)
    ]
    header = "cross_id,mother,father,date,time,operator,flowers,pods,seeds,temperature_c,anthers_removed"
    (tmp_path / "crosses.csv").write_text("\n".join([header, *crosses]) + "\n", encoding="utf-8")
    for p in range(1000):
        rows = ["sample_id,plate,well,role,line,cross_id,pod,bench"]
        for w in range(96):
            well = f"{'ABCDEFGH'[w // 12]}{w % 12 + 1}"
            what = f"parent,L{(p * 2 + w) % 201},," if w < 2 else f"progeny,,X{(p * 10 + w // 10):05d},1"
            rows.append(f"S{p}_{w},plate{p},{well},{what},b{w}")
        (tmp_path / "samples" / f"p{p:04d}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    start = time.process_time()
    season = read_season(tmp_path, today=TODAY)
    calls = check_calls(season, {"B1": tuple(season.samples["sample_id"])})
    seconds = time.process_time() - start
    assert len(season.samples) == 96_000
    assert [p for p in season.problems if p.severity is Severity.ERROR] == []
    assert calls == []
    assert seconds < 10
