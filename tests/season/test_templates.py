"""A new season folder passes its own checks, explains itself, and never overwrites anything."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from crossproof.errors import UsageError
from crossproof.io.records.checks import check_calls
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CROSSES, MARKERS, SAMPLES
from crossproof.model.declaration import SETTINGS
from crossproof.season.templates import new_season


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    new_season(tmp_path / "my season")
    return tmp_path / "my season"


def calls(folder: Path) -> dict[str, list[str]]:
    with (folder / "genotypes" / "plate1.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    return {row[0]: row[1:] for row in rows[1:]}


def test_a_new_season_has_no_problem_at_all(folder: Path) -> None:
    season = read_season(folder)
    assert season.problems == ()
    assert check_calls(season, {"B01": tuple(calls(folder))}) == []


def test_the_example_is_a_hybrid_of_its_parents(folder: Path) -> None:
    """By definition: at every marker one allele of each parent."""
    season = read_season(folder)
    table = calls(folder)
    role = dict(zip(season.samples["sample_id"], season.samples["role"], strict=True))
    line = dict(zip(season.samples["line"], season.samples["sample_id"], strict=True))
    mother, father = (table[line[season.crosses.iloc[0][p]]] for p in ("mother", "father"))
    (child,) = (s for s, r in role.items() if r == "progeny")
    (blank,) = (s for s, r in role.items() if r == "blank")
    contrast = 0
    for m, f, c in zip(mother, father, table[child], strict=True):
        assert c.split("/") == [m[0], f[0]]
        contrast += m != f
    assert contrast == 9
    assert set(table[blank]) == {"-"}
    assert list(role.values()).count("parent") == 4


@pytest.mark.parametrize(
    ("name", "table", "left_out"),
    [
        ("crosses.csv", CROSSES, {"cross"}),
        ("samples/plate1.csv", SAMPLES, set()),
        ("markers.csv", MARKERS, set()),
    ],
)
def test_each_sheet_explains_each_column(folder: Path, name: str, table, left_out: set[str]) -> None:
    lines = (folder / name).read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    header = next(line for line in lines if not line.startswith("#"))
    assert header.split(",") == [c for c in table.names if c not in left_out]
    for column in header.split(","):
        assert any(line.startswith(f"# {column}") for line in comments)
    assert not any(sign in line for line in comments for sign in ',;"\t')


def test_the_config_explains_each_setting(folder: Path) -> None:
    lines = (folder / "config.yaml").read_text(encoding="utf-8").splitlines()
    for setting in SETTINGS:
        place = next(i for i, line in enumerate(lines) if line.lstrip("#").startswith(f"{setting.name}:"))
        assert lines[place - 1].startswith("# "), setting.name


def test_a_sheet_saved_by_a_spreadsheet_still_reads(folder: Path) -> None:
    """Spreadsheets pad every line to the same width and may put comments in quotes."""
    path = folder / "crosses.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    width = lines[-1].count(",")
    padded = [f'"{line}"' + ";" * width if line.startswith("#") else line.replace(",", ";") for line in lines]
    path.write_text("\r\n".join(padded) + "\r\n", encoding="utf-8-sig")
    season = read_season(folder)
    assert season.problems == ()
    assert season.crosses["cross_id"].tolist() == ["X001"]


@pytest.mark.parametrize("kind", ["file", "full folder"])
def test_nothing_is_overwritten(tmp_path: Path, kind: str) -> None:
    place = tmp_path / "season"
    if kind == "file":
        place.write_text("mine", encoding="utf-8")
    else:
        place.mkdir()
        (place / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="Nothing was written"):
        new_season(place)
    mine = place if kind == "file" else place / "mine.txt"
    assert mine.read_text(encoding="utf-8") == "mine"
    assert len(list(tmp_path.rglob("*"))) == (1 if kind == "file" else 2)


def test_an_empty_folder_may_be_filled(tmp_path: Path) -> None:
    written = new_season(tmp_path)
    assert [p.relative_to(tmp_path).as_posix() for p in written] == [
        *("config.yaml", "crosses.csv", "samples/plate1.csv", "markers.csv", "corrections.csv"),
        "genotypes/plate1.csv",
        "genotypes/README.txt",
    ]


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no /proc here: a place that takes no folders")
def test_a_place_where_no_folder_can_be_made_is_said() -> None:
    with pytest.raises(UsageError, match="No folder can be created here"):
        new_season(Path("/proc/no_such_process/season"))
