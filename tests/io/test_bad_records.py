"""Every case of tests/bad_inputs/records is refused, warned of or read as its expected.yaml says.

All cases are invented. The expectations were written from the rules of the input contract, not from output.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from season_builder import BASE, CORPUS, TODAY, build_season

from crossproof.errors import InputError, Problem, Severity
from crossproof.io.records import read_season

CASES = sorted(p.parent for p in CORPUS.glob("*/expected.yaml"))
MENDED = [c for c in CASES if "\nmend:" in (c / "expected.yaml").read_text(encoding="utf-8")]


def expectation(case: Path) -> dict[str, Any]:
    return yaml.safe_load((case / "expected.yaml").read_text(encoding="utf-8"))


def problems_of(folder: Path) -> tuple[Problem, ...]:
    try:
        return read_season(folder, today=TODAY).problems
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
