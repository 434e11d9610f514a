"""Mistakes made on the way from the tag to the bench, each caught; docs/bench.md lists them.

One invented season is carried as far as each mistake needs; then the mistake is made, and the command
that has to catch it is given.
"""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import bench_nature as nature
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.io.records.season_records import read_season
from crossproof.io.results.tables import write_table
from crossproof.model.tag_numbers import TagNumber
from crossproof.steps.in_memory import judged_in_memory
from crossproof.steps.rates import rate_tables

DOCS = Path(__file__).parents[2] / "docs" / "bench.md"
TAG = [str(TagNumber(nature.SEASON, i)) for i in range(1, 7)]


def say(*words: object) -> tuple[int, str]:
    """Exit status and output of a command, as one line."""
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, " ".join(done.output.split())


@dataclass(frozen=True)
class Stages:
    """Copies of the season: with printed book, with harvest, sampled, with calls, judged."""

    folder: Path

    def copy(self, stage: str, to: Path) -> Path:
        shutil.copytree(self.folder / stage, to)
        return to


@pytest.fixture(scope="module")
def stages(tmp_path_factory) -> Stages:
    base = tmp_path_factory.mktemp("stages")

    def keep(name: str) -> None:
        shutil.copytree(season, base / name)

    season = base / "season"
    assert say("new", season)[0] == 0
    nature.begin(season)
    assert say("tags", season)[0] == 0
    assert say("book", season)[0] == 0
    keep("book")
    nature.cross_and_harvest(season)
    assert say("check", season)[0] == 0
    keep("harvest")
    assert say("sample", season, "--house", "house 1")[0] == 0
    keep("sampled")
    calls = nature.Nature(season).send(base / "plate.csv")
    assert say("receive", season, calls)[0] == 0
    keep("calls")
    judge(season)
    keep("judged")
    return Stages(base)


def judge(season: Path):
    """Verdicts and findings, without starting a workflow; the tables that later commands read are written."""
    judged = judged_in_memory(read_season(season))
    tables = rate_tables(judged.read.crosses, judged.read.samples, judged.frame, judged.read.season.config)
    write_table(season / "results" / "verdicts.csv", judged.frame)
    write_table(season / "results" / "crosses.csv", tables["crosses"])
    return judged


# ---- the book: caught by check ----------------------------------------------------------------------------


def in_book(season: Path, slip: nature.Slip) -> tuple[int, str]:
    nature.cross_and_harvest(season, slip)
    return say("check", season)


def one(number: int, **cells: object) -> nature.Slip:
    """A slip in one row of the book."""

    def slip(row: dict[str, object], at: int) -> None:
        if at == number:
            row.update(cells)

    return slip


def misread(tag: str) -> str:
    """The tag with a wrong digit."""
    return tag[:3] + str((int(tag[3]) + 3) % 10) + tag[4:]


