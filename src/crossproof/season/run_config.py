"""The index and the configuration of a run, read once for the processes that are forked for it.

Reading the configuration takes a third of a second where it names a thousand genotype files.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

from crossproof.io.config.season_config import Config, read_config
from crossproof.season.work_folder import WorkFolder, read_kept, stat_key

_REMEMBERED: dict[WorkFolder, tuple[list[int], Config]] = {}


def kept_index(folder: WorkFolder) -> Mapping[str, Any]:
    """The index as it lies there, read once while its file stays as it is; empty where there is none."""
    try:
        return _kept_index(folder.index, *stat_key(folder.index))
    except FileNotFoundError:
        return {}


@lru_cache(maxsize=1)
def _kept_index(path: Path, *_stat: int) -> Mapping[str, Any]:
    kept: Mapping[str, Any] = read_kept(path) or {}
    return kept


@contextmanager
def config_remembered(folder: WorkFolder, config: Config) -> Iterator[None]:
    """Have processes that are forked meanwhile know the configuration that goes with the season's index."""
    _REMEMBERED[folder] = stat_key(folder.index), config
    try:
        yield
    finally:
        del _REMEMBERED[folder]


def remembered(folder: WorkFolder) -> Config | None:
    """The configuration that goes with the index as it lies there, where this process knows it."""
    stat, config = _REMEMBERED.get(folder, (None, None))
    return config if stat == stat_key(folder.index) else None


def remember_config(folder: WorkFolder) -> bool:
    """Know a run's configuration for all its jobs; whether its families ask for compiled loops."""
    kept = kept_index(folder)
    _REMEMBERED[folder] = stat_key(folder.index), config_of_run(folder, kept)
    return bool(kept["compiled"])


def config_of_run(folder: WorkFolder, kept: Mapping[str, Any]) -> Config:
    """The configuration as it was when the index was made; `kept`: the index as it lies there."""
    known = remembered(folder)
    return known or read_config(folder.season / kept["config"], kept["configuration"].encode("utf-8"))
