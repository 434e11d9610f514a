"""Snakemake's process: a copy of a command's own, a Python of its own for everybody else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = """
import io
import json
import os
import sys
import threading
from pathlib import Path

from crossproof.runner.engine_process import (
    Engine, before_libraries_are_loaded, start_engine, this_process_is_a_command,
)
from crossproof.season.work_folder import WorkFolder, season_lock

how, folder = sys.argv[1], Path(sys.argv[2])
if how != "not ours":
    this_process_is_a_command()
before_libraries_are_loaded()
if how == "with a thread":
    stop = threading.Event()
    threading.Thread(target=stop.wait).start()
print("said before", end="")
if how == "ours":
    sys.stderr = io.StringIO()  # as a line that moves in a terminal does
with season_lock(WorkFolder(folder)) as lock, open(folder / "log", "wb") as log:
    reading, writing = os.pipe()
    environment = {**os.environ, "SAID": "to Snakemake", "CROSSPROOF_EVENTS": str(writing)}
    process = start_engine(
        Engine(("--snakefile", "rules", "--cores", "1"), folder, environment, log.fileno(), writing),
        (reading, lock),
    )
    leads = os.getpgid(process.pid) == process.pid
    os.close(writing)
    with open(reading) as events:
        told = events.read()
    status = process.wait()
assert process.poll() == status
if how == "with a thread":
    stop.set()
print(json.dumps([status, leads, os.getcwd(), "SAID" in os.environ, len(told.splitlines())]))
"""
RULES = """
import os
from multiprocessing import current_process
with open("seen", "w") as seen:
    held = [os.path.basename(os.path.realpath(f"/proc/self/fd/{n}")) for n in os.listdir("/proc/self/fd")]
    print(os.environ["SAID"], os.getcwd(), "lock" in held, current_process().name, file=seen)
rule one:
    output: "made"
    shell: "cat > {output}; exit STATUS"
"""


@pytest.mark.parametrize(
    ("how", "status", "forked"), [("ours", 1, True), ("not ours", 0, False), ("with a thread", 0, False)]
)
def test_it_works_in_its_folder_alone(tmp_path: Path, how: str, status: int, forked: bool) -> None:
    (tmp_path / "rules").write_text(RULES.replace("STATUS", str(status)))
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, how, str(tmp_path)],
        input="not for Snakemake",
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
        cwd=tmp_path.parent,
        env={k: v for k, v in os.environ.items() if k != "OMP_NUM_THREADS"},
    )
    assert done.stdout.startswith("said before["), "what was not yet written is written once"
    ended, leads, where, told_ours, events = json.loads(done.stdout.removeprefix("said before"))
    assert (ended, leads, where, told_ours) == (status, True, str(tmp_path.parent), False)
    assert events >= 2, "the job's start and its end"
    *seen, process = (tmp_path / "seen").read_text().split()
    assert seen == ["to", "Snakemake", str(tmp_path), "False"]
    assert process.startswith("ForkProcess-") == forked
    assert done.stderr == ""
    assert "one" in (tmp_path / "log").read_text(), "what Snakemake says goes to its log"
    assert status or (tmp_path / "made").read_text() == "", "nothing comes from the keyboard"
