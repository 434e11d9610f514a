"""Odd, unlucky and hostile seasons through the whole `crossproof run`: done or refused, never a crash.

All seasons are invented; see odd_seasons.py. Slow: each run is a whole workflow.
"""

from __future__ import annotations

import csv
import html
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from odd_seasons import (
    MARKERS,
    Odd,
    base,
    call,
    cross,
    hostile,
    sample_rows,
    second_file,
    sheet,
    table_of,
    wells,
    write,
)

pytestmark = pytest.mark.slow
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "crossproof.cli", *map(str, arguments)]


def crossproof(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*arguments),
        capture_output=True,
        text=True,
        timeout=280,
        cwd=cwd,
        env={**os.environ, **ONE_THREAD},
    )


def table(season: Path, name: str) -> list[dict[str, str]]:
    with (season / "results" / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def no_lines(odd: Odd) -> Odd:
    return replace(odd, wells=tuple(w for w in odd.wells if w.role != "parent"))


def maternal(odd: Odd) -> Odd:
    return replace(odd, marker_rows=tuple({"marker": m, "inheritance": "maternal"} for m in MARKERS))


def from_mother(kind: str, marker: int) -> str:
    return "-" if kind == "blank" else call("mother" if kind in ("hybrid", "self") else kind, marker)


def sizes(kind: str, marker: int) -> str:
    """Four alleles at every marker, as fragment sizes of heterozygous parents."""
    return {"mother": "100/102", "father": "104/106", "hybrid": "100/104", "self": "100/102"}.get(kind, "-")


SEASONS: dict[str, tuple[Odd, Callable[[str, int], str], set[int]]] = {
    "no parents": (no_lines(base()), call, {0}),
    "only parents": (replace(base(), wells=tuple(w for w in base().wells if w.role == "parent")), call, {0}),
    "one plant, one well of each parent": (
        replace(base(), wells=tuple(w for w in base().wells if w.sample in ("S-m1", "S-f1", "P1"))),
        call, {0},
    ),
    "unknown mother": (replace(base(), crosses=(cross(mother=""),)), call, {0}),
    "every call missing": (base(), lambda kind, marker: "-", {2}),
    "one marker": (replace(base(), markers=("M01",)), call, {0}),
    "monomorphic markers only": (base(), lambda kind, marker: "A/A", {0}),
    "maternal markers only": (maternal(base()), from_mother, {0}),
    "sizes": (base(), sizes, {0}),
    "a file that is not there": (
        replace(base(), after=lambda folder: second_file(folder, "genotypes/plate2.csv")), call, {1},
    ),
    "braces in a path": (replace(base(), genotypes="genotypes/pl{bucket} a'b.csv"), call, {0}),
}  # fmt: skip


@pytest.mark.parametrize("name", SEASONS)
def test_odd_season(name: str, tmp_path: Path) -> None:
    odd, calls, statuses = SEASONS[name]
    season = write(tmp_path / "season", odd, calls)
    done = crossproof("run", season)
    said = done.stdout + done.stderr
    assert done.returncode in statuses, said
    assert "Traceback" not in said
    if done.returncode == 2:
        assert "How to fix it:" in said
        return
    plants = {w.plant for w in odd.wells if w.role == "progeny"}
    verdicts = table(season, "verdicts")
    assert {v["plant"] for v in verdicts} == plants
    if name in ("no parents", "one marker", "monomorphic markers only"):
        assert {v["verdict"] for v in verdicts} <= {"undetermined"}
        assert all(v["reason"] for v in verdicts)
    if name == "unknown mother":
        # Her seed tells who she was as far as the father's gametes show in it; a self alone does not.
        assert {v["verdict"] for v in verdicts} <= {"hybrid", "undetermined"}
        assert all(v["reason"] for v in verdicts if v["verdict"] == "undetermined")
    if name == "a file that is not there":
        assert crossproof("check", season).returncode == 2
        assert any("no such file" in p["problem"] for p in table(season, "problems"))
        assert {v["verdict"] for v in verdicts} == {"hybrid", "self"}


@pytest.fixture(scope="module")
def hostile_season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    folder = write(tmp_path_factory.mktemp("hostile") / "season", hostile())
    return folder, crossproof("run", folder)


def test_hostile_names_are_names_only(
    hostile_season: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    season, done = hostile_season
    assert done.returncode in (0, 1), done.stdout + done.stderr
    assert not list(season.parent.rglob("*pwned*"))
    outside = {p.name for p in season.parent.iterdir()}
    assert outside == {"season"}
    plants = [w.plant for w in hostile().wells if w.role == "progeny"]
    verdicts = {v["plant"]: v for v in table(season, "verdicts")}
    assert set(verdicts) == set(plants)
    # The machine file keeps every name as it is; formulas are warned of at input.
    assert all(
        v["mother"] == "Lark; touch pwned" and v["cross_id"] == "X{bucket}'\"" for v in verdicts.values()
    )
    warned = {p["value"] for p in table(season, "problems") if "formula" in p["problem"]}
    assert {"=1+1", "@SUM(A1)", "-rf"} <= warned


def test_the_workbook_holds_text_only(hostile_season: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    season, _ = hostile_season
    book = openpyxl.load_workbook(season / "results" / "worklist.xlsx")
    cells = [c for page in book for row in page.iter_rows() for c in row if c.value is not None]
    assert any(str(c.value) == "=1+1" for c in cells)
    # The sheet to scan into has formulas of our own; no name of the season's stands in them.
    formulas = [c for c in cells if c.data_type == "f"]
    assert {c.parent.title for c in formulas} == {"Scan"}
    names = {
        n for r in table(season, "verdicts") for n in (r["plant"], r["cross_id"], r["mother"]) if len(n) > 3
    }
    assert not [c.value for c in formulas if any(n in c.value for n in names)]
    assert not [c.value for c in cells if c.hyperlink is not None]


def test_the_page_shows_hostile_names_as_text(
    hostile_season: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    season, _ = hostile_season
    page = (season / "results" / "report.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in html.unescape(page)
    assert "<script>window.pwned" not in page
    assert "<img src=x" not in page
    assert "<b onmouseover" not in page
    labels = (season / "results" / "labels.html").read_text(encoding="utf-8")
    assert "<script>window.pwned" not in labels


@pytest.mark.browser
def test_nothing_of_a_hostile_name_runs_in_a_browser(
    browser: Any, hostile_season: tuple[Path, subprocess.CompletedProcess[str]]
) -> None:
    season, _ = hostile_season
    asked: list[str] = []
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    for name in ("report.html", "labels.html"):
        page.goto((season / "results" / name).as_uri())
        page.wait_for_timeout(500)
        assert page.evaluate("window.pwned === undefined")
        # What is put into the page later is stopped by its policy too.
        page.evaluate(
            "document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"window.pwned=1\">')"
        )
        page.wait_for_timeout(200)
        assert page.evaluate("window.pwned === undefined")
    page.close()
    assert not [url for url in asked if url.startswith("http")]


def test_explain_of_hostile_names(hostile_season: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    season, _ = hostile_season
    for plant in ("; rm -rf ~", "[red]x[/]", "{bucket}", "%s%n{0}"):
        done = crossproof("explain", season, plant)
        assert done.returncode == 0, done.stdout + done.stderr
        assert plant in done.stdout


FOLDERS = ("a season", "saison é 名", 'it\'s "this"', "{bucket} {{x}}", "-rf", "$(touch pwned)", "a;b&c|d")


@pytest.mark.parametrize("name", FOLDERS)
def test_any_folder_name(name: str, tmp_path: Path) -> None:
    write(tmp_path / name, base())
    done = crossproof("run", "--", name, cwd=tmp_path)
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert len(table(tmp_path / name, "verdicts")) == 3
    assert {p.name for p in tmp_path.iterdir()} == {name}


def test_a_second_run_says_so_and_changes_nothing(tmp_path: Path) -> None:
    season = write(tmp_path / "season", base())
    first = subprocess.Popen(
        command("run", season),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **ONE_THREAD},
    )
    try:
        log = season / ".crossproof" / "logs" / "workflow.log"
        until = time.monotonic() + 60
        while not log.exists() and time.monotonic() < until:
            time.sleep(0.01)
        first.send_signal(signal.SIGSTOP)  # a small run may be done before a second has started
        inputs = {p: p.read_bytes() for p in season.glob("*.*") if p.is_file()}
        second = crossproof("run", season)
        assert first.poll() is None, "the first run ended before the second was tried"
        assert second.returncode == 2
        assert "Another run" in second.stderr
        assert "Nothing was changed" in second.stderr
        assert "Traceback" not in second.stderr
        assert {p: p.read_bytes() for p in inputs} == inputs
    finally:
        first.send_signal(signal.SIGCONT)
        first.wait(timeout=200)
    assert first.returncode == 0
    assert len(table(season, "verdicts")) == 3
    assert json.loads((season / "results" / "run.json").read_text(encoding="utf-8"))["counts"]["plants"] == 3


# --- two batches on opposite strands ------------------------------------------------------------------------

TURNED = str.maketrans("ACGT", "TGCA")


def strands(folder: Path, *, both_letters: bool) -> None:
    """A second file with the same parents and three more plants, on the other strand.

    `both_letters`: the file shows both alleles of every SNP, so that its strand is proven; else its plants
    are all of the mother, and A for a T may be either.
    """
    kinds = ["hybrid", "hybrid", "self"] if both_letters else ["self", "self", "self"]
    parents = ("mother", "father") if both_letters else ("mother",)
    more = wells(plants=("Q1", "Q2", "Q3"), kinds=kinds, batch="B02", plate="plate2")
    more = [w for w in more if w.kind in (*parents, "hybrid", "self")]
    (folder / "samples" / "plate2.csv").write_text(sheet(sample_rows(more)), encoding="utf-8")
    text = table_of(more)
    head, *rows = text.splitlines()
    flipped = [",".join([r.split(",")[0], *(c.translate(TURNED) for c in r.split(",")[1:])]) for r in rows]
    (folder / "genotypes" / "plate2.csv").write_text("\n".join([head, *flipped]) + "\n", encoding="utf-8")
    second_file(folder, "genotypes/plate2.csv")


def test_the_other_strand_is_turned_where_it_is_proven_and_said(tmp_path: Path) -> None:
    season = write(tmp_path / "season", replace(base(), after=lambda f: strands(f, both_letters=True)))
    done = crossproof("run", season)
    assert done.returncode == 0, done.stdout + done.stderr
    verdicts = {v["plant"]: v["verdict"] for v in table(season, "verdicts")}
    assert verdicts == {
        "P1": "hybrid", "P2": "hybrid", "P3": "self", "Q1": "hybrid", "Q2": "hybrid", "Q3": "self",
    }  # fmt: skip
    said = [p for p in table(season, "problems") if "turned round" in p["problem"]]
    # The 9 contrast markers show both bases in both files; the other three one base each: no proof.
    assert [(p["severity"], p["file"], p["value"]) for p in said] == [("note", "B02", "9")]
    markers = {m["marker"]: m for m in table(season, "markers")}
    assert all(markers[m]["files"] == "2" for m in MARKERS[:9])
    aside = {p["column"] for p in table(season, "problems") if "cannot be matched" in p["problem"]}
    assert aside == set(MARKERS[9:])
    # M01 is an A/G SNP in the first file and T/C in the second: one marker of two alleles, not four.
    assert markers["M01"]["alleles"] in ("A/G", "G/A")


def test_a_season_whose_markers_cannot_be_matched_at_all_is_refused_with_their_names(tmp_path: Path) -> None:
    """The second file shows one base of every marker: T for A/G may be a third allele, or A."""
    season = write(tmp_path / "season", replace(base(), after=lambda f: strands(f, both_letters=False)))
    done = crossproof("run", season)
    said = done.stdout + done.stderr
    assert done.returncode == 2, said
    assert "Traceback" not in said
    assert "No marker is left" in said
    problems = [p for p in table(season, "problems") if "cannot be matched" in p["problem"]]
    assert {p["column"] for p in problems} == set(MARKERS)
    assert all("same strand" in p["remedy"] for p in problems)
