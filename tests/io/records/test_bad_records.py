"""Every case of tests/bad_inputs/records is refused, warned of or read as its expected.yaml says.

All cases are invented. The expectations were written from the rules of the input contract, not from output.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from season_builder import BASE, CORPUS, TODAY, build_season

from crossproof.errors import InputError, Problem, Severity
from crossproof.io.records.season_records import read_season

CASES = sorted(p.parent for p in CORPUS.glob("*/expected.yaml"))
MENDED = [c for c in CASES if "\nmend:" in (c / "expected.yaml").read_text(encoding="utf-8")]


def expectation(case: Path) -> dict[str, Any]:
    return yaml.safe_load((case / "expected.yaml").read_text(encoding="utf-8"))


def problems_of(folder: Path) -> tuple[Problem, ...]:
    try:
        season = read_season(folder, today=TODAY)
        # A genotype file that is not there is set aside when it is to be read; the records go on.
        absent = [g.absent for g in season.config.genotypes if g.absent is not None]
        return (*season.problems, *absent)
    except InputError as refusal:
        return refusal.problems


def fits(problem: Problem, expected: dict[str, Any]) -> bool:
    return (
        problem.severity == expected["severity"]
        and problem.file == expected["file"]
        and problem.row == expected["row"]
        and problem.column == expected["column"]
        and expected["problem"] in problem.problem
        and expected["remedy"] in problem.remedy
    )


def test_corpus_has_the_cases_promised() -> None:
    assert len(CASES) >= 60
    assert len(MENDED) >= 10


def test_base_season_reads_without_a_remark() -> None:
    assert read_season(BASE, today=TODAY).problems == ()


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_case(case: Path, tmp_path: Path) -> None:
    expected = expectation(case)
    folder = build_season(tmp_path / "season", case, expected)
    found = [p for p in problems_of(folder) if p.severity is not Severity.NOTE]
    missing = [e for e in expected.get("problems", ()) if not any(fits(p, e) for p in found)]
    surplus = [p.sentence() for p in found if not any(fits(p, e) for e in expected.get("problems", ()))]
    assert not missing, f"not found: {missing}\nfound: {[p.sentence() for p in found]}"
    assert not surplus, "not expected"
    assert all(p.remedy for p in found), "a problem without a remedy"
    notes = [p.problem for p in problems_of(folder) if p.severity is Severity.NOTE]
    for text in expected.get("notes", ()):
        assert any(text in note for note in notes), notes
    for reading in expected.get("reads", ()):
        season = read_season(folder, today=TODAY)
        if "config" in reading:
            assert list(getattr(season.config, reading["config"])) == reading["value"]
            continue
        row = getattr(season, reading["table"]).iloc[reading["row"]]
        for column, value in reading["values"].items():
            assert row[column] == value, column


@pytest.mark.parametrize("case", MENDED, ids=lambda c: c.name)
def test_remedy_followed_literally_mends_the_season(case: Path, tmp_path: Path) -> None:
    expected = expectation(case)
    folder = build_season(tmp_path / "season", case, expected)
    for edit in expected["mend"]:
        path = folder / edit["file"]
        text = path.read_text(encoding="utf-8")
        assert edit["old"] in text
        path.write_text(text.replace(edit["old"], edit["new"], 1), encoding="utf-8")
    left = [p.sentence() for p in problems_of(folder) if p.severity is not Severity.NOTE]
    assert left == []
    assert isinstance(read_season(folder, today=TODAY).crosses, pd.DataFrame)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_text_in_any_cell_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever is typed into a cell ends as the reading or as a problem of that sheet, never as a crash."""
    folder = tmp_path_factory.getbasetemp() / "fuzzed"
    if not folder.exists():
        build_season(folder, BASE, {})
    name = data.draw(st.sampled_from(["crosses.csv", "samples/plate1.csv"]))
    text = (BASE / name).read_text(encoding="utf-8")
    rows = list(csv.reader(io.StringIO(text)))
    row = data.draw(st.integers(1, len(rows) - 1))
    column = data.draw(st.integers(0, len(rows[0]) - 1))
    odd = st.sampled_from(["1e999", "-0", "٣", "²", "9" * 400, "=", "/", "A1", "99:99", "0000-00-00", "#"])
    rows[row][column] = data.draw(odd | st.text(st.characters(exclude_categories=("Cs",)), max_size=12))
    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows(rows)
    (folder / name).write_text(out.getvalue(), encoding="utf-8", newline="")
    try:
        season = read_season(folder, today=TODAY)
    finally:
        (folder / name).write_text(text, encoding="utf-8")
    assert all(p.remedy and p.problem for p in season.problems)
    if not season.errors:
        frame = season.crosses if name == "crosses.csv" else season.samples
        assert frame.iloc[row - 1, frame.columns.get_loc("_row")] >= row + 1
