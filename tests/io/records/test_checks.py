"""Cross-references between sheets, and from the sheets to the genotype files."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from season_builder import BASE, TODAY

from crossproof.errors import Problem, Severity
from crossproof.io.records.checks import _cycles, check_calls
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season

ALL = ("S01", "S02", "S03", "S04", "S05", "S06")


@pytest.fixture
def season_folder(tmp_path: Path) -> Path:
    shutil.copytree(BASE, tmp_path / "season")
    return tmp_path / "season"


def change(folder: Path, name: str, *pairs: tuple[str, str]) -> Season:
    path = folder / name
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return read_season(folder, today=TODAY)


def short(problems: list[Problem]) -> list[tuple[str, str, int | None, str, str]]:
    return [(str(p.severity), p.file, p.row, p.column, p.value) for p in problems]


def test_a_season_that_fits_has_no_problem() -> None:
    season = read_season(BASE, today=TODAY)
    assert season.problems == ()
    assert check_calls(season, {"B01": ALL}) == []


def test_a_progeny_sample_missing_from_its_file_is_a_warning(season_folder: Path) -> None:
    found = check_calls(read_season(season_folder, today=TODAY), {"B01": ("S01", "S02", "S03", "S04", "S06")})
    assert short(found) == [("warning", "samples/plate1.csv", 6, "sample_id", "S05")]
    assert "genotypes/plate1.csv" in found[0].problem


def test_a_blank_need_not_be_in_the_file() -> None:
    assert check_calls(read_season(BASE, today=TODAY), {"B01": ALL[:5]}) == []


def test_a_name_spelt_otherwise_in_the_file_is_an_error_with_the_spelling() -> None:
    found = check_calls(read_season(BASE, today=TODAY), {"B01": (*ALL[:4], "s05", "S06")})
    assert [p.severity for p in found] == [Severity.ERROR, Severity.WARNING]
    assert found[0].remedy.startswith("Did you mean 's05'?")
    assert found[1].value == "s05"  # in no sheet


def test_zeros_that_got_lost_in_the_file_are_recognised() -> None:
    found = check_calls(read_season(BASE, today=TODAY), {"B01": (*ALL[:4], "S5", "S06")})
    assert found[0].remedy.startswith("Did you mean 'S5'?")


def two_batches(folder: Path) -> Season:
    (folder / "genotypes" / "plate2.csv").write_text("x", encoding="utf-8")
    change(folder, "samples/plate1.csv", (",B01,", ",,"))
    return change(
        folder,
        "config.yaml",
        ("layout: wide}", "layout: wide}\n  - {batch: B02, path: genotypes/plate2.csv}"),
    )


def test_a_name_in_two_files_needs_a_batch(season_folder: Path) -> None:
    found = check_calls(two_batches(season_folder), {"B01": ALL, "B02": ("S03",)})
    assert short(found) == [("error", "samples/plate1.csv", 4, "batch", "S03")]
    assert "B01 (genotypes/plate1.csv), B02 (genotypes/plate2.csv)" in found[0].problem


def test_a_sample_that_only_another_batch_holds_is_pointed_to_it(season_folder: Path) -> None:
    two_batches(season_folder)
    season = change(season_folder, "samples/plate1.csv", ("S05,", "S05,B01"))
    found = check_calls(season, {"B01": ("S01", "S02", "S03", "S04", "S06"), "B02": ("S05",)})
    row = next(p for p in found if p.row == 6)
    assert row.severity is Severity.ERROR
    assert "Write B02 in the column batch" in row.remedy


def test_wells_of_a_file_that_could_not_be_read_are_passed_over(season_folder: Path) -> None:
    assert check_calls(read_season(season_folder, today=TODAY), {}) == []
    assert check_calls(two_batches(season_folder), {"B01": ALL[:4]}) == []


def test_samples_in_no_sheet_are_counted(season_folder: Path) -> None:
    found = check_calls(
        read_season(season_folder, today=TODAY), {"B01": (*ALL, *(f"Q{i}" for i in range(9)))}
    )
    assert short(found) == [("warning", "genotypes/plate1.csv", None, "", "Q0, Q1, Q2, Q3, Q4 …")]
    assert found[0].problem.startswith("9 of the 15 samples of batch B01")


def test_a_file_that_shares_no_name_with_its_sheet_is_an_error(season_folder: Path) -> None:
    found = check_calls(read_season(season_folder, today=TODAY), {"B01": ("Q1", "Q2")})
    whole = [p for p in found if p.file == "genotypes/plate1.csv"]
    assert [p.severity for p in whole] == [Severity.ERROR]
    assert "None of the 2 samples" in whole[0].problem


def test_parents_without_calls_are_named_with_what_follows(season_folder: Path) -> None:
    found = check_calls(read_season(season_folder, today=TODAY), {"B01": ("S02", "S03", "S04", "S05")})
    assert ("warning", "crosses.csv", 2, "mother", "Lark") in short(found)
    assert ("warning", "crosses.csv", 3, "father", "Lark") not in short(found), "said once"
    mother = next(p for p in found if p.column == "mother")
    assert "judged by the father" in mother.problem


def test_a_replicate_with_calls_is_enough_for_a_parent(season_folder: Path) -> None:
    season = change(
        season_folder,
        "samples/plate1.csv",
        ("S06,B01,plate1,F1,blank,,", "S06,B01,plate1,F1,blank,,,,,\nS07,B01,plate1,G1,parent,Lark,"),
    )
    found = check_calls(season, {"B01": ("S02", "S03", "S04", "S05", "S07")})
    assert [p.column for p in found] == ["sample_id"]


def test_crosses_without_plants_and_spare_lines_are_notes(season_folder: Path) -> None:
    season = change(
        season_folder,
        "samples/plate1.csv",
        ("progeny,,X001,1,X001-1", "parent,Robin,,,"),
    )
    notes = [p for p in season.problems if p.severity is Severity.NOTE]
    assert [(p.file, p.value) for p in notes] == [("crosses.csv", "X001"), ("samples/plate1.csv", "Robin")]
    assert notes[0].problem.startswith("1 of 2 crosses has no plant")


def test_lines_that_look_alike_and_are_both_genotyped_are_warned_of(season_folder: Path) -> None:
    season = change(
        season_folder, "samples/plate1.csv", ("S06,B01,plate1,F1,blank,,", "S06,B01,plate1,F1,parent,lark,")
    )
    found = [p for p in season.problems if p.severity is Severity.WARNING]
    assert [(p.column, p.value) for p in found] == [("line", "lark")]
    assert "differs from 'Lark' by capital letters only" in found[0].problem


def test_a_line_and_the_cross_it_comes_from_are_no_cycle(season_folder: Path) -> None:
    season = change(season_folder, "crosses.csv", ("X002,Wren,Lark", "X002,X001,Lark"))
    assert season.errors == ()


@given(st.dictionaries(st.integers(0, 7), st.lists(st.integers(0, 7), max_size=2), max_size=8))
def test_cycles_are_found_exactly_where_there_are_any(graph: dict[int, list[int]]) -> None:
    """Against the definition: a node lies on a cycle if it reaches itself."""
    parents = {str(k): [str(p) for p in ps if p in graph] for k, ps in graph.items()}
    reach = {k: set(ps) for k, ps in parents.items()}
    for _ in parents:
        reach = {k: r.union(*(reach[x] for x in r)) for k, r in reach.items()}
    found = _cycles(parents)
    assert bool(found) == any(k in r for k, r in reach.items())
    for cycle in found:
        turned = [*cycle[1:], cycle[0]]
        assert all(following in parents[node] for node, following in zip(cycle, turned, strict=True))


def test_a_long_chain_of_crosses_does_not_exhaust_the_stack() -> None:
    chain = {str(i): [str(i + 1)] for i in range(20_000)} | {"20000": []}
    assert _cycles(chain) == []
    assert len(_cycles({**chain, "20000": ["0"]})[0]) == 20_001