BOOK: dict[str, tuple[nature.Slip, int, str]] = {
    "a digit of a tag misread": (one(1, cross_id=misread(TAG[1])), 2, "its check letter does not fit"),
    "one tag written in two rows": (one(2, cross_id=TAG[0]), 2, "appears twice"),
    "a tag left over from another season": (
        one(1, cross_id=str(TagNumber("2024", 2))), 2, "check letter does not fit its digits in season 2025",
    ),
    "another mother than on the tag": (one(0, mother="Robin"), 2, "was printed for the mother 'Lark'"),
    "a father not on the plan": (one(0, father="Dove"), 0, "Lark x Dove is not on the plan"),
    "more pods than flowers": (one(3, pods=7), 2, "more pods than flowers"),
    "pods before flowers": (one(3, flowers=None), 2, "flowers"),
    "seeds without a pod": (one(3, pods=0), 2, "seeds although there are no pods"),
    "a date that has not come": (one(4, date=dt.date(2098, 6, 4)), 2, "in the future"),
    "an hour that no clock shows": (one(4, time="27:10"), 2, "time"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", BOOK)
def test_in_the_book(stages, tmp_path, mistake):
    slip, status, words = BOOK[mistake]
    got, said = in_book(stages.copy("book", tmp_path / "s"), slip)
    assert got == status
    assert words in said


# ---- the store and the tray: caught by sample, or by check ------------------------------------------------


def father_missing(season: Path) -> str:
    book = season / "field" / "book.xlsx"
    work = openpyxl.load_workbook(book)
    page = work.worksheets[0]
    head = {page.cell(1, k).value: k for k in range(1, page.max_column + 1)}
    page.cell(2, head["cross_id"]).value = "X100"
    page.cell(2, head["father"]).value = None
    work.save(book)
    return say("sample", season)[1]


def sown_again(season: Path) -> str:
    before = sorted((season / "samples").iterdir())
    said = say("sample", season)[1]
    assert sorted((season / "samples").iterdir()) == before
    return said


def last_seed(season: Path) -> str:
    book = season / "field" / "book.xlsx"
    work = openpyxl.load_workbook(book)
    page = work.worksheets[0]
    head = {page.cell(1, k).value: k for k in range(1, page.max_column + 1)}
    page.cell(3, head["seeds"]).value = 3
    work.save(book)
    return say("sample", season)[1]


def sheet_row(season: Path, change: Callable[[pd.DataFrame], None]) -> str:
    path = season / "samples" / "round1.csv"
    sheet = pd.read_csv(path, dtype=str, keep_default_na=False)
    change(sheet)
    sheet.to_csv(path, index=False)
    return say("check", season)[1]


def well_twice(season: Path) -> str:
    return sheet_row(season, lambda s: s.__setitem__("well", ["B1", *s["well"][1:]]))


def pod_under_two_tags(season: Path) -> str:
    def change(s: pd.DataFrame) -> None:
        twice = s[s["plant"] != ""]["plant"].value_counts().index[0]
        s.loc[s.index[s["plant"] == twice][0], "cross_id"] = TAG[5]

    return sheet_row(season, change)


def tag_nobody_printed(season: Path) -> str:
    return sheet_row(season, lambda s: s.__setitem__("cross_id", s["cross_id"].replace(TAG[2], "0099X")))


STORE: dict[str, tuple[str, Callable[[Path], str], str]] = {
    "the father missing": ("harvest", father_missing, "because its father is not on record: X100"),
    "seeds sown a second time before the results": (
        "sampled", sown_again, "plants sown before wait for their results",
    ),
    "the last seed sown unnoticed": ("harvest", last_seed, "The last seed of 1 cross is sown"),
    "two plants in one well": ("sampled", well_twice, "This well of the plate is used twice"),
    "one plant under two tags": ("sampled", pod_under_two_tags, "has another cross_id"),
    "a tag nobody printed on the sheet of wells": (
        "sampled", tag_nobody_printed, "The crosses sheet has no such tag",
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", STORE)
def test_in_store_and_tray(stages, tmp_path, mistake):
    stage, make, words = STORE[mistake]
    assert words in make(stages.copy(stage, tmp_path / "s"))


# ---- the laboratory: caught by receive, or by the plate checks of run -------------------------------------


def somebody_else_s(season: Path, path: Path) -> str:
    dna = nature.Nature(season)
    dna.dna = {f"maize {i}": d for i, d in enumerate(dna.dna.values())}
    status, said = say("receive", season, dna.send(path))
    assert status == 2
    return said


def sample_twice(season: Path, path: Path) -> str:
    text = nature.Nature(season).send(path).read_text(encoding="utf-8")
    path.write_text(text + text.splitlines()[3] + "\n", encoding="utf-8")
    status, said = say("receive", season, path)
    assert status == 2
    return said


FILES: dict[str, tuple[Callable[[Path, Path], str], str]] = {
    "the file of somebody else's samples": (somebody_else_s, "No sample of this file is in your sheets"),
    "a sample twice in the file": (sample_twice, "twice"),
}


@pytest.mark.parametrize("mistake", FILES)
def test_in_the_laboratory_s_file(stages, tmp_path, mistake):
    make, words = FILES[mistake]
    season = stages.copy("sampled", tmp_path / "s")
    before = (season / "config.yaml").read_bytes()
    assert words in make(season, tmp_path / "plate.csv")
    assert (season / "config.yaml").read_bytes() == before


def turned(dna: nature.Nature) -> None:
    dna.turn()


def tags_exchanged(dna: nature.Nature) -> None:
    dna.hang_on(TAG[1], TAG[4])
    dna.hang_on(TAG[4], TAG[1])


def pod_of_another_tag(dna: nature.Nature) -> None:
    dna.hang_on(TAG[2], TAG[4])


def other_pollen(dna: nature.Nature) -> None:
    for sample in dna.of_cross(TAG[1]):
        dna.dna[sample] = (dna.lines["Lark"], dna.lines["Robin"])


def parent_tube(dna: nature.Nature) -> None:
    tubes = dna.wells.loc[dna.wells["line"] == "Finch", "sample_id"]
    dna.dna[tubes.iloc[0]] = (dna.lines["Dove"], dna.lines["Dove"])


def blank_with_leaf(dna: nature.Nature) -> None:
    blank = dna.wells.loc[dna.wells["role"] == "blank", "sample_id"].iloc[0]
    dna.dna[blank] = dna.child(TAG[0], "1")


EXCHANGED = "tags swapped, or every pod of both exchanged"
PLATE: dict[str, tuple[Callable[[nature.Nature], None], str]] = {
    "the plate turned round": (turned, "rotated"),
    "the tags of two crosses exchanged": (tags_exchanged, EXCHANGED),
    "a pod of another tag": (pod_of_another_tag, "harvested under another tag"),
    "pollen of another father": (other_pollen, "made with another line"),
    "the wrong tube of a parent": (parent_tube, "replicates of a line disagree"),
    "leaf in a blank": (blank_with_leaf, "blank carries calls"),
}


QUICK = ("the plate turned round", "the tags of two crosses exchanged")
"""Tried at every run of the tests; the others, some seconds each, with the slow ones."""


@pytest.mark.parametrize(
    "mistake", [pytest.param(m, marks=() if m in QUICK else pytest.mark.slow) for m in PLATE]
)
def test_on_the_plate(stages, tmp_path, mistake):
    make, finding = PLATE[mistake]
    season = stages.copy("harvest", tmp_path / "s")
    say("sample", season, "--at-once")
    dna = nature.Nature(season)
    make(dna)
    say("receive", season, dna.send(tmp_path / "plate.csv"))
    judged = judge(season)
    found = {str(f.kind) for f in judged.findings.found}
    if finding == EXCHANGED:
        # Where pods are on record, each pod of the two tags may be named by itself.
        assert found & {"tags swapped", "pods exchanged"}
        at_fault = judged.frame["cross_id"].isin([TAG[1], TAG[4]])
        assert set(judged.frame.loc[at_fault, "decision"]) == {"hold"}
    else:
        assert finding in found
    if finding in ("rotated", "harvested under another tag"):
        assert "hold" in set(judged.frame["decision"])


# ---- the bench: caught by done ----------------------------------------------------------------------------


def first(season: Path, action: str) -> tuple[str, str]:
    """A plant that is to be dealt with so, and its cross."""
    verdicts = pd.read_csv(season / "results" / "verdicts.csv", dtype=str, keep_default_na=False)
    row = verdicts[verdicts["decision"] == action].iloc[0]
    return str(row["plant"]), str(row["cross_id"])


def changed(season: Path, decision: str, **cells: str) -> list[nature.Scan] | dict[str, nature.Scan]:
    scans = nature.scans(season)
    plant, _ = first(season, decision)
    code, action, place = scans[plant]
    scans[plant] = (cells.get("code", code), cells.get("action", action), cells.get("place", place))
    return scans


def untouched(season: Path):
    scans = nature.scans(season)
    del scans[first(season, "cull")[0]]
    return scans


def two_actions(season: Path):
    scans = nature.scans(season)
    code, _, place = scans[first(season, "keep")[0]]
    return [*scans.values(), (code, "cull", place)]


def labels_exchanged(season: Path):
    scans = nature.scans(season)
    a, b = first(season, "keep")[0], first(season, "cull")[0]
    (code_a, do_a, at_a), (code_b, do_b, at_b) = scans[a], scans[b]
    scans[a], scans[b] = (code_a, do_a, at_b), (code_b, do_b, at_a)
    return scans


BENCH = {
    "a hybrid culled": (lambda s: changed(s, "keep", action="cull"), 1, "1 culled, and not to be culled"),
    "a self kept": (lambda s: changed(s, "cull", action="keep"), 1, "1 kept, and to be culled"),
    "a plant that nobody touched": (untouched, 1, "1 touched by nobody"),
    "one plant scanned with two actions": (two_actions, 2, "scanned twice with two actions"),
    "two labels exchanged": (labels_exchanged, 0, "were each found at the other's place"),
    "a label of another season": (
        lambda s: changed(s, "keep", code="2024.X1.1"), 2, "of season 2024, not of 2025",
    ),
    "a code misread": (
        lambda s: changed(s, "keep", code=f"2025.{misread(TAG[1])}.1"), 2, "check letter",
    ),
    "the tag scanned in place of the plant": (
        lambda s: changed(s, "keep", code=f"2025.{TAG[1]}"), 2, "code of a tag, not of a plant",
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", BENCH)
def test_at_the_bench(stages, tmp_path, mistake):
    make, status, words = BENCH[mistake]
    season = stages.copy("judged", tmp_path / "s")
    got, said = say("done", season, nature.write_scans(tmp_path / "scanned.csv", make(season)))
    assert words in said
    assert got == status


def test_without_a_mistake_nothing_is_found(stages, tmp_path):
    season = stages.copy("judged", tmp_path / "s")
    judged = judged_in_memory(read_season(season))
    assert {str(f.kind) for f in judged.findings.found} <= {"cannot be checked"}
    assert set(judged.frame["decision"]) == {"keep", "cull"}
    status, said = say("done", season, nature.write_scans(tmp_path / "scanned.csv", nature.scans(season)))
    assert status == 0
    assert f"{len(judged.frame)} as decided" in said


def test_the_page_lists_every_mistake_and_no_other() -> None:
    made = [*BOOK, *STORE, *FILES, *PLATE, *BENCH]
    assert len(made) >= 20
    rows = re.findall(r"^\| \d+ \| ([^|]+?) \|", DOCS.read_text(encoding="utf-8"), flags=re.M)
    assert [r.casefold() for r in rows] == [m.casefold() for m in made]
