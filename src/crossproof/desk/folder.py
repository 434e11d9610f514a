"""The seasons of the chosen folder, and where each of them stands; read from disk each time."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Any

from crossproof.desk.faults import NoSeason
from crossproof.errors import InputError, UsageError
from crossproof.io.config.season_config import read_config
from crossproof.runner.events import Happened, read_events
from crossproof.runner.workflow import STAGES, jobs_log
from crossproof.season.input_files import input_names
from crossproof.season.work_folder import WorkFolder, file_sha256, read_json, read_kept, season_held

ITSELF = "~"
"""Name in addresses of the chosen folder where it is itself a season."""
CONFIG = "config.yaml"
MOST_BYTES_READ = 300_000_000
"""Of the files of a season whose times are later than its run; what lies beyond counts as changed."""
LEFT_OUT = frozenset({"results", ".crossproof", ".snakemake"})
"""Folders of a season that hold nothing a user wrote."""


class Standing(StrEnum):
    """Where a season stands."""

    NEW = "not run yet"
    RUNNING = "running"
    STOPPED = "stopped before it was done"
    REFUSED = "refused: its files have problems"
    DONE = "done"
    FOUND = "done, with something to look at"


@dataclass(frozen=True)
class Progress:
    """How far a run is: what it does, jobs done and known."""

    stage: str = "getting ready"
    done: int = 0
    total: int = 0

    @property
    def unfinished(self) -> bool:
        """Whether jobs are left."""
        return self.done < self.total


@dataclass(frozen=True)
class SeasonPlace:
    """A season folder: its name in addresses, its name for people, its path."""

    id: str
    name: str
    path: Path

    @property
    def folder(self) -> WorkFolder:
        """Its places."""
        return WorkFolder(self.path)


@dataclass(frozen=True)
class SeasonState:
    """What is known of a season without reading its sheets.

    `reasons`: what a run set aside or held. `counts`: plants per decision. `finished`: when the last whole
    run ended. `changed`: files that differ from what it read, or came since.
    """

    standing: Standing
    progress: Progress
    reasons: tuple[str, ...] = ()
    counts: tuple[tuple[str, int], ...] = ()
    plants: int = 0
    finished: dt.datetime | None = None
    changed: tuple[str, ...] = ()

    @property
    def has_results(self) -> bool:
        """Whether a run has written its report."""
        return self.finished is not None


def seasons_in(root: Path) -> tuple[SeasonPlace, ...]:
    """The folder itself where it is a season, else the seasons in it, by name."""
    if (root / CONFIG).is_file():
        return (SeasonPlace(ITSELF, root.resolve().name, root),)
    found = []
    with os.scandir(root) as entries:
        for entry in entries:
            if entry.name.startswith(".") or entry.name == ITSELF or not entry.is_dir(follow_symlinks=False):
                continue
            if (root / entry.name / CONFIG).is_file():
                found.append(SeasonPlace(entry.name, entry.name, root / entry.name))
    return tuple(sorted(found, key=lambda s: s.name.casefold()))


def find_season(root: Path, name: str) -> SeasonPlace:
    """The season of this name in addresses; raises NoSeason. Only names that are listed are known."""
    for season in seasons_in(root):
        if season.id == name:
            return season
    raise NoSeason(name)


def place_for(root: Path, name: str) -> Path:
    """Where a new season of this name goes; raises UsageError for a name that is none."""
    name = name.strip()
    bad = not name or name.startswith((".", "~", "-")) or any(c in '/\\:*?"<>|' or ord(c) < 32 for c in name)
    if bad or len(name.encode()) > 100:
        raise UsageError.at(
            "name",
            "This cannot be the name of a season.",
            "Use letters, digits, spaces, - and _, and begin with a letter or digit.",
            value=name,
        )
    if (root / CONFIG).is_file():
        raise UsageError.at(
            "name", "The desk was opened on one season.", "Open it on the folder above for a new one."
        )
    return root / name


def progress_of(folder: WorkFolder, since: float = 0.0) -> Progress:
    """How far the run is that works on a season, or the last one was.

    `since`: when a run was started; what was written before (seconds of the clock) is of an earlier one.
    """
    stage, done, total = "getting ready", 0, 0
    try:
        if jobs_log(folder).stat().st_mtime < since:
            return Progress()
        with jobs_log(folder).open(encoding="ascii") as lines:
            for event in read_events(lines):
                if event.happened is Happened.STARTED:
                    stage = STAGES.get(event.rule, stage)
                elif event.happened is Happened.PROGRESS:
                    done, total = event.done, event.total
    except FileNotFoundError:
        pass
    return Progress(stage, done, total)


def state_of(place: SeasonPlace, *, since: float | None = None) -> SeasonState:
    """Where a season stands; `since`: when the desk started a run of its own that is going."""
    folder = place.folder
    run: dict[str, Any] = read_json(folder.results / "run.json") or {}
    outcome = read_kept(folder.work("outcome.json")) or {}
    finished = _time(run.get("finished"))
    progress = progress_of(folder, since or 0.0)
    if since is not None or season_held(folder):
        standing = Standing.RUNNING
    elif folder.refused.exists():
        standing = Standing.REFUSED
    elif progress.unfinished:
        standing = Standing.STOPPED
    elif finished is None:
        standing = Standing.NEW
    else:
        standing = Standing.FOUND if outcome.get("reasons") else Standing.DONE
    counts = run.get("counts", {})
    return SeasonState(
        standing,
        progress,
        tuple(outcome.get("reasons", ())),
        tuple(counts.get("decisions", {}).items()),
        int(counts.get("plants", 0)),
        finished,
        tuple(_changed_since(place.path, folder.results / "run.json")) if finished else (),
    )


def own_files(season: Path) -> Iterator[Path]:
    """Every file of a season that a user wrote or was given, not what runs made of them."""
    for folder, names, files in os.walk(season):
        names[:] = sorted(n for n in names if n not in LEFT_OUT and not n.startswith("."))
        for name in sorted(files):
            if not name.startswith(".") and name != "calibration.json":
                yield Path(folder, name)


def fingerprint(season: Path) -> tuple[tuple[str, int, int, int], ...]:
    """What changes when any file of a season does, without reading one."""
    found = []
    for path in own_files(season):
        try:
            s = path.stat()
        except OSError:
            continue
        found.append((str(path), s.st_size, s.st_mtime_ns, s.st_ctime_ns))
    return tuple(found)


def _changed_since(season: Path, run: Path) -> Iterator[str]:
    """Inputs whose content differs from what the run read, that are gone, or that the next run reads besides.

    The times of a copied or unpacked season are all later than its run, so an input of a later time is read
    and its digest compared, as long as there is not too much to read.
    """
    try:
        then = run.stat().st_mtime_ns
    except FileNotFoundError:
        return
    record = read_json(run)
    digests = record.get("inputs_sha256", {}) if isinstance(record, dict) else {}
    yield from (name for name in digests if not (season / name).exists())
    to_read, reads = MOST_BYTES_READ, _read_next(season)
    for path, size, modified, changed in fingerprint(season):
        name = Path(path).relative_to(season).as_posix()
        if max(modified, changed) <= then:
            continue
        if (known := digests.get(name)) is not None and size <= to_read:
            to_read -= size
            if _digest(path, size, modified, changed) == known:
                continue
        if known is not None or reads is None or name in reads:
            yield name


def _read_next(season: Path) -> frozenset[str] | None:
    """Names of the files that a run would read; None where its configuration cannot be read."""
    try:
        return input_names(read_config(season, genotypes_come=True))
    except InputError:
        return None


@lru_cache(maxsize=4096)
def _digest(path: str, _size: int, _modified: int, _changed: int) -> str:
    try:
        return file_sha256(Path(path))
    except OSError:
        return ""


def _time(text: object) -> dt.datetime | None:
    try:
        return dt.datetime.fromisoformat(str(text)).astimezone()
    except ValueError:
        return None
