"""Runs that the desk starts: `crossproof run` as a child process, so that it can be stopped and seen.

What a run does stands in the season folder, for whoever looks: its progress, its log, its outcome. The desk
only keeps the process.
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from crossproof.desk.folder import SeasonPlace
from crossproof.errors import BusyError
from crossproof.season.processes import end_with_parent
from crossproof.season.work_folder import read_kept, season_held, write_kept

STOP_SECONDS = 20.0
"""What a run is given to end after it was interrupted, before it is killed; nothing is lost by that."""
TAIL_BYTES = 8000


@dataclass(frozen=True)
class Ended:
    """How the last command that the desk started for a season ended: exit status, and what it said.

    `stopped`: a person stopped it, whatever its status then was.
    """

    command: str
    status: int
    stopped: bool
    said: str


@dataclass
class _Job:
    process: subprocess.Popen[bytes]
    command: str
    season: SeasonPlace
    stopping: bool = False
    started: float = field(default_factory=time.time)


class Jobs:
    """The runs of this desk, by season."""

    def __init__(self, cores: int) -> None:
        self.cores = cores
        self._jobs: dict[Path, _Job] = {}

    @property
    def any(self) -> bool:
        """Whether a run of this desk is going."""
        return any(self.runs(job.season) for job in list(self._jobs.values()))

    def runs(self, season: SeasonPlace) -> bool:
        """Whether this desk has a run going on a season."""
        job = self._jobs.get(season.path)
        if job is None:
            return False
        if job.process.poll() is None:
            return True
        self._note_end(job)
        return False

    def since(self, season: SeasonPlace) -> float | None:
        """When this desk's run on a season was started (seconds of the clock); None where none is going."""
        return self._jobs[season.path].started if self.runs(season) else None

    def stopping(self, season: SeasonPlace) -> bool:
        """Whether a run of this desk was told to stop and has not ended yet."""
        job = self._jobs.get(season.path)
        return job is not None and job.stopping and job.process.poll() is None

    def start(self, season: SeasonPlace, command: str, *options: str) -> None:
        """Start a command on a season; raises BusyError where a run works on it.

        Call it in the main thread: the child is made to end with the thread that started it.
        """
        if self.runs(season) or season_held(season.folder):
            raise BusyError(
                "A run is working on this season already. Nothing was changed; wait for it to end."
            )
        log = _log(season)
        log.parent.mkdir(parents=True, exist_ok=True)
        _end_file(season).unlink(missing_ok=True)
        words = [
            sys.executable,
            "-m",
            "crossproof.cli",
            command,
            str(season.path),
            "--cores",
            str(self.cores),
        ]
        with log.open("wb") as told:
            process = subprocess.Popen(
                [*words, *options],
                stdin=subprocess.DEVNULL,
                stdout=told,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                preexec_fn=end_with_parent,
                env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100", "TERM": "dumb"},
            )
        self._jobs[season.path] = _Job(process, command, season)

    def stop(self, season: SeasonPlace) -> bool:
        """Interrupt the desk's run on a season, as Ctrl+C does; False where it has none."""
        job = self._jobs.get(season.path)
        if job is None or job.process.poll() is not None:
            return False
        if not job.stopping:
            job.stopping = True
            with suppress(ProcessLookupError):
                job.process.send_signal(signal.SIGINT)
        return True

    async def stop_all(self) -> None:
        """Interrupt every run, and wait until all have ended; whoever does not in time is killed."""
        going = [job for job in self._jobs.values() if self.stop(job.season)]
        until = time.monotonic() + STOP_SECONDS
        for job in going:
            while job.process.poll() is None and time.monotonic() < until:
                await asyncio.sleep(0.1)
            if job.process.poll() is None:
                job.process.kill()
                job.process.wait()
            self._note_end(job)

    def _note_end(self, job: _Job) -> None:
        if self._jobs.get(job.season.path) is job:
            del self._jobs[job.season.path]
            with suppress(OSError):
                write_kept(
                    _end_file(job.season),
                    {"command": job.command, "status": job.process.returncode, "stopped": job.stopping},
                )


def last_ended(season: SeasonPlace) -> Ended | None:
    """How the last command ended that a desk started on a season; None where none was, or it is going."""
    held = read_kept(_end_file(season))
    if not isinstance(held, dict):
        return None
    return Ended(
        str(held["command"]), int(held["status"]), bool(held["stopped"]), "\n".join(_tail(_log(season)))
    )


def _tail(log: Path) -> Iterable[str]:
    try:
        with log.open("rb") as handle:
            handle.seek(max(0, log.stat().st_size - TAIL_BYTES))
            return handle.read().decode("utf-8", "replace").splitlines()[-60:]
    except FileNotFoundError:
        return ()


def _log(season: SeasonPlace) -> Path:
    return season.folder.hidden / "logs" / "desk.log"


def _end_file(season: SeasonPlace) -> Path:
    return season.folder.hidden / "logs" / "desk.json"
