"""What `check` finds in a season, kept for as long as no file changes: a page is asked for often."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

from crossproof.desk.folder import SeasonPlace, fingerprint
from crossproof.errors import Problem
from crossproof.io.records.causes import Cause, by_cause, unacknowledged
from crossproof.steps.checking import acknowledged_in, check_season

SMALL_BYTES = 3_000_000
"""A season of fewer bytes is checked while the page waits."""
WAIT_SECONDS = 4.0
"""How long a page waits for the check of a small season."""
BRIEF_SECONDS = 0.05


@dataclass(frozen=True)
class Checked:
    """The causes of what is wrong, the worst first; `acknowledged`: causes read and left out."""

    causes: tuple[Cause, ...]
    acknowledged: int = 0
    fault: Exception | None = None

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Every problem."""
        return tuple(p for c in self.causes for p in c.problems)


@dataclass
class _Check:
    of: object
    done: threading.Event
    found: Checked | None = None


class Checks:
    """The last check of each season; one thread each works on the next."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._checks: dict[Path, _Check] = {}

    def of(self, season: SeasonPlace) -> Checked | None:
        """What is wrong with a season as it is now; None while that is being found out."""
        now = fingerprint(season.path)
        with self._lock:
            check = self._checks.get(season.path)
            if check is None or check.of != now:
                check = self._checks[season.path] = _Check(now, threading.Event())
                threading.Thread(target=_work, args=(season.path, check), daemon=True).start()
        size = sum(entry[1] for entry in now)
        check.done.wait(WAIT_SECONDS if size < SMALL_BYTES else BRIEF_SECONDS)
        if check.found is not None and check.found.fault is not None:
            raise check.found.fault
        return check.found


def _work(season: Path, check: _Check) -> None:
    try:
        kept, acknowledged = unacknowledged(check_season(season), acknowledged_in(season))
        check.found = Checked(by_cause(kept), acknowledged)
    except Exception as fault:  # told by the page that asked
        check.found = Checked((), fault=fault)
    finally:
        check.done.set()
