"""Numbers that size the work of a run are bounded: a mistyped cell is refused, the largest number is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from crossproof.errors import InputError
from crossproof.io.config.season_config import read_config
from crossproof.io.records.season_records import read_season
from crossproof.model.limits import MOST_FLOWERS, MOST_HYBRIDS_WANTED, MOST_SEEDS
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.planned import read_planned
from crossproof.season.templates import new_season

DATE = "20260518"
"""What stands in a cell that took the date of the column before it."""


def season_with(folder: Path, column: str, value: str) -> Path:
    new_season(folder)
    cells = {"flowers": "2", "pods": "1", "seeds": "4", "target_hybrids": "4", column: value}
    if column == "pods":
        cells["flowers"] = cells["seeds"] = value
    rows = [["cross_id", "mother", "father", *cells], ["X001", "Lark", "Wren", *cells.values()]]
    (folder / "crosses.csv").write_text("".join(",".join(r) + "\n" for r in rows), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("column", "most"),
    [("flowers", MOST_FLOWERS), ("pods", MOST_FLOWERS), ("target_hybrids", MOST_HYBRIDS_WANTED)],
)
def test_a_cell_beyond_the_bound_is_refused(tmp_path: Path, column: str, most: int) -> None:
    refused = read_season(season_with(tmp_path / "a", column, DATE)).errors
    assert {(p.row, p.column) for p in refused} >= {(2, column)}
    assert any(f"{most:,}" in p.problem for p in refused)
    assert read_season(season_with(tmp_path / "b", column, str(most))).errors == ()


def test_a_setting_beyond_the_bound_is_refused(tmp_path: Path) -> None:
    new_season(tmp_path / "a")
    config = tmp_path / "a" / "config.yaml"
    text = config.read_text(encoding="utf-8")
    config.write_text(f"{text}\ntarget_hybrids: {MOST_HYBRIDS_WANTED}\n", encoding="utf-8")
    assert read_config(config).target_hybrids == MOST_HYBRIDS_WANTED
    config.write_text(f"{text}\ntarget_hybrids: {DATE}\n", encoding="utf-8")
    with pytest.raises(InputError, match="target_hybrids"):
        read_config(config)


@pytest.mark.parametrize(
    ("column", "most"),
    [("target_hybrids", MOST_HYBRIDS_WANTED), ("flowers", MOST_FLOWERS), ("seeds", MOST_SEEDS)],
)
def test_a_wish_beyond_the_bound_is_refused(column: str, most: int) -> None:
    row = {"mother": "Lark", "father": "Wren"}
    _, problems = read_planned([row | {column: DATE}], [2], {"Lark", "Wren"}, PlanSettings())
    assert [p.column for p in problems] == [column]
    assert f"{most:,}" in problems[0].problem
    crosses, problems = read_planned([row | {column: str(most)}], [2], {"Lark", "Wren"}, PlanSettings())
    assert (len(crosses), list(problems)) == (1, [])
