"""Every command and verb of docs/exchange.md does what the page says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from brapi_server import FakeServer
from click.testing import CliRunner
from finished_season import CROSS, SAMPLES, finished
from test_vcf_out import judged

import crossproof as cp
from crossproof.cli import main

PAGE = Path(__file__).parents[2] / "docs" / "exchange.md"


def commands() -> list[list[str]]:
    text = PAGE.read_text(encoding="utf-8")
    return [shlex.split(line)[1:] for line in re.findall(r"^\$ (crossproof .*)$", text, flags=re.MULTILINE)]


def test_every_command_of_the_page(
    server: FakeServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    seen = []
    for command in commands():
        if command[0] == "publish" and "publish" not in seen:
            (tmp_path / "nursery_2027").rename(tmp_path / "fetched")
            judged(tmp_path / "nursery_2027")
            samples = [s | {"sample_db_id": f"s-{s['sample_id']}", "plate_db_id": "p-1"} for s in SAMPLES]
            finished(tmp_path / "nursery_2027", crosses=[CROSS | {"cross_db_id": "c-1"}], samples=samples)
        seen.append(command[0])
        address = [a.replace("https://server.example/brapi/v2", server.url) for a in command]
        done = CliRunner().invoke(main, address, input="y\n")
        assert done.exit_code == 0, (command, done.output)
    assert seen == ["fetch", "publish", "publish", "publish", "export-vcf"]


def test_every_verb_of_the_page() -> None:
    named = set(re.findall(r"\bcp\.(\w+)\(", PAGE.read_text(encoding="utf-8")))
    assert named == set(cp._VERBS)


def test_names_of_the_page_are_written(tmp_path: Path) -> None:
    text = PAGE.read_text(encoding="utf-8")
    season = finished(tmp_path / "s")
    done = CliRunner().invoke(main, ["publish", str(season)])
    assert done.exit_code == 0, done.output
    for path in (season / "results" / "exchange").iterdir():
        assert f"`{path.name}`" in text or f"`results/exchange/{path.name}`" in text
    everything = "".join(p.read_text() for p in (season / "results" / "exchange").iterdir())
    for name in re.findall(r"`(crossproof_\w+)`", text):
        if name != "crossproof_":
            assert name in everything
