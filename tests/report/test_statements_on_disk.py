"""Small random seasons written to disk as a run leaves them, read by what knows nothing of the program."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from results_on_disk import Files
from rich.console import Console
from simulated_season import simulated
from statements_on_disk import faults_of

from crossproof.io.results.tables import write_table
from crossproof.report.content.content import build_content
from crossproof.report.content.explain import explain_text
from crossproof.report.content.explain_thing import explain_thing, find_thing
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.draw.html import render
from crossproof.report.draw.summary_page import summary_page
from crossproof.report.draw.xlsx import worklist_bytes
from crossproof.runner.summary import season_summary

SEASONS, MANY_SEASONS = 2, 24
FIRST = 1000
"""Seeds of their own: the other tests of random seasons take the small ones."""
TABLES = ("verdicts", "crosses", "operators", "factors", "rates_by", "plates", "samples", "markers", "lines",
          "problems")  # fmt: skip


def on_disk(inputs: ReportInputs, folder: Path) -> Files:
    """The files of a finished run, and what the terminal and `explain` say."""
    results = folder / "results"
    results.mkdir(exist_ok=True)
    for name in TABLES:
        write_table(results / f"{name}.csv", getattr(inputs, name))
    content = build_content(inputs)
    (results / "report.html").write_text(render(content), encoding="utf-8")
    (results / "summary.html").write_text(summary_page(inputs), encoding="utf-8")
    (results / "worklist.xlsx").write_bytes(worklist_bytes(content))
    return Files(folder, tuple(said_of(inputs, results)))


def said_of(inputs: ReportInputs, results: Path) -> Iterator[tuple[str, str]]:
    yield "terminal", printed(season_summary(results))
    for plant in inputs.verdicts["plant"].astype(str):
        yield f"plant:{plant}", explain_text(inputs, plant)
    for kind, names in (("cross", inputs.crosses["cross_id"]), ("line", inputs.lines["line"])):
        for name in names.astype(str):
            yield f"{kind}:{name}", printed(explain_thing(inputs, find_thing(inputs, f"{kind}:{name}")))


def printed(what: Any) -> str:
    console = Console(width=250, color_system=None)
    with console.capture() as capture:
        console.print(what)
    return capture.get()


@pytest.fixture(
    scope="module",
    params=[SEASONS, pytest.param(MANY_SEASONS, marks=[pytest.mark.slow, pytest.mark.timeout(600)])],
)
def seasons(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[Files]:
    made = []
    for seed in range(FIRST, FIRST + request.param):
        folder = tmp_path_factory.mktemp(f"season{seed}") / "season"
        inputs = simulated(seed, folder)
        if inputs is not None:
            made.append(on_disk(inputs, folder))
    assert len(made) >= 0.7 * request.param, "few are refused: the test would say little"
    return made


def test_no_statement_is_contradicted_by_another(seasons: list[Files]) -> None:
    faults = [f"{files.folder}: {fault}" for files in seasons for fault in faults_of(files)]
    assert not faults, "\n".join(faults)


SPOILT = (
    ("results/report.html", "can be kept as", "can be kept, 9999 of them, as", "counts"),
    ("results/crosses.csv", ",done,", ",repeat,", "next_steps"),
    ("results/verdicts.csv", ",keep,", ",cull,", "piles_everywhere"),
    ("results/report.html", "</footer>", "<p>C999 has 1 plants</p></footer>", "language"),
    ("results/report.html", "</footer>", "<p>C999 has 1 plants</p></footer>", "names"),
)


@pytest.mark.parametrize(("name", "old", "new", "check"), SPOILT)
def test_a_false_statement_is_noticed(
    seasons: list[Files], tmp_path: Path, name: str, old: str, new: str, check: str
) -> None:
    files = next(f for f in seasons if old in (f.folder / name).read_text(encoding="utf-8"))
    shutil.copytree(files.folder, tmp_path / "season")
    path = tmp_path / "season" / name
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    faults = faults_of(Files(tmp_path / "season", files.said))
    assert any(f.startswith(f"{check}:") for f in faults), faults


@pytest.mark.slow
def test_no_statement_of_the_demo_is_contradicted_by_another(finished_demo: Path) -> None:
    said = ("terminal", printed(season_summary(finished_demo / "results")))
    assert faults_of(Files(finished_demo, (said,))) == []
