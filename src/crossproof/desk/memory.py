"""What was read of a season, kept for as long as no file of it changes: a page is asked for often."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from crossproof.desk.folder import SeasonPlace, fingerprint
from crossproof.io.config.season_config import Config, read_config
from crossproof.model.findings import Finding
from crossproof.steps.correct import list_findings

T = TypeVar("T")
MOST = 40
"""Things that are kept; the oldest goes first."""
_KEPT: dict[tuple[Path, str], tuple[object, object]] = {}


def remembered(place: SeasonPlace, what: str, also: tuple[Path, ...], make: Callable[[], T]) -> T:
    """What `make` gives, made again only when a file of the season, or one of `also`, has changed.

    What it raises is not kept.
    """
    key = (place.path, what)
    now = (fingerprint(place.path), tuple(_stat(p) for p in also))
    kept = _KEPT.pop(key, None)
    if kept is None or kept[0] != now:
        kept = (now, make())
    _KEPT[key] = kept
    while len(_KEPT) > MOST:
        _KEPT.pop(next(iter(_KEPT)), None)
    return kept[1]  # type: ignore[return-value]


def _stat(path: Path) -> tuple[int, int]:
    try:
        s = path.stat()
    except OSError:
        return 0, 0
    return s.st_mtime_ns, s.st_size


def config_of(place: SeasonPlace) -> Config:
    """The season's configuration; raises InputError where it cannot be read."""
    return remembered(place, "config", (), lambda: read_config(place.path, genotypes_come=True))


def findings_of(place: SeasonPlace) -> tuple[Finding, ...]:
    """What the season's checks found; raises InputError where its sheets have errors."""
    examined = place.folder.work("examine.json")
    return remembered(place, "findings", (examined,), lambda: list_findings(place.path))
