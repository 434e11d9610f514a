"""Odd arguments to every command, plans of odd seasons: one message that says what to do, no traceback."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from odd_seasons import MARKERS, Odd, base, call, cross, write

from crossproof.cli import main

VERDICTS = (
    "sample_id,batch,cross_id,plant,verdict,p_hybrid,p_self,p_outcross,p_off_pedigree\n"
    "P1,B01,X001,P1,hybrid,1,0,0,0\nP2,B01,X001,P2,self,0,1,0,0\n"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season that was not run, one with verdicts, a file that is no folder, an empty folder."""
    folder = tmp_path_factory.mktemp("arguments")
    write(folder / "season", base())
    judged = write(folder / "judged", base())
    (judged / "results").mkdir()
    (judged / "results" / "verdicts.csv").write_text(VERDICTS, encoding="utf-8")
    (folder / "file.txt").write_text("nothing in particular\n", encoding="utf-8")
    (folder / "empty").mkdir()
    return folder


CASES: dict[str, tuple[str, ...]] = {
    # arguments, and what must be said of the fault and of the remedy
    "chek season": ("There is no command 'chek'", "Did you mean check?"),
    "qqq": ("There is no command 'qqq'", "There are: book, check, "),
    "--qqq": ("No such option", "--help"),
    "run": ("Missing argument 'DIR'", "--help"),
    "run season --core-count 2": ("No such option", "--cores"),
    "run seson": ("There is no folder 'seson'", "Did you mean season?"),
    "run qqq": ("There is no folder 'qqq'", "crossproof new qqq"),
    "run qqq/rrr": ("There is no folder 'qqq/rrr'", "crossproof new qqq/rrr"),
    "run empty": ("holds no config.yaml", "Name the season folder"),
    "run file.txt": ("neither a season folder nor its config.yaml", "Name the season folder"),
    "run season/crosses.csv": ("neither a season folder nor its config.yaml", "Name the season folder"),
    "run season season": ("unexpected extra argument", "--help"),
    "run season --cores 0": ("'--cores': 0 is not in the range x>=1", "--help"),
    "run season --cores -3": ("'--cores': -3 is not in the range x>=1", "--help"),
    "run season --cores many": ("'--cores': 'many' is not", "--help"),
    "run season --profile qqq": ("There is no profile of this name", "default, slurm, workstation"),
    "run season --profile file.txt": ("There is no profile of this name", "Give the folder of a profile"),
    "check seson": ("There is no folder 'seson'", "Did you mean season?"),
    "check file.txt": ("neither a season folder nor its config.yaml", "Name the season folder"),
    "plan seson": ("There is no folder 'seson'", "Did you mean season?"),
    "plan file.txt": ("neither a season folder nor its config.yaml", "Name the season folder"),
    "plan season --cores 0": ("'--cores': 0 is not in the range x>=1", "--help"),
    "explain season P1": ("There are no verdicts yet", "crossproof run"),
    "explain season": ("Missing argument 'THING'", "--help"),
    "explain qqq P1": ("There is no folder 'qqq'", "crossproof new qqq"),
    "score season": ("Missing argument 'TRUTH'", "--help"),
    "score season qqq.csv": ("'qqq.csv' does not exist", "--help"),
    "score season season": ("'season' is a directory", "--help"),
    "score season season/samples/plate1.csv": ("There are no verdicts yet", "crossproof run season"),
    "score judged season/crosses.csv": ("column truth is missing", "has sample_id and truth"),
    "fetch": ("Missing argument 'URL'", "--help"),
    "fetch no_address out": ("This is not an http or https address", "Write it like https://"),
    "fetch ftp://x/y out": ("This is not an http or https address", "Write it like https://"),
    "fetch https:// out": ("This is not an http or https address", "Write it like https://"),
    "fetch http://[::1 out": ("This is not an http or https address", "Write it like https://"),
    "fetch https://127.0.0.1:99999/x out": ("not a number from 0 to 65535", "Correct the address"),
    "fetch http://127.0.0.1:9/brapi/v2 out": ("No server answers", "Check the address and the port"),
    "fetch http://127.0.0.1:9/x out --page-size 0": ("0 is not in the range x>=1", "--help"),
    "publish season": ("There are no results to publish", "crossproof run"),
    "publish qqq": ("There is no folder 'qqq'", "crossproof new qqq"),
    "publish file.txt": ("neither a season folder nor its config.yaml", "Name the season folder"),
    "export-vcf season": ("There are no results to export", "crossproof run"),
    "export-vcf qqq": ("There is no folder 'qqq'", "crossproof new qqq"),
    "new season": ("The folder is not empty", "Choose the name of a new folder"),
    "new file.txt": ("There is already a file of this name", "Choose the name of a new folder"),
    "new file.txt/x": ("There is a file where a folder is needed", "Move the file away"),
    "simulate out --preset qqq": ("no preset 'qqq'", "clean60"),
    "simulate out --seed -1": ("'--seed': -1 is not in the range", "--help"),
    "simulate season": ("is there already", "a new folder"),
    "simulate file.txt": ("There is a file where a folder is needed", "Move the file away"),
}  # fmt: skip


