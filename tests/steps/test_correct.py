"""Answers to findings: what is said before anything is written, what is written, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.errors import InputError, UsageError
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, VerdictChange
from crossproof.model.results import Verdict
from crossproof.season.index import build_index
from crossproof.season.templates import new_season
from crossproof.steps.correct import list_findings, plan_answer, write_answer
from crossproof.steps.findings import FindingsOfSeason, write_findings

SWAPPED = Finding(
    FindingKind.TAGS_SWAPPED,
    Scope.CROSS,
    "plate1",
    "X001",
    "Plants tagged X001 fit X002, and the other way round.",
    "Compare tags and crossing book.",
    samples=("S05", "S06"),
    other="X002",
    hold=Hold.SAMPLES,
    corrections=(Correction(CorrectionKind.SWAP_TAGS, "X001", "X002"),),
    changes=tuple(VerdictChange(f"X00{i}-1", Verdict.OFF_PEDIGREE, Verdict.HYBRID) for i in (1, 2)),
)
NO_ROW = Finding(FindingKind.LOW_CALL_SAMPLE, Scope.SAMPLE, "plate1", "S05", "Few calls.", "Type it again.")
REMARK = Finding(FindingKind.CANNOT_SEE, Scope.PLATE, "plate1", "plate1", "Rows alike.", "", note=True)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """A season of two crosses with findings as the plate checks leave them."""
    folder = tmp_path / "season"
    new_season(folder)
    (folder / "corrections.csv").unlink(missing_ok=True)
    (folder / "crosses.csv").write_text(
        "cross_id,mother,father\nX001,Lark,Wren\nX002,Wren,Lark\n", encoding="utf-8"
    )
    sheet = folder / "samples" / "plate1.csv"
    sheets = list((folder / "samples").glob("*.csv"))
    sheet = sheets[0]
    sheet.write_text(
        "sample_id,plate,well,role,line,cross_id,plant\n"
        "S01,plate1,A1,parent,Lark,,\nS03,plate1,B1,parent,Wren,,\n"
        "S05,plate1,C1,progeny,,X001,X001-1\nS06,plate1,D1,progeny,,X002,X002-1\n",
        encoding="utf-8",
    )
    write_findings(build_index(folder), FindingsOfSeason((SWAPPED, NO_ROW, REMARK)))
    return folder


def refusal(folder: Path, name: str, dismiss: str | None = None) -> str:
    with pytest.raises(InputError) as caught:
        plan_answer(folder, name, dismiss)
    return " ".join(p.sentence() for p in caught.value.problems)


def test_it_says_first_what_will_change_by_name_of_plant(season: Path) -> None:
    words = " ".join(plan_answer(season, "tags-swapped:X001").words())
    assert "Tags X001 and X002 swapped: 1 sample and 1 sample re-labelled." in words
    assert "2\u00a0verdicts change: X001-1 from off pedigree to hybrid; X002-1 from off pedigree" in words
    assert not (season / "corrections.csv").exists(), "nothing is written by saying it"


def test_the_row_is_one_that_the_next_run_follows(season: Path) -> None:
    write_answer(plan_answer(season, "tags-swapped:X001"))
    assert (season / "corrections.csv").read_text(encoding="utf-8") == (
        "kind,target,other,detail,note\nswap tags,X001,X002,,accepted as proposed\n"
    )
    index = build_index(season)
    assert [c.partition(":")[0] for c in index.corrections] == ["swap tags | X001 | X002"]


def test_the_file_of_a_new_season_takes_the_row(season: Path, tmp_path: Path) -> None:
    new_season(tmp_path / "other")
    made = tmp_path / "other" / "corrections.csv"
    if made.exists():
        (season / "corrections.csv").write_bytes(made.read_bytes())
    write_answer(plan_answer(season, "tags-swapped:X001"))
    assert len(build_index(season).corrections) == 1


def test_rows_that_are_there_stay_byte_for_byte(season: Path) -> None:
    """A sheet as a spreadsheet saves it: mark, semicolons, own order of headings, no last line end."""
    before = "\ufeffNote;Kind;Target;other;checked by\r\nold;dismiss;X9;;Ana".encode()
    (season / "corrections.csv").write_bytes(before)
    write_answer(plan_answer(season, "x001"))
    assert (season / "corrections.csv").read_bytes() == (
        before + b"\r\naccepted as proposed;swap tags;X001;X002;\r\n"
    )


def test_a_dismissal_keeps_its_reason_and_ends_the_hold(season: Path) -> None:
    answer = plan_answer(season, "tags-swapped:X001", "tags checked by Ana, right")
    assert "released" in " ".join(answer.words())
    write_answer(answer)
    last = (season / "corrections.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last == 'dismiss,X001,,tags swapped,"tags checked by Ana, right"'
    assert build_index(season).dismissed == (("X001", "tags swapped"),)


def test_what_cannot_be_answered_is_refused_with_what_to_do(season: Path) -> None:
    assert "Did you mean tags-swapped:X001?" in refusal(season, "tags-swaped:X001")
    assert "crossproof correct" in refusal(season, "zzzz")
    assert "no row to propose" in refusal(season, "low-call-rate:S05")
    assert "A dismissal needs a reason." in refusal(season, "tags-swapped:X001", "  ")
    write_answer(plan_answer(season, "tags-swapped:X001"))
    assert "row 2: This finding is answered already." in refusal(season, "tags-swapped:X001")


def test_a_file_that_rows_cannot_be_added_to_is_left_alone(season: Path) -> None:
    for data in ("kind,target\n".encode("utf-16"), b"kind,target\n"):
        (season / "corrections.csv").write_bytes(data)
        try:
            answer = plan_answer(season, "tags-swapped:X001")
        except InputError:
            continue  # the reader refuses the file before
        with pytest.raises(UsageError):
            write_answer(answer)
        assert (season / "corrections.csv").read_bytes() == data


def test_several_findings_about_one_thing_have_to_be_told_apart(season: Path) -> None:
    other = replace(SWAPPED, kind=FindingKind.RECIPROCAL, corrections=())
    write_findings(build_index(season), FindingsOfSeason((SWAPPED, other)))
    assert "tags-swapped:X001, reciprocal-cross:X001" in refusal(season, "X001")


def test_before_the_first_run_there_is_nothing_to_answer(season: Path) -> None:
    build_index(season).folder.work("examine.json").unlink()
    assert "First run: crossproof run" in refusal(season, "X001")


def test_the_command_lists_asks_and_writes(season: Path) -> None:
    run = CliRunner().invoke
    listed = run(main, ["correct", str(season)])
    assert listed.output.splitlines() == [f"{f.name}  {f.evidence}" for f in list_findings(season)]
    assert "plate1" not in listed.output.replace("season", ""), "remarks ask for nothing"
    stopped = run(main, ["correct", str(season), "tags-swapped:X001"], input="n\n")
    assert stopped.exit_code == 130
    assert not (season / "corrections.csv").exists()
    done = run(main, ["correct", str(season), "tags-swapped:X001"], input="y\n")
    assert done.exit_code == 0, done.output
    assert "Row for corrections.csv: swap tags | X001 | X002" in done.output
    assert (season / "corrections.csv").exists()
