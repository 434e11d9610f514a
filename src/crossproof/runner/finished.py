"""A season that is as its last whole run left it has nothing to be done, and Snakemake need not be asked.

After a run whose workflow ended well, the sizes, times and inodes of everything it keeps and of its results
are noted beside a digest of all that its jobs depend on. The next run compares; whatever is not exactly as
noted, and every doubt, goes the long way.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from crossproof import METHOD_VERSION, RATES_VERSION, __version__
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import WorkFolder, digest_of, read_kept, stat_key, write_kept


def work_digest(index: SeasonIndex, workflow: Path) -> str:
    """Digest of what the jobs of a season depend on, as it is at this moment.

    `workflow`: the folder of the rules. Take it before the run: how a file's reading went is part of it, so
    that a file to be tried again never counts as done.
    """
    return digest_of(
        (__version__, METHOD_VERSION, RATES_VERSION),
        [(str(p.relative_to(workflow)), sha256(p.read_bytes()).hexdigest()) for p in _rules(workflow)],
        str(index.config.source),
        index.run_digest,
        index.panel_digest(),
        [(bucket, index.ingest_digest(bucket)) for bucket in sorted(index.batch_buckets())],
        index.buckets,
        sorted(index.parts.items()),
    )


def note_finished(index: SeasonIndex, digest: str) -> None:
    """Note that a run did everything there was to do under this digest."""
    write_kept(_note(index.folder), {"digest": digest, "files": _state(index)})


def is_finished(index: SeasonIndex, digest: str) -> bool:
    """Whether the season is, file by file, as a run under this digest left it."""
    noted = read_kept(_note(index.folder)) or {}
    return noted.get("digest") == digest and noted["files"] == _state(index)


def _note(folder: WorkFolder) -> Path:
    return folder.hidden / "finished.json"


def _rules(workflow: Path) -> list[Path]:
    return sorted([workflow / "Snakefile", *(workflow / "rules").glob("*.smk")])


def _state(index: SeasonIndex) -> dict[str, list[int] | None]:
    """What tells that each file is the one that it was; None for one that is not there."""
    before = len(os.path.join(index.folder.season, ""))
    return {str(p)[before:]: _stat(p) for p in _kept(index)}


def _stat(path: Path) -> list[int] | None:
    try:
        return stat_key(path)
    except OSError:
        if path.exists():
            raise
        return None


def _kept(index: SeasonIndex) -> Iterator[Path]:
    folder = index.folder
    for name in ("work", "cache"):  # records are known by their digests, which the index looks at
        yield from map(Path, _files_below(str(folder.hidden / name)))
    yield from (folder.season / name for name in index.result_files())
    yield folder.calibration


def _files_below(folder: str) -> Iterator[str]:
    """Whatever lies in a folder and in those below it and is no folder itself."""
    try:
        entries = list(os.scandir(folder))
    except FileNotFoundError:
        return
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            yield from _files_below(entry.path)
        elif not entry.is_dir():
            yield entry.path
