"""The process that Snakemake works in: forked from a command's own process, started anew from any other.

What the command and Snakemake both need is loaded once where it can be forked. A process that is not ours (a
notebook, a server, a test) may have threads, which a fork does not take along, and settings that Snakemake
should not meet: it starts a Python of its own.
"""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol

from crossproof.runner.engine import run
from crossproof.season.processes import ONE_THREAD, end_with_parent

_OWN: set[int] = set()
"""Number of this process, where it is a command's own."""


class EngineProcess(Protocol):
    """Snakemake's process, which leads a group of its own."""

    @property
    def pid(self) -> int:
        """Number of the process and of its group."""
        ...

    def poll(self) -> int | None:
        """Exit status, None while it works."""
        ...

    def wait(self) -> int:
        """Exit status, once it has ended."""
        ...


@dataclass(frozen=True)
class Engine:
    """What Snakemake is started with: `kept` is the handle that it keeps open, `log` what it says goes to."""

    arguments: tuple[str, ...]
    folder: Path
    environment: Mapping[str, str]
    log: int
    kept: int


def this_process_is_a_command() -> None:
    """Say that this process does one command and ends with it, so that it may be forked."""
    _OWN.add(os.getpid())


def before_libraries_are_loaded() -> None:
    """Keep a command's own process to one thread, which is when it can be forked."""
    if os.getpid() in _OWN:
        os.environ.update(ONE_THREAD)


def start_engine(engine: Engine, unshared: Sequence[int] = ()) -> EngineProcess:
    """Start Snakemake; `unshared`: handles of this process that Snakemake must not hold."""
    if os.getpid() in _OWN and _threads() == 1:
        return _Forked(engine, unshared)
    return subprocess.Popen(
        [sys.executable, "-m", "crossproof.runner.engine", *engine.arguments],
        stdin=subprocess.DEVNULL,
        stdout=engine.log,
        stderr=subprocess.STDOUT,
        cwd=engine.folder,
        env=dict(engine.environment),
        pass_fds=(engine.kept,),
        start_new_session=True,
        preexec_fn=end_with_parent,
    )


def _threads() -> int:
    """Threads of this process; 0 where the system does not say."""
    try:
        return len(os.listdir("/proc/self/task"))
    except OSError:
        return 0


class _Forked:
    """Snakemake in a copy of this process."""

    def __init__(self, engine: Engine, unshared: Sequence[int]) -> None:
        started, told = os.pipe()
        gc.freeze()  # so that the copy need not look through it, nor copy the pages it lies on
        self._process: Any = get_context("fork").Process(
            target=_be_engine, args=(engine, (*unshared, started), told)
        )
        self._process.start()
        os.close(told)
        with os.fdopen(started, "rb") as waiting:
            waiting.read()  # until it leads its group and signals reach it
        gc.unfreeze()

    @property
    def pid(self) -> int:
        return int(self._process.pid)

    def poll(self) -> int | None:
        status: int | None = self._process.exitcode
        return status

    def wait(self) -> int:
        self._process.join()
        return int(self._process.exitcode)


def _be_engine(engine: Engine, unshared: Sequence[int], told: int) -> None:
    """Be Snakemake, in a forked process."""
    os.setsid()
    end_with_parent()
    for handle in unshared:
        os.close(handle)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for target, handle in ((0, nothing), (1, engine.log), (2, engine.log)):
        os.dup2(handle, target)
    os.close(nothing)
    os.close(engine.log)
    # Not through what a command has put before them, such as the line that moves in a terminal.
    sys.stdout, sys.stderr = sys.__stdout__, sys.__stderr__
    os.chdir(engine.folder)
    os.environ.clear()
    os.environ.update(engine.environment)
    os.close(told)
    run(engine.arguments)