def invoke(*arguments: str) -> Result:
    """The command in this process; only an exit, no other exception, may come out of it."""
    done = CliRunner().invoke(main, list(arguments))
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
    assert "Traceback" not in done.output
    assert "internal error of crossproof" not in done.output
    return done


@pytest.mark.parametrize("line", CASES)
def test_odd_arguments(line: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    before = sorted(p for p in folder.rglob("*") if ".crossproof" not in p.parts)
    done = invoke(*line.split(" "))
    assert done.exit_code == 2, done.output
    for words in CASES[line]:
        assert words in done.output
    told = done.output.count("How to fix it:") or done.output.count("\nError: ")
    # A table of which two columns are missing is told of each.
    assert told == (2 if line == "score judged season/crosses.csv" else 1), done.output
    # The index of inputs is kept, so that the next command need not read them again.
    after = sorted(p for p in folder.rglob("*") if ".crossproof" not in p.parts)
    assert after == before


@pytest.mark.parametrize(
    ("asked", "hint"),
    [
        ("p1", "Did you mean P1"),
        ("P11", "Did you mean P1"),
        ("X001", "This is a cross; its plants are P1, P2."),
        ("entirely else", "verdicts.csv lists every plant"),
    ],
)
def test_a_plant_that_is_not_there(asked: str, hint: str, folder: Path) -> None:
    import pandas as pd

    from crossproof.errors import UsageError
    from crossproof.report.content.explain import find_plant

    verdicts = pd.read_csv(folder / "judged" / "results" / "verdicts.csv")
    with pytest.raises(UsageError) as refused:
        find_plant(verdicts, asked)
    (problem,) = refused.value.problems
    assert problem.value == asked
    assert hint in problem.remedy


# --- plans -------------------------------------------------------------------------------------------------


def without(odd: Odd, kept: Callable[[str, str], bool]) -> Odd:
    return replace(odd, wells=tuple(w for w in odd.wells if kept(w.role, w.line)))


PLANS: dict[str, tuple[Odd, Callable[[str, int], str]]] = {
    "no marker sheet, nothing crossed yet": (without(base(), lambda role, line: role == "parent"), call),
    "one line": (
        replace(without(base(), lambda role, line: line != "Wren"), crosses=(cross(father=""),)), call,
    ),
    "no parents typed": (without(base(), lambda role, line: role != "parent"), call),
    "crosses of lines never typed": (
        replace(base(), crosses=(cross(), cross("X002", "Nobody", "Noone"), cross("X003", "Lark", "Noone"))),
        call,
    ),
    "empty crosses sheet": (replace(without(base(), lambda role, line: role == "parent"), crosses=()), call),
    "one marker": (replace(base(), markers=MARKERS[:1]), call),
    "no marker differs": (base(), lambda kind, marker: "A/A"),
}  # fmt: skip
"""None of them has settings for planning in config.yaml."""


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANS)
def test_plan_of_an_odd_season(name: str, tmp_path: Path) -> None:
    odd, calls = PLANS[name]
    season = write(tmp_path / "season", odd, calls)
    done = invoke("plan", str(season))
    assert done.exit_code == 0, done.output
    with (season / "results" / "plan" / "plan_crosses.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    # Crosses of the season or proposed ones, of lines that are on record.
    lines = {w.line for w in odd.wells} | {c[side] for c in odd.crosses for side in ("mother", "father")}
    assert {r[side] for r in rows for side in ("mother", "father")} <= lines
    page = (season / "results" / "plan" / "plan.html").read_text(encoding="utf-8")
    assert page.rstrip().endswith("</html>")
    assert "nan" not in {cell for r in rows for cell in r.values()}


@pytest.mark.slow
def test_cores_beyond_all_machines(tmp_path: Path) -> None:
    season = write(tmp_path / "season", base())
    done = invoke("run", str(season), "--cores", "999999999999999999999")
    assert done.exit_code == 0, done.output
