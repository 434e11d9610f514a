"""Files written whole or not at all: beside their place, forced to disk, then moved there.

A reader never meets half a file, and a run that is killed leaves the old one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any


@contextmanager
def put_in_place(path: Path) -> Iterator[Path]:
    """A name beside `path` to write under; what is there at the end takes the place of `path`.

    The name is one that `season.work_folder.clear_remnants` takes away after a kill.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    beside.unlink(missing_ok=True)
    try:
        yield beside
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)
    _sync_folder(path.parent)


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """A file to write to that takes the place of `path` at the end, forced to disk."""
    with put_in_place(path) as beside, beside.open("wb") as handle:
        yield handle
        handle.flush()
        os.fsync(handle.fileno())


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    with whole_file(path) as handle:
        handle.write(data)


def write_json(path: Path, value: Any) -> None:
    """Write JSON whole or not at all, keys sorted, so that equal content is equal bytes."""
    text = json.dumps(value, sort_keys=True, ensure_ascii=False, indent=1, allow_nan=False)
    write_bytes(path, (text + "\n").encode("utf-8"))


def _sync_folder(folder: Path) -> None:
    """Make the new name itself lasting, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
