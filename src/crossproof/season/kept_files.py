"""Kept files that no longer are what was written: taken away, so that the run makes them again.

Every file that one step leaves for another carries the digest of its content; the tables among the results
have theirs noted beside them in `work/tables`. A run looks at all of them before it plans its jobs. What was
cut short, emptied or changed is deleted together with what stands for it in the workflow, whose jobs then are
planned as if it had never been made.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path

from crossproof.io.calls.store import StoreError, read_arrays
from crossproof.season.file_outcomes import FileOutcome
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import WorkFolder, file_sha256, read_kept, read_kept_bytes, write_kept

PANEL_ARRAYS = ("joined", "fit", "located", "typing")


def note_tables(folder: WorkFolder, rule: str, tables: Iterable[str]) -> None:
    """Note the digests of the result tables that a rule has written; `tables`: file names in results/."""
    sums = {name: file_sha256(folder.results / name) for name in tables}
    write_kept(folder.work("tables", f"{rule}.json"), sums)


def clear_damaged(index: SeasonIndex) -> tuple[Path, ...]:
    """Delete what does not fit its digest and return it, to be told of. Call it while holding the season."""
    found = tuple(_damaged(index))
    for path in found:
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    return found


def _damaged(index: SeasonIndex) -> Iterator[Path]:
    folder = index.folder
    yield from _damaged_json(folder)
    yield from _damaged_evidence(index)
    yield from _damaged_panel(index)
    yield from _damaged_calls(index)
    yield from _damaged_tables(folder)


def _damaged_json(folder: WorkFolder) -> Iterator[Path]:
    for path in sorted(folder.work().rglob("*.json")):
        inside = path.relative_to(folder.work()).parts
        if inside[0] == "panel" and inside[1] in PANEL_ARRAYS:
            continue  # the header of arrays, see `_damaged_panel`
        if read_kept(path) is None:
            yield path
            if inside[:2] == ("panel", "families"):
                yield folder.work("panel", "slices.json")
            if inside == ("outcome.json",):
                yield folder.work("gate.json")


def _damaged_evidence(index: SeasonIndex) -> Iterator[Path]:
    folder = index.folder
    for name in index.slices()["verify"]:
        if not folder.work("panel", "families", f"{name}.json").exists():
            yield folder.work("panel", "slices.json")
    for path in sorted([*folder.work("verify").glob("*.npz"), *folder.family_cache(0).parent.glob("*.npz")]):
        if read_kept_bytes(path) is None:
            yield path


def _damaged_panel(index: SeasonIndex) -> Iterator[Path]:
    for name in PANEL_ARRAYS:
        arrays = index.folder.work("panel", name)
        if arrays.exists() and not _whole(arrays):
            yield arrays
            yield index.folder.work("panel", "slices.json")


def _damaged_calls(index: SeasonIndex) -> Iterator[Path]:
    """Calls that are gone or damaged, with the outcome of the job that stored them."""
    folder = index.folder
    for bucket in index.batch_buckets():
        outcomes = folder.work("ingest", f"{bucket}.json")
        lost = [
            folder.calls(outcome.digest)
            for outcome in map(FileOutcome.of, (read_kept(outcomes) or {}).values())
            if outcome.used and not _whole(folder.calls(outcome.digest))
        ]
        if lost:
            yield from (path for path in lost if path.exists())
            yield outcomes


def _damaged_tables(folder: WorkFolder) -> Iterator[Path]:
    for path in sorted(folder.work("tables").glob("*.json")):
        for name, sha in (read_kept(path) or {}).items():
            table = folder.results / name
            if table.exists() and file_sha256(table) != sha:
                yield table


def _whole(arrays: Path) -> bool:
    """Whether stored arrays are all there and as they were written."""
    try:
        read_arrays(arrays)
    except (StoreError, OSError, ValueError):
        return False
    return True
