"""Run the workflow for one season: hold its lock, show progress, and say how it ended."""

from __future__ import annotations

import errno
import getpass
import os
import shutil
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TextIO

from crossproof.errors import UsageError, machine_fault
from crossproof.io.config.season_config import find_config
from crossproof.runner.ask import SOCKET
from crossproof.runner.engine_process import Engine, EngineProcess, start_engine
from crossproof.runner.events import EVENTS_TO, Happened, read_events
from crossproof.runner.finished import is_finished, note_finished, work_digest
from crossproof.runner.support import LOCK_HELD, workflow_folder
from crossproof.season.index import SeasonIndex, build_index, clear_refusal, index_of_run, require_unchanged
from crossproof.season.kept_loops import loops_are_kept
from crossproof.season.processes import ONE_THREAD
from crossproof.season.run_config import config_remembered
from crossproof.season.work_folder import WorkFolder, clear_remnants, read_kept, require_writable, season_lock
from crossproof.steps.refusal import refusal_of, refuse
from crossproof.steps.run_step import JUDGING

STAGES = {
    "part": "reading a large genotype file in parts",
    "ingest": "reading genotype files",
    "panel": "combining parent lines, estimating error rates",
    "drift": "checking run-wide rates for drift",
    "verify": "testing plants, family by family",
    "examine": "checking plates",
    "verdicts": "writing verdicts",
    "rates": "estimating rates",
    "report": "drawing the report",
    "gate": "checking the outcome",
    "plan": "planning",
}
COMPILING = "compiling loops for this machine, once (some twenty seconds)"
"""Shown after the first stage that judges families, where that has yet to be done."""
STOP_SECONDS = 10.0
"""What Snakemake is given to end once the run is told to stop, before it is killed."""
STOP_SECONDS_ELSEWHERE = 120.0
"""The same where it has jobs on other hosts to call off."""
AGAIN_SECONDS = 2.0
"""After which a run of this host is told once more: an interrupt can get lost in Snakemake's own loop."""
PATIENCE_SECONDS = 2.0
"""How long a run waits for the season: a check holds it for a moment, another run for long."""
TAIL_LINES = 40
"""Lines of the log that are kept for a run that stopped."""
LEAST_ROOM = 4 << 20
"""Bytes: what a run that stopped for no reason it could write down may have lacked."""


@dataclass(frozen=True)
class RunOutcome:
    """How a run ended: exit status of the contract, the reasons for it, and the last lines of the log."""

    status: int
    reasons: tuple[str, ...]
    log: Path
    tail: tuple[str, ...]
    seconds: float


def run_season(
    where: Path,
    *,
    cores: int = 2,
    profile: str | None = None,
    recalibrate: bool = False,
    targets: Sequence[str] = (),
    on_progress: Callable[[str, int, int], None] = lambda stage, done, total: None,
) -> RunOutcome:
    """Check a season and run the workflow on it.

    `on_progress` is called with what is being done, jobs done, jobs known. Raises InputError where the input
    is refused and BusyError where another run holds the season; nothing is changed in either case except
    `results/problems.csv`. Raises OSError where the machine would not write: a full disk, no right to.
    """
    started = time.monotonic()
    find_config(where)
    folder = WorkFolder((where.parent if where.is_file() else where).absolute())
    _require_possible(folder, cores)
    if profile is not None:
        profile = _profile(profile, workflow_folder())
    require_writable(folder)
    with season_lock(folder, patience=PATIENCE_SECONDS) as lock:
        index = refuse(folder, lambda: build_index(where))
        clear_refusal(folder)
        clear_remnants(folder, index.result_files())
        if recalibrate and folder.calibration.exists():
            os.replace(folder.calibration, folder.hidden / "calibration.before.json")
        digest = work_digest(index, workflow_folder())
        if not targets and is_finished(index, digest) and (said := _said_by(index, 0)) is not None:
            log = _nothing_done(folder)
            return RunOutcome(*said, log, end_of(log), time.monotonic() - started)
        with _jobs_socket(profile) as warm, _source() as source, config_remembered(folder, index.config):
            status, tail, log = _snakemake(
                index, where, source, cores, profile, targets, on_progress, warm, lock
            )
            if refused := refusal_of(folder):
                raise refused
            used = index_of_run(folder.season)
        require_unchanged(used)
        if status == 0 and not targets and used.run_digest == index.run_digest:
            note_finished(used, digest)
        seconds = time.monotonic() - started
        if targets and status == 0:
            return RunOutcome(0, (), log, tail, seconds)
        if not targets and (said := _said_by(used, status)) is not None:
            return RunOutcome(*said, log, tail, seconds)
        _raise_fault_of_machine(tail, folder.season)
        return RunOutcome(3, ("The workflow stopped before it was done.",), log, tail, seconds)


