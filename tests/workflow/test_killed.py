"""A run that is stopped at any moment leaves whole files or none, and the next run completes the season.

Set CROSSPROOF_KILLS to say how often; the moments are drawn with a seed that is printed when a test fails.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from seasons import TABLES, crossproof, events, tables_of, write_plates

from crossproof.runner.events import Happened
from crossproof.runner.workflow import STOP_SECONDS, jobs_log
from crossproof.season.work_folder import WorkFolder, clear_remnants
from crossproof.simulate.plan import SeasonPlan

PLAN = SeasonPlan(n_markers=16, n_lines=6, n_crosses=24, plants_per_cross=6)
"""Two plates."""
POWER_CUT = 0
"""In place of a signal: every process of the run is killed at once."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes], float]:
    """The season's inputs, its tables when nothing disturbs the run, and how long that takes."""
    folder = tmp_path_factory.mktemp("killed")
    inputs = write_plates(folder / "inputs", PLAN)
    season = shutil.copytree(inputs, folder / "season")
    started = time.monotonic()
    done = crossproof("run", season, "--allow-findings")
    assert done.returncode == 0, done.stdout + done.stderr
    return inputs, tables_of(season), time.monotonic() - started


def start(season: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "crossproof.cli", "run", str(season), "--allow-findings"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        # A test run in the background ignores SIGINT, and what it starts would too.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL) and None,
    )


def descendants(root: int) -> list[int]:
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            children.setdefault(parent, []).append(int(entry.name))
    found, todo = [], [root]
    while todo:
        found.append(todo.pop())
        todo += children.get(found[-1], [])
    return found


def strike(process: subprocess.Popen[bytes], how: int) -> None:
    if how != POWER_CUT:
        process.send_signal(how)
    else:
        for number in descendants(process.pid):
            try:
                os.kill(number, signal.SIGKILL)
            except ProcessLookupError:
                continue
    process.wait(timeout=120)


def assert_whole_or_absent(season: Path, expected: dict[str, bytes]) -> None:
    """Every table there is has the bytes it will have at the end; no other file is cut short."""
    for name in TABLES:
        path = season / "results" / name
        if path.exists():
            assert path.read_bytes() == expected[name], f"{name} is half-written or not of this season"
    page = season / "results" / "report.html"
    assert not page.exists() or page.read_bytes().rstrip().endswith(b"</html>")


def kill_often(inputs: Path, expected: dict[str, bytes], seconds: float, kills: int, folder: Path) -> None:
    """Stop that many runs at random moments; a fresh season after each that got through."""
    rng = random.Random(kills)
    season, done, number = folder / "0", 0, 0
    shutil.copytree(inputs, season)
    while done < kills:
        how = rng.choice([signal.SIGINT, signal.SIGTERM, signal.SIGKILL, POWER_CUT])
        process = start(season)
        try:
            process.wait(timeout=rng.uniform(0, seconds))
        except subprocess.TimeoutExpired:
            strike(process, how)
            done += 1
            assert_whole_or_absent(season, expected)
            continue
        assert process.returncode == 0, f"run {number} after {done} kills"
        assert tables_of(season) == expected
        number += 1
        season = folder / str(number)
        shutil.copytree(inputs, season)
    last = crossproof("run", season, "--allow-findings")
    assert last.returncode == 0, last.stdout + last.stderr
    assert tables_of(season) == expected
    assert not list(season.rglob(".*.part"))


@pytest.mark.timeout(1200)
def test_killed_a_few_times(whole: tuple[Path, dict[str, bytes], float], tmp_path: Path) -> None:
    kills = int(os.environ.get("CROSSPROOF_KILLS", "2"))
    kill_often(*whole, kills, tmp_path)


def test_what_a_killed_run_was_writing_is_cleared_away(tmp_path: Path) -> None:
    """Nothing else is: a hidden file of the user's stays where it is."""
    folder = WorkFolder(tmp_path)
    cut = [
        folder.results / ".operators.csv.ofpj3nhn.part",
        folder.results / ".worklist.xlsx.4711.part",
        tmp_path / ".calibration.json.4711.part",
        folder.work("panel", ".slices.json.4711.part"),
        folder.calls("abc").with_name(".abc.x1.part") / "codes.npy",
    ]
    kept = [
        folder.results / ".notes.part",
        folder.results / "operators.csv",
        tmp_path / ".mine.part",
        folder.index,
    ]
    for path in cut + kept:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    clear_remnants(folder, ["results/operators.csv", "results/worklist.xlsx"])
    assert [p for p in cut if p.exists()] == []
    assert [p for p in kept if not p.exists()] == []
    assert not folder.calls("abc").with_name(".abc.x1.part").exists()


