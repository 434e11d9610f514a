"""Every state of a season has a page that says what it is and what comes next."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys

import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.desk import uploads
from crossproof.desk.folder import find_season
from crossproof.season.templates import new_season
from crossproof.season.work_folder import WorkFolder, write_kept

PARTS = ("", "/sheets", "/files", "/problems", "/run", "/findings", "/results", "/field", "/phone")


@pytest.fixture
def visitor(tmp_path):
    new_season(tmp_path / "s")
    return Visitor(tmp_path)


@pytest.mark.parametrize("part", PARTS)
def test_a_new_season_has_every_page(visitor, part):
    page = visitor.get(f"/season/s{part}")
    assert page.status_code == 200
    assert page.text.count("<h1>") == 1
    assert page.text.count('aria-current="page"') == 1


@pytest.mark.parametrize("part", PARTS)
def test_a_season_whose_configuration_is_broken_has_every_page(visitor, tmp_path, part):
    (tmp_path / "s" / "config.yaml").write_text("nonsense: [", encoding="utf-8")
    assert visitor.get(f"/season/s{part}").status_code == 200


def test_a_full_disk_is_told_and_nothing_is_left_behind(visitor, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "plate.csv")

    monkeypatch.setattr(uploads.shutil, "copyfileobj", full)
    answer = visitor.post("/season/s/files", files={"file": ("plate.csv", b"x")})
    assert answer.status_code == 507
    text = words(answer)
    assert "The disk is full. Free some space on it." in text
    assert "what was there before is still there" in text
    assert list((tmp_path / "s" / ".crossproof" / "desk" / "inbox").iterdir()) == []


@pytest.mark.slow
def test_a_killed_run_can_be_gone_on_with(tmp_path):
    season = copy_of_demo(tmp_path / "s")
    visitor = Visitor(tmp_path)
    run = subprocess.Popen(
        [sys.executable, "-m", "crossproof.cli", "run", season],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    while "Another run is working on this season" not in words(visitor.get("/season/s/run")):
        assert run.poll() is None
    while visitor.desk.state(visitor_place(visitor)).progress.done < 1:
        assert run.poll() is None
    assert "Nothing can be changed until it has ended." in words(visitor.get("/season/s/run"))
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    text = ""
    while "A run is working" in (text := words(visitor.get("/season/s"))):
        pass  # its last process lets go of the season a moment later
    assert "The last run was stopped before it was done" in text
    assert "Go on with the run" in text


def visitor_place(visitor):
    return find_season(visitor.desk.root, "s")


def test_a_file_that_was_set_aside_is_named_first(visitor, tmp_path):
    """What a run leaves where it set a file aside, as tests/workflow/test_season_run.py sees it."""
    folder = WorkFolder(tmp_path / "s")
    reason = "Genotype file B01 was set aside: It is cut short."
    write_kept(folder.work("outcome.json"), {"digest": "", "status": 1, "reasons": [reason]})
    folder.results.mkdir(exist_ok=True)
    (folder.results / "run.json").write_text('{"finished": "2031-07-01T10:00:00+00:00"}', encoding="utf-8")
    text = words(visitor.get("/season/s"))
    assert "done, with something to look at" in text
    assert f"Look at these first {reason}" in text
    assert reason in words(visitor.get("/season/s/run"))


def test_a_hundred_problems_are_a_page(visitor, tmp_path):
    sheet = tmp_path / "s" / "crosses.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    row = next(line for line in lines if line.startswith("X001"))
    more = [row.replace("X001", f"X{n:03d}").replace("2025-06-04", f"day {n}") for n in range(100, 200)]
    sheet.write_text("\n".join([*lines, *more]) + "\n", encoding="utf-8")
    page = visitor.get("/season/s/problems")
    assert page.status_code == 200
    assert page.text.count("<article") < 20, "a hundred rows of one cause are one entry"
    assert "more rows have this." in words(page)
