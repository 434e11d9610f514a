"""Disks that may not be written and disks that are full.

Root may write anywhere, so the disks are made so by mounts in a private mount namespace; where a machine
does not allow that, the tests say so and skip.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from odd_seasons import base, write
from seasons import copy_of_demo, crossproof, tables_of

ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHON": sys.executable}


def privately(script: str, *arguments: object, timeout: float = 250) -> subprocess.CompletedProcess[str]:
    """Run a shell script that may mount what nobody else sees; it ends with status 99 where it may not."""
    command = ["unshare", "--mount", "--propagation", "private", "bash", "-c", script, "bash"]
    try:
        done = subprocess.run(
            [*command, *map(str, arguments)],
            capture_output=True,
            text=True,
            timeout=timeout,
            env=ENVIRONMENT,
        )
    except FileNotFoundError:
        pytest.skip("this machine has no unshare")
    if done.returncode == 99 or done.stderr.startswith("unshare:"):
        pytest.skip(f"nothing can be mounted here: {done.stderr.strip()}")
    return done


def everything(folder: Path) -> dict[str, bytes | None]:
    """Every file of a folder with its bytes, and every folder."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() if p.is_file() else None for p in folder.rglob("*")
    }


READ_ONLY = """
mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" || exit 99
touch "$1/x" 2>/dev/null && exit 98
exec "$PYTHON" -m crossproof.cli "$3" "$2"
"""


@pytest.mark.parametrize("command", ["run", "plan"])
@pytest.mark.parametrize("part", [".", "results", ".crossproof"])
def test_a_season_that_may_not_be_written(command: str, part: str, tmp_path: Path) -> None:
    season = write(tmp_path / "season", base())
    (season / part).mkdir(exist_ok=True)
    (season / part / "old.txt").write_text("of an earlier run", encoding="utf-8")
    before = everything(season)
    done = privately(READ_ONLY, season / part, season, command)
    said = done.stdout + done.stderr
    assert done.returncode == 2, said
    assert "It is on a disk that cannot be written." in said
    assert "How to fix it: Copy the season to a disk that can." in said
    assert str((season / part).resolve()) in said
    assert "Traceback" not in said
    assert "1 error." in said
    assert everything(season) == before


def test_a_season_that_may_not_be_written_can_be_checked(tmp_path: Path) -> None:
    season = write(tmp_path / "season", base())
    before = everything(season)
    done = privately(READ_ONLY, season, season, "check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 warning." in done.stdout
    assert everything(season) == before
    wrong = write(tmp_path / "wrong", base())
    (wrong / "crosses.csv").write_text("cross_id,mother,father\nX001,Lark,Lark\n", encoding="utf-8")
    done = privately(READ_ONLY, wrong, wrong, "check")
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Correct the parents" in done.stdout


FULL = """
export PYTHONDONTWRITEBYTECODE=1
season="$1/disk/season"
mkdir "$1/disk" && mount -t tmpfs -o size=100m tmpfs "$1/disk" || exit 99
cp -r "$2" "$season" || exit 98
for room in 30 400 800; do
    used=$(df -k --output=used "$1/disk" | tail -1)
    mount -o remount,size=$((used + room))k "$1/disk" || exit 97
    "$PYTHON" -m crossproof.cli run "$season" --allow-findings >"$1/$room.said" 2>&1
    echo $? >"$1/$room.status"
    mkdir "$1/$room"
    if [ -d "$season/results" ]; then cp -r "$season/results" "$1/$room/results"; fi
done
mount -o remount,size=100m "$1/disk" || exit 96
"$PYTHON" -m crossproof.cli run "$season" --allow-findings >"$1/last.said" 2>&1
echo $? >"$1/last.status"
mkdir "$1/last" && cp -r "$season/results" "$1/last/results"
"""
"""Room in kB beyond what is used already: next to none, then what suffices for some of the steps."""


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_full_disk_is_said_and_room_lets_the_run_complete(tmp_path: Path) -> None:
    inputs = copy_of_demo(tmp_path / "inputs")
    ordinary = copy_of_demo(tmp_path / "ordinary")
    assert crossproof("run", ordinary, "--allow-findings").returncode == 0
    expected = tables_of(ordinary)
    done = privately(FULL, tmp_path, inputs, timeout=500)
    assert done.returncode == 0, done.stdout + done.stderr
    statuses = []
    for room in ("30", "400", "800"):
        said = (tmp_path / f"{room}.said").read_text(encoding="utf-8")
        statuses.append(int((tmp_path / f"{room}.status").read_text()))
        if statuses[-1]:
            assert statuses[-1] == 2, said
            assert "The disk is full." in said
            assert "How to fix it: Free some space on it. Then run the same command again." in said
            assert "Traceback" not in said
        for name, data in expected.items():
            table = tmp_path / room / "results" / name
            assert not table.exists() or table.read_bytes() == data, f"{name} is half-written at {room} kB"
        page = tmp_path / room / "results" / "report.html"
        assert not page.exists() or page.read_bytes().rstrip().endswith(b"</html>")
    assert statuses[0] == 2
    assert statuses.count(2) >= 2, statuses
    assert (tmp_path / "last.status").read_text().strip() == "0", (tmp_path / "last.said").read_text()
    assert tables_of(tmp_path / "last") == expected
    assert not list((tmp_path / "last" / "results").rglob("*.part"))
