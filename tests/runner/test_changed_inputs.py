"""Inputs that change while a run works: it goes on with what it read, and says so at its end."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from hashlib import sha256
from pathlib import Path

import pandas as pd
import pytest
from seasons import crossproof, events, write_plates

from crossproof.api import run
from crossproof.errors import InputError, UsageError
from crossproof.runner.workflow import engine_environment
from crossproof.season.index import build_index, changed_inputs, index_of_run, read_record
from crossproof.season.work_folder import WorkFolder, season_lock
from crossproof.simulate.plan import SeasonPlan
from crossproof.steps.checking import check_season
from crossproof.steps.ingest import ingest

PLAN = SeasonPlan(n_markers=16, n_lines=6, n_crosses=24, plants_per_cross=6)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return write_plates(tmp_path / "season", PLAN)


def other_operator(season: Path) -> None:
    """Somebody corrects a name in the crossing records."""
    sheet = season / "crosses.csv"
    frame = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    frame["operator"] = "Nobody else"
    frame.to_csv(sheet, index=False)


def test_a_sheet_edited_during_a_run(season: Path) -> None:
    digest = sha256((season / "crosses.csv").read_bytes()).hexdigest()
    process = subprocess.Popen(
        [sys.executable, "-m", "crossproof.cli", "run", str(season)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while not events(season):
        assert process.poll() is None, "the run ended before the sheet was edited"
        time.sleep(0.01)
    other_operator(season)
    said = "".join(process.communicate(timeout=250))
    assert process.returncode == 2, said
    assert "crosses.csv" in said
    assert "changed while it ran" in said
    # What was written is of one reading, and its record vouches for that reading.
    people = pd.read_csv(season / "results" / "operators.csv", dtype=str)
    assert "Nobody else" not in set(people["operator"])
    record = json.loads((season / "results" / "run.json").read_text(encoding="utf-8"))
    assert record["inputs_sha256"]["crosses.csv"] == digest
    assert crossproof("run", season, "--allow-findings").returncode == 0
    people = pd.read_csv(season / "results" / "operators.csv", dtype=str)
    assert set(people["operator"]) == {"Nobody else"}


def test_jobs_read_what_the_run_was_planned_with(season: Path) -> None:
    index = build_index(season)
    config = season / "config.yaml"
    config.write_text(config.read_text(encoding="utf-8") + "min_posterior: 0.8\n", encoding="utf-8")
    other_operator(season)
    of_run = index_of_run(season)
    assert of_run.run_digest == index.run_digest
    assert of_run.config.min_posterior == 0.95
    assert "Nobody else" not in set(read_record(of_run.folder, "crosses")["operator"])
    assert changed_inputs(of_run) == ["config.yaml", "crosses.csv"]
    assert changed_inputs(build_index(season)) == []


def test_a_genotype_file_that_changes_before_it_is_read_is_not_taken_for_the_old_one(season: Path) -> None:
    index = build_index(season)
    bucket, names = next(iter(index.batch_buckets().items()))
    file = next(g for g in index.config.genotypes if g.batch == names[0])
    file.file.write_bytes(file.file.read_bytes() + b"\n")
    with pytest.raises(InputError, match="changed while it ran"):
        ingest(index, bucket)
    assert not index.folder.calls(index.batches[names[0]]).exists()


def test_a_touched_file_is_not_a_changed_one(season: Path) -> None:
    index = build_index(season)
    (season / "crosses.csv").touch()
    assert changed_inputs(index) == []


def test_a_check_during_a_run_leaves_the_run_alone(season: Path) -> None:
    """Problems it writes down would be taken for the run's own, which then ends as refused."""
    folder = WorkFolder(season)
    with season_lock(folder):
        problems = check_season(season)
        assert "a run is working" in problems[-1].problem
        assert not folder.refused.exists()
        assert not (folder.results / "problems.csv").exists()
    assert all("a run is working" not in p.problem for p in check_season(season))
    assert folder.refused.exists()


def test_a_run_waits_for_a_check_to_let_go(season: Path) -> None:
    folder = WorkFolder(season)
    holder = subprocess.Popen(
        [
            sys.executable, "-c",
            "import sys, time; from pathlib import Path;"
            "from crossproof.season.work_folder import WorkFolder, season_lock\n"
            "with season_lock(WorkFolder(Path(sys.argv[1]))):\n"
            "    print('held', flush=True)\n"
            "    time.sleep(0.3)",
            str(season),
        ],
        stdout=subprocess.PIPE,
    )  # fmt: skip
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    with season_lock(folder, patience=30):
        pass
    holder.communicate()


@pytest.mark.parametrize("cores", [0, -1])
def test_a_run_without_a_core_is_refused(season: Path, cores: int) -> None:
    with pytest.raises(UsageError, match="at least one core"):
        run(season, cores=cores)


def test_a_folder_name_that_is_not_utf8_is_refused_with_its_remedy(tmp_path: Path) -> None:
    named = write_plates(Path(str(tmp_path) + "/d\udcff"), PLAN)
    done = crossproof("run", named)
    assert done.returncode == 2
    assert "not UTF-8" in done.stderr
    assert "Rename that folder" in done.stderr


def test_a_user_without_name_and_home_gets_both_for_snakemake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a container: a number unknown to the system, a home that is not there."""
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "none"))
    monkeypatch.setattr("pwd.getpwuid", lambda number: {}[number])
    given = engine_environment(WorkFolder(tmp_path))
    assert given["LOGNAME"].startswith("user")
    assert Path(given["HOME"]) == tmp_path / ".crossproof" / "home"
    assert Path(given["HOME"]).is_dir()
