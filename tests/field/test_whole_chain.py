"""The commands of docs/bench.md, run as they stand, with an invented season happening between them."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import bench_nature as nature
import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main

PAGE = Path(__file__).parents[2] / "docs" / "bench.md"


def commands() -> list[str]:
    """Fenced commands of the page, in order."""
    blocks = re.findall(r"^```bash\n(.*?)^```", PAGE.read_text(encoding="utf-8"), flags=re.M | re.S)
    return [line for block in blocks for line in block.splitlines()]


def test_the_page_runs_every_command_of_the_chain() -> None:
    verbs = [shlex.split(c)[1] for c in commands()]
    chain = ["new", "tags", "book", "check", "sample", "receive", "run", "sample", "labels", "done"]
    assert verbs == chain


@pytest.mark.slow
def test_one_season_from_the_plan_to_the_scanned_list(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    season = Path("bench_2025")
    said: list[str] = []

    def give(command: str) -> None:
        done = CliRunner().invoke(main, shlex.split(command)[1:])
        said.append(done.output)
        assert done.exit_code == 0, (command, done.output)

    for command in commands():
        verb = shlex.split(command)[1]
        if verb == "check":
            nature.cross_and_harvest(season)
        elif verb == "receive":
            dna = nature.Nature(season)
            dna.send(Path("round1_calls.csv"))
        elif verb == "done":
            nature.write_scans(Path("scanned.csv"), nature.scans(season))
        give(command)
        if verb == "new":
            nature.begin(season)
    assert "Nothing to sow or to sample now." in said[7]
    # The truth of the invented season: pods that selfed, and nothing else.
    verdicts = pd.read_csv(season / "results" / "verdicts.csv", dtype=str, keep_default_na=False)
    truth = [
        "self" if (c, p) in dna.selfed else "hybrid" for c, p in verdicts[["cross_id", "pod"]].to_numpy()
    ]
    assert list(verdicts["verdict"]) == truth
    assert {"self", "hybrid"} == set(truth)
    done = pd.read_csv(season / "results" / "done.csv", dtype=str, keep_default_na=False)
    assert set(done["outcome"]) == {"as decided"}
    assert len(done) == len(verdicts)
    # Every plant's name was made by the program: tag, hyphen, running number.
    tags = pd.read_csv(season / "tags.csv", dtype=str, comment="#")["tag"]
    assert {p.rpartition("-")[0] for p in verdicts["plant"]} == set(tags)
    labels = (season / "field" / "kept_labels.html").read_text(encoding="utf-8")
    kept = verdicts[verdicts["decision"] == "keep"]
    assert labels.count('<svg class="qr"') == len(kept)
    report = (season / "results" / "labels.html").read_text(encoding="utf-8")
    assert report.count('<svg class="qr"') == len(kept)
