"""Mistakes through `crossproof check`: the remedy, followed to the letter, mends the season."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner
from odd_seasons import base, write

sys.path.insert(0, str(Path(__file__).parents[1] / "io"))

from crossproof.cli import main

CORPUS = Path(__file__).parents[1] / "bad_inputs"


def check(folder: Path) -> tuple[int, str]:
    """Exit status of `crossproof check` and what it says."""
    done = CliRunner().invoke(main, ["check", str(folder)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
    return done.exit_code, done.output


def change(name: str, old: str, new: str, count: int = 1) -> Callable[[Path], None]:
    """An edit of one file."""

    def edit(folder: Path) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text, (name, old)
        path.write_text(text.replace(old, new, count), encoding="utf-8", newline="")

    return edit


def bytes_of(name: str, old: bytes, new: bytes) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        path = folder / name
        data = path.read_bytes()
        assert old in data
        path.write_bytes(data.replace(old, new))

    return edit


def both(*edits: Callable[[Path], None]) -> Callable[[Path], None]:
    """Several edits, one after the other."""

    def edit(folder: Path) -> None:
        for one in edits:
            one(folder)

    return edit


def _renamed(folder: Path, old: str, new: str) -> None:
    (folder / old).rename(folder / new)


CROSSES, WELLS, CALLS, CONFIG = "crosses.csv", "samples/plate1.csv", "genotypes/plate1.csv", "config.yaml"

MISTAKES: dict[str, tuple[Callable[[Path], None], str, Callable[[Path], None]]] = {
    # what was done, words of the remedy that is shown, the remedy done
    "date day first": (change(CROSSES, "2026-06-04", "04.06.2026"), "2026-06-04",
                       change(CROSSES, "04.06.2026", "2026-06-04")),
    "time past midnight": (change(CROSSES, "09:30", "25:30"), "Write 01:30 here and the next day",
                           both(change(CROSSES, "25:30", "01:30"), change(CROSSES, "06-04", "06-05"))),
    "mother is father": (change(CROSSES, "Lark,Wren", "Lark,Lark"), "Correct the parents",
                         change(CROSSES, "Lark,Lark", "Lark,Wren")),
    "setting misspelt": (change(CONFIG, "crosses:", "min_posteriour: 0.9\ncrosses:"), "min_posterior",
                         change(CONFIG, "min_posteriour", "min_posterior")),
    "per cent for a share": (change(CONFIG, "crosses:", "min_posterior: 95\ncrosses:"), "0.95",
                             change(CONFIG, "min_posterior: 95", "min_posterior: 0.95")),
    "decimal comma in config": (change(CONFIG, "crosses:", "min_posterior: 0,95\ncrosses:"), "0.95",
                                change(CONFIG, "0,95", "0.95")),
    "genotype file misnamed": (change(CONFIG, "plate1.csv", "plate_1.csv"), "genotypes/plate1.csv",
                               change(CONFIG, "plate_1.csv", "plate1.csv")),
    "path typed on another system": (change(CONFIG, "genotypes/plate1.csv", "genotypes\\plate1.csv"),
                                     "forward slashes: genotypes/plate1.csv",
                                     change(CONFIG, "genotypes\\plate1.csv", "genotypes/plate1.csv")),
    "role misspelt": (change(WELLS, "progeny", "progny"), "progeny", change(WELLS, "progny", "progeny")),
    "well that no plate has": (change(WELLS, ",A1,", ",Z99,"), "A1", change(WELLS, ",Z99,", ",A1,")),
    "cross not on record": (change(CROSSES, "X001", "X01"), "X01", change(CROSSES, "X01", "X001")),
    "sample twice": (change(WELLS, "P2,", "P1,"), "", change(WELLS, "P1,B01,plate1,F1", "P2,B01,plate1,F1")),
    "call that is none": (change(CALLS, "A/G", "maybe"), "missing:", change(CALLS, "maybe", "A/G")),
    "lab's own missing code": (change(CALLS, "A/G", "Undet"), "missing:",
                               change(CONFIG, "crosses:", "missing: [Undet]\ncrosses:")),
    "date for a marker name": (change(CALLS, "M03", "1-Mar"), "format the cell as text",
                               change(CALLS, "1-Mar", "M03")),
    "marker twice": (change(CALLS, "M03", "M02"), "", change(CALLS, "M02,M02", "M02,M03")),
    "row cut off": (change(CALLS, ",A/G,C/T,G/A,T/C", ",A/G,C/T"), "",
                    change(CALLS, ",A/G,C/T", ",A/G,C/T,G/A,T/C")),
    "letters of another encoding": (bytes_of(CROSSES, b"Ana", b"Jos\xe9"), "UTF-8",
                                    bytes_of(CROSSES, b"Jos\xe9", "José".encode())),
    "table named, sheet missing": (lambda folder: _renamed(folder, WELLS, "samples/plate1.txt"), "",
                                   lambda folder: _renamed(folder, "samples/plate1.txt", WELLS)),
    "tab for an indent": (change(CONFIG, "  - {", "\t- {"), "no tabs", change(CONFIG, "\t- {", "  - {")),
    "Fahrenheit": (both(change(CROSSES, "operator", "temperature_c,operator"),
                        change(CROSSES, "Ana", "86,Ana")),
                   "30.0", change(CROSSES, "86,Ana", "30.0,Ana")),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_the_remedy_mends_it(name: str, tmp_path: Path) -> None:
    spoil, remedy, mend = MISTAKES[name]
    folder = write(tmp_path / "season", base())
    assert check(folder)[0] == 0
    spoil(folder)
    status, said = check(folder)
    assert status == 2, said
    assert "How to fix it:" in said
    assert remedy in said
    assert (folder / "results" / "problems.csv").is_file()
    mend(folder)
    status, said = check(folder)
    assert status == 0, said
    assert "error" not in said


def test_a_mistake_in_every_file_is_told_at_once(tmp_path: Path) -> None:
    folder = write(tmp_path / "season", base())
    for edit in (MISTAKES[n][0] for n in ("date day first", "role misspelt", "call that is none")):
        edit(folder)
    status, said = check(folder)
    assert status == 2
    for file in (CROSSES, WELLS, CALLS):
        assert file in said


# --- the whole corpus through the command --------------------------------------------------


@pytest.mark.slow
def test_no_bad_record_ends_in_a_traceback(tmp_path: Path) -> None:
    from season_builder import build_season

    cases = sorted(p.parent for p in (CORPUS / "records").glob("*/expected.yaml"))
    assert len(cases) > 150
    statuses = set()
    for case in cases:
        expected = yaml.safe_load((case / "expected.yaml").read_text(encoding="utf-8"))
        status, said = check(build_season(tmp_path / case.name, case, expected))
        assert status in (0, 2), (case.name, said)
        assert "Traceback" not in said, case.name
        assert "internal error of crossproof" not in said, case.name
        statuses.add(status)
    assert statuses == {0, 2}


@pytest.mark.slow
def test_no_bad_genotype_file_ends_in_a_traceback(tmp_path: Path) -> None:
    from genotype_cases import load_cases, make_file

    season = write(tmp_path / "season", base())
    change(CONFIG, ", layout: wide", "")(season)
    (tmp_path / "made").mkdir()
    for case in load_cases():
        made = make_file(case, tmp_path / "made")
        (season / CALLS).write_bytes(made.read_bytes())
        status, said = check(season)
        assert status in (0, 2), (case["name"], said)
        assert "Traceback" not in said, case["name"]
        assert "internal error of crossproof" not in said, case["name"]