def _said_by(used: SeasonIndex, status: int) -> tuple[int, tuple[str, ...]] | None:
    """Exit status and reasons that the last job of a run wrote, None where it was not reached."""
    outcome = read_kept(used.folder.work("outcome.json")) or {}
    # An outcome of other inputs is that of an earlier run, whose report still lies there.
    if outcome.get("digest") != used.run_digest or (status != 0 and not outcome.get("status")):
        return None
    return int(outcome["status"]), tuple(outcome["reasons"])


def _raise_fault_of_machine(tail: Sequence[str], season: Path) -> None:
    """Raise the OSError that the end of a log speaks of, or that of a full disk."""
    if fault := machine_fault(tail, str(season)) or full_disk(season):
        raise fault


def full_disk(season: Path) -> OSError | None:
    """The fault of a disk with next to no room left, where logs are cut short before they can say so."""
    usage = shutil.disk_usage(season)
    if not usage.total or usage.free >= LEAST_ROOM:  # some network disks tell nothing of their size
        return None
    return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(season))


@contextmanager
def _jobs_socket(profile: str | None) -> Iterator[dict[str, str]]:
    """The environment that has Snakemake's process start one that runs the jobs of a local run.

    A profile may send jobs to other hosts, which it does not reach: none is started then.
    """
    if profile is not None:
        yield {}
        return
    with TemporaryDirectory(prefix="crossproof-") as temporary:
        yield {SOCKET: str(Path(temporary) / "socket"), **ONE_THREAD}


@contextmanager
def _source() -> Iterator[Path]:
    """The folder of the workflow, under another name where its own holds braces: Snakemake formats paths."""
    source = workflow_folder()
    if not set("{}") & set(str(source)):
        yield source
        return
    with TemporaryDirectory(prefix="crossproof-") as temporary:
        link = Path(temporary) / "workflow"
        link.symlink_to(source, target_is_directory=True)
        yield link


def _require_possible(folder: WorkFolder, cores: int) -> None:
    """Raise UsageError for a number of cores or a folder that no run can work with."""
    if cores < 1:
        raise UsageError.at("cores", "A run needs at least one core.", "Give cores=1 or more.", value=cores)
    try:
        str(folder.season).encode("utf-8")
    except UnicodeEncodeError:
        raise UsageError.at(
            str(folder.season).encode("utf-8", "backslashreplace").decode(),
            "The name of the season folder, or of a folder above it, holds bytes that are not UTF-8; "
            "the workflow cannot work there.",
            "Rename that folder.",
        ) from None


def _profile(given: str, source: Path) -> str:
    """A profile by its path or, for one that comes with the workflow, by its name. Raises UsageError."""
    for path in (Path(given), source / "profiles" / given):
        if given and path.is_dir():
            return str(path.resolve())
    known = sorted(p.name for p in (source / "profiles").iterdir() if p.is_dir())
    raise UsageError.at(
        "--profile",
        "There is no profile of this name, and no folder.",
        f"Give the folder of a profile, or one of those that come with crossproof: {', '.join(known)}.",
        value=given,
    )


def _snakemake(
    index: SeasonIndex,
    where: Path,
    source: Path,
    cores: int,
    profile: str | None,
    targets: Sequence[str],
    on_progress: Callable[[str, int, int], None],
    warm: Mapping[str, str],
    lock: int,
) -> tuple[int, tuple[str, ...], Path]:
    folder = index.folder
    config = where if where.is_file() else where / "config.yaml"
    arguments = (
        *targets, "--snakefile", str(source / "Snakefile"), "--configfile", str(config.resolve()),
        "--cores", str(cores), "--workflow-profile", _profile(profile or "default", source), "--nolock",
    )  # fmt: skip
    log = folder.hidden / "logs" / "workflow.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    reading, writing = os.pipe()
    environment = {
        **engine_environment(folder),
        **warm,
        EVENTS_TO: str(writing),
        LOCK_HELD: str(folder.season),
    }
    with log.open("wb") as told:
        engine = Engine(arguments, folder.season, environment, told.fileno(), writing)
        process = start_engine(engine, unshared=(reading, lock))
    os.close(writing)

    here = profile is None
    with _stopped_by_signals(process, STOP_SECONDS if here else STOP_SECONDS_ELSEWHERE, repeat=here):
        with open(reading, encoding="ascii") as lines, jobs_log(folder).open("w", encoding="ascii") as kept:
            _follow(lines, kept, on_progress, _compiles(index))
        return process.wait(), end_of(log), log


