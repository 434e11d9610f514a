"""The process that runs the jobs is forked from Snakemake's, and ends with it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from crossproof.runner.ask import SOCKET
from crossproof.runner.events import EVENTS_TO
from crossproof.season.processes import ONE_THREAD

SCRIPT = """
import os
import time
from crossproof.runner.ask import ask
from crossproof.runner.engine import warm_process

os.register_at_fork(before=lambda: os.write(1, b"%d " % len(os.listdir("/proc/self/task"))))
with warm_process():
    answers = []
    for _ in range(1000):  # it takes jobs a moment after it was forked
        answers.append(ask(["no-such-step"]))
        if answers[-1] is not None:
            break
        time.sleep(0.01)
print(answers[-1], ask(["no-such-step"]), flush=True)
"""


def test_jobs_are_run_while_snakemake_works_and_no_longer(tmp_path: Path) -> None:
    """Exit status 2 is that of a wrong argument; None says that nobody is there.

    Before it: threads at the fork of the process, and at that of a job. Since Python 3.12 a fork beside other
    threads is warned of.
    """
    reading, writing = os.pipe()
    environment = {**os.environ, **ONE_THREAD, SOCKET: str(tmp_path / "where"), EVENTS_TO: str(writing)}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env=environment,
        pass_fds=(writing,),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    os.close(writing)
    with os.fdopen(reading, "rb") as events:
        assert events.read() == b"", "a handle that is still held would never come to its end"
    assert done.stdout == "1 1 2 None\n"
    assert "no-such-step" in done.stderr
