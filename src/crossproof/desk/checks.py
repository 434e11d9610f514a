"""What `check` finds in a season, kept for as long as no file changes: a page is asked for often."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crossproof.desk.folder import SeasonPlace, fingerprint
from crossproof.errors import Problem, Severity
from crossproof.io.records.causes import Cause, by_cause, unacknowledged
from crossproof.steps.checking import acknowledged_in, check_season

SMALL_BYTES = 1_500_000
"""A season of fewer bytes is checked while the page waits; a larger one in a process of its own, so that the
desk answers meanwhile."""
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
        small = sum(entry[1] for entry in now) < SMALL_BYTES
        with self._lock:
            check = self._checks.get(season.path)
            if check is None or check.of != now:
                check = self._checks[season.path] = _Check(now, threading.Event())
                work = _work if small else _work_beside
                threading.Thread(target=work, args=(season.path, check), daemon=True).start()
        check.done.wait(WAIT_SECONDS if small else BRIEF_SECONDS)
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


def _work_beside(season: Path, check: _Check) -> None:
    try:
        told = subprocess.run(
            [sys.executable, "-m", "crossproof.cli", "check", str(season), "--json"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            check=False,
        )
        check.found = checked_from(json.loads(told.stdout))
    except Exception as fault:  # told by the page that asked
        check.found = Checked((), fault=fault)
    finally:
        check.done.set()


def checked_from(told: Mapping[str, Any]) -> Checked:
    """What `crossproof check --json` told; every row of a cause has the words of its first."""
    causes = []
    for c in told["causes"]:
        severity = Severity(c["severity"])
        problems = tuple(
            Problem(severity, p["file"], p["row"], p["column"], p["value"], c["problem"], c["remedy"])
            for p in c["places"]
        )
        causes.append(Cause(problems[0], problems, c["code"]))
    return Checked(tuple(causes), int(told["acknowledged"]))