def _compiles(index: SeasonIndex) -> bool:
    """Whether the run will compile the loops that judge families: they pay, and none are kept."""
    wanted = (read_kept(index.folder.index) or {}).get("compiled", False)
    return wanted and not loops_are_kept()


def _follow(
    lines: TextIO, kept: TextIO, on_progress: Callable[[str, int, int], None], compiles: bool
) -> None:
    """Keep the events of a run's jobs, and tell how far it is."""
    stage, done, total = "planning the work", 0, 0
    for event in read_events(lines):
        kept.write(event.line())
        kept.flush()
        if event.happened is Happened.STARTED:
            stage = STAGES.get(event.rule, stage)
            if compiles and event.rule in JUDGING:
                on_progress(stage, done, total)
                stage, compiles = COMPILING, False
        elif event.happened is Happened.PROGRESS:
            done, total = event.done, event.total
        else:
            continue
        on_progress(stage, done, total)


@contextmanager
def _stopped_by_signals(process: EngineProcess, patience: float, repeat: bool) -> Iterator[None]:
    """Pass an interrupt or SIGTERM on to a process and its children, which end by the time this is left.

    `patience`: seconds they are given before they are killed. `repeat`: whether they are told again until
    then; not where that would break off the calling off of jobs on other hosts.
    """
    stopping: list[Any] = []  # once told to stop: the handler of SIGALRM that was there before
    until: list[float] = []

    def again(_number: int, _frame: object) -> None:
        late = time.monotonic() >= until[0]
        _signal_group(process.pid, signal.SIGKILL if late else signal.SIGINT)

    def stop(_number: int, _frame: object) -> None:
        # As an interrupt, whatever came: Snakemake's handler of SIGTERM takes a lock that the code it
        # interrupts may hold, and then neither ends. Should an interrupt not end it either, nothing is lost
        # by killing it: every table is written whole or not at all.
        _signal_group(process.pid, signal.SIGINT)
        if not stopping:
            until.append(time.monotonic() + patience)
            stopping.append(signal.signal(signal.SIGALRM, again))
            first = AGAIN_SECONDS if repeat else patience
            signal.setitimer(signal.ITIMER_REAL, first, AGAIN_SECONDS)

    before = {s: signal.signal(s, stop) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        if process.poll() is None:
            stop(signal.SIGINT, None)
            process.wait()
        if stopping:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, stopping[0])
        for number, handler in before.items():
            signal.signal(number, handler)


def _nothing_done(folder: WorkFolder) -> Path:
    """The logs of a run that had nothing to do; the path of the workflow's."""
    log = folder.hidden / "logs" / "workflow.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    log.write_text("Nothing to do: everything is as the last run left it.\n", encoding="utf-8")
    jobs_log(folder).write_text("", encoding="ascii")
    return log


def jobs_log(folder: WorkFolder) -> Path:
    """Where the events of the last run's jobs are kept."""
    return folder.hidden / "logs" / "jobs.jsonl"


def end_of(log: Path) -> tuple[str, ...]:
    """The last lines of a log."""
    with log.open(encoding="utf-8", errors="replace") as handle:
        return tuple(line.rstrip("\n") for line in deque(handle, maxlen=TAIL_LINES))


def engine_environment(folder: WorkFolder) -> dict[str, str]:
    """The environment for Snakemake, which needs a name for the user and a home to keep a cache in.

    In a container or on a cluster a user may have neither: a number unknown to the system, no home or one
    that may not be written.
    """
    environment = dict(os.environ)
    try:
        getpass.getuser()
    except (KeyError, OSError, ImportError):
        environment["LOGNAME"] = f"user{os.getuid()}"
    home = os.path.expanduser("~")
    if not os.path.isabs(home) or not os.access(home, os.W_OK | os.X_OK):
        instead = folder.hidden / "home"
        instead.mkdir(parents=True, exist_ok=True)
        environment["HOME"] = str(instead)
    return environment


def _signal_group(group: int, number: int) -> None:
    """Send a signal to every process of a group; there may be none left."""
    with suppress(ProcessLookupError):
        os.killpg(group, number)