def snakemake_of(run: subprocess.Popen[bytes]) -> int | None:
    """Process number of the Snakemake a run has started."""
    for number in descendants(run.pid)[1:]:
        try:
            parent, group = (Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split())[1:3]
        except OSError:
            continue
        if int(parent) == run.pid and int(group) == number:
            return number
    return None


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_workflow_that_hears_no_signal_is_killed(
    whole: tuple[Path, dict[str, bytes], float], tmp_path: Path
) -> None:
    """Snakemake can hang in its own handler; the run ends nevertheless, and the next one completes."""
    inputs, expected, _ = whole
    season = shutil.copytree(inputs, tmp_path / "season")
    run = start(season)
    while not any(e.happened is Happened.STARTED for e in events(season)):
        assert run.poll() is None, "the run ended before it was told to"
        time.sleep(0.02)
    stopped = snakemake_of(run)
    assert stopped is not None
    os.kill(stopped, signal.SIGSTOP)
    run.send_signal(signal.SIGTERM)
    assert run.wait(timeout=STOP_SECONDS + 20) == 3
    assert_whole_or_absent(season, expected)
    done = crossproof("run", season, "--allow-findings")
    assert done.returncode == 0, done.stdout + done.stderr
    assert tables_of(season) == expected


@pytest.mark.timeout(300)
def test_a_run_told_to_stop_while_a_job_is_booked_ends_by_itself(
    whole: tuple[Path, dict[str, bytes], float], tmp_path: Path
) -> None:
    """The moment at which Snakemake's handler of SIGTERM waits for a lock that its own thread holds."""
    season = shutil.copytree(whole[0], tmp_path / "season")
    for _ in range(2):
        jobs_log(WorkFolder(season)).unlink(missing_ok=True)
        run = start(season)
        while not any(e.happened is Happened.FINISHED for e in events(season)):
            assert run.poll() is None, "the run ended before it was told to"
            time.sleep(0.001)
        run.send_signal(signal.SIGTERM)
        started = time.monotonic()
        assert run.wait(timeout=60) == 3
        assert time.monotonic() - started < STOP_SECONDS - 1, "it had to be killed"


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_killed_fifty_times(whole: tuple[Path, dict[str, bytes], float], tmp_path: Path) -> None:
    bounded = os.environ.get("CROSSPROOF_CALIBRATION") == "bounded"
    kill_often(*whole, int(os.environ.get("CROSSPROOF_KILLS", "10" if bounded else "50")), tmp_path)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_full_disk_stops_the_run_and_room_lets_it_finish(
    whole: tuple[Path, dict[str, bytes], float], tmp_path: Path
) -> None:
    inputs, expected, _ = whole
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], capture_output=True, text=True
    )
    if mounted.returncode:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    rng = random.Random(1)
    try:
        season = shutil.copytree(inputs, disk / "season")
        full = 0
        for _ in range(6):
            blocks = os.statvfs(disk)
            used = (blocks.f_blocks - blocks.f_bfree) * blocks.f_frsize // 1024
            room = used + rng.randrange(40, 600)
            subprocess.run(["mount", "-o", f"remount,size={room}k", str(disk)], check=True)
            done = crossproof("run", season, "--allow-findings")
            full += done.returncode != 0
            assert done.returncode in (0, 2), done.stdout + done.stderr
            if done.returncode == 2:
                assert "The disk is full." in done.stderr
                assert "Free some space on it." in done.stderr
                assert "Traceback" not in done.stdout + done.stderr
            assert_whole_or_absent(season, expected)
        assert full, "the disk was never full"
        subprocess.run(["mount", "-o", "remount,size=100m", str(disk)], check=True)
        done = crossproof("run", season, "--allow-findings")
        assert done.returncode == 0, done.stdout + done.stderr
        assert tables_of(season) == expected
    finally:
        subprocess.run(["umount", str(disk)], check=False)
