"""The hidden folder of a season: what each step leaves for the next, and the caches.

    season/.crossproof/
      index.json            digest of every input and what follows from it
      records/              checked records as the steps read them
      cache/calls/          calls of one genotype file, by digest
      cache/parts/          parts of a large file, until all are read
      cache/family/         evidence on one bucket's crosses, each under its digest
      work/                 what the rules declare as their outputs
      logs/                 one log per job
      finished.json         what all this was like when a run had done everything there was to do

Nothing here is precious: deleting the folder costs time, never a result. Every file carries the digest of its
content, and what does not fit it is made again (`season/kept_files.py`).
"""

from __future__ import annotations

import fcntl
import glob
import hashlib
import json
import shutil
import time
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

from crossproof.errors import BusyError
from crossproof.io.files.atomic import write_bytes


@dataclass(frozen=True)
class WorkFolder:
    """Places below one season folder."""

    season: Path

    @property
    def hidden(self) -> Path:
        """The hidden folder itself."""
        return self.season / ".crossproof"

    @property
    def results(self) -> Path:
        """Where the user finds results."""
        return self.season / "results"

    @property
    def index(self) -> Path:
        """The index of all inputs."""
        return self.hidden / "index.json"

    @property
    def records(self) -> Path:
        """Checked records as parquet tables."""
        return self.hidden / "records"

    @property
    def calibration(self) -> Path:
        """Run-wide estimates, an input after the first run."""
        return self.season / "calibration.json"

    @property
    def refused(self) -> Path:
        """Exists while results/problems.csv speaks of refused inputs."""
        return self.hidden / "refused"

    def calls(self, digest: str) -> Path:
        """Cache folder of one genotype file's calls."""
        return self.hidden / "cache" / "calls" / digest

    def part(self, digest: str, part: int) -> Path:
        """Cache folder of one part of a large genotype file, until the whole is put together."""
        return self.hidden / "cache" / "parts" / digest / str(part)

    def family_cache(self, bucket: int) -> Path:
        """Cache of one bucket's families, each under its own digest."""
        return self.hidden / "cache" / "family" / f"{bucket}.npz"

    def work(self, *parts: str) -> Path:
        """A step's declared product."""
        return self.hidden.joinpath("work", *parts)


def bucket_of(name: str, buckets: int) -> int:
    """The bucket a member is dealt into: by its name alone, so that a new member moves no other."""
    return zlib.crc32(name.encode("utf-8")) % buckets


def digest_of(*parts: object) -> str:
    """SHA-256 of JSON-serialisable parts, as 40 hex digits."""
    text = json.dumps(parts, sort_keys=True, ensure_ascii=False, default=str, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:40]


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def stat_key(path: Path) -> list[int]:
    """What tells that a file is the one seen before without reading it.

    Modification time alone is not enough: `cp -p` and archives bring new content under an old time.
    """
    s = path.stat()
    return [s.st_size, s.st_mtime_ns, s.st_ctime_ns, s.st_ino]


def read_json(path: Path) -> Any:
    """Read JSON; None where the file does not exist or was cut short by a crash."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, json.JSONDecodeError, UnicodeDecodeError):
        return None


DIGEST_BYTES = 32


def write_kept(path: Path, value: Any) -> None:
    """Write JSON for a later step, with the digest of its content; whole or not at all."""
    content = json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=False).encode()
    write_bytes(path, _BEFORE + content + _after(content))


def read_kept(path: Path) -> Any:
    """What `write_kept` wrote; None where there is no such file or its content does not fit its digest."""
    try:
        held = path.read_bytes()
    except FileNotFoundError:
        return None
    content, sha = held[len(_BEFORE) : -_AFTER_BYTES], held[-_AFTER_BYTES:]
    as_written = held.startswith(_BEFORE) and sha == _after(content)
    return json.loads(content) if as_written else None


_BEFORE = b'{"content": '


def _after(content: bytes) -> bytes:
    """What stands in a kept file after its content."""
    return b', "sha256": "%s"}\n' % hashlib.sha256(content).hexdigest().encode()


_AFTER_BYTES = len(_after(b""))


def write_kept_bytes(path: Path, data: bytes) -> None:
    """Write bytes for a later step, after their digest; whole or not at all."""
    write_bytes(path, hashlib.sha256(data).digest() + data)


def read_kept_bytes(path: Path) -> bytes | None:
    """What `write_kept_bytes` wrote; None where there is no such file or it does not fit its digest."""
    try:
        held = path.read_bytes()
    except FileNotFoundError:
        return None
    data = held[DIGEST_BYTES:]
    return data if hashlib.sha256(data).digest() == held[:DIGEST_BYTES] else None


def require_writable(folder: WorkFolder) -> None:
    """Raise OSError, naming the folder, where a run could not write its results; nothing is left behind."""
    for place in (folder.season, folder.results, folder.hidden):
        if place.is_dir():
            try:
                with TemporaryFile(dir=place):
                    pass
            except OSError as fault:
                raise OSError(fault.errno, fault.strerror, str(place)) from None


def clear_remnants(folder: WorkFolder, results: Iterable[str]) -> None:
    """Remove what a killed run left of files that it was writing.

    `results`: paths of result files, relative to the season. Call it while the season is held: then nobody
    else is writing them.
    """
    wanted = [folder.season / name for name in results] + [folder.calibration]
    left = [p for path in wanted for p in path.parent.glob(f".{glob.escape(path.name)}.*.part")]
    for remnant in [*left, *folder.hidden.rglob(".*.part")]:
        if remnant.is_dir() and not remnant.is_symlink():
            shutil.rmtree(remnant, ignore_errors=True)
        else:
            remnant.unlink(missing_ok=True)


@contextmanager
def season_lock(folder: WorkFolder, patience: float = 0.0) -> Iterator[int]:
    """Hold a season for one run; raises BusyError where another holds it for longer than `patience` seconds.

    The lock belongs to the process: a killed run leaves none behind. Gives the handle that holds it, for a
    fork to close.
    """
    folder.hidden.mkdir(parents=True, exist_ok=True)
    with (folder.hidden / "lock").open("a+") as handle:
        until = time.monotonic() + patience
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError as exc:
                if time.monotonic() >= until:
                    raise BusyError(
                        f"Another run is working on {folder.season}. Nothing was changed; wait for it to end."
                    ) from exc
                time.sleep(0.05)
        yield handle.fileno()


def season_held(folder: WorkFolder) -> bool:
    """Whether somebody holds the season at this moment."""
    try:
        with (folder.hidden / "lock").open() as handle:
            # Shared, so that two who only look do not take each other for a run.
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # never run, or not ours to open
    return False
