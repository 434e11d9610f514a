"""Problems put together by their cause: one message for all rows that have it, the worst first."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from crossproof.errors import Problem, Severity
from crossproof.text import first_of

_OWN = re.compile(r"'(?:[^'\\]|\\.)*'|\"[^\"]*\"|\d+(?:[.,:/-]\d+)*")
_PLACE = re.compile(r"\S+, row \d+")
_STANDS = re.compile(r" It occurs \d+ times at this marker\.")
SHOWN = 5
"""Rows and values of a cause that are shown."""

_WORST = {Severity.ERROR: 0, Severity.WARNING: 1, Severity.NOTE: 2}


@dataclass(frozen=True)
class Cause:
    """All problems of one cause: the first of them, in the order of the files, stands for all.

    `code` names it in config.yaml under `acknowledged`; it changes when another value gets the problem.
    """

    first: Problem
    problems: tuple[Problem, ...]
    code: str

    @property
    def severity(self) -> Severity:
        """Whether it stops a run."""
        return self.first.severity

    @property
    def files(self) -> tuple[str, ...]:
        """The files concerned."""
        return tuple(dict.fromkeys(p.file for p in self.problems))

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns concerned."""
        return tuple(dict.fromkeys(p.column for p in self.problems if p.column))

    @property
    def values(self) -> tuple[str, ...]:
        """What was found there."""
        return tuple(dict.fromkeys(p.value for p in self.problems if p.value))

    def where(self) -> str:
        """File, rows and column, in words."""
        text = self.files[0] + (f" and {len(self.files) - 1} more files" if len(self.files) > 1 else "")
        rows = [p.row for p in self.problems if p.row is not None]
        if len(rows) == 1:
            text += f", row {rows[0]}"
        elif rows:
            shown = ", ".join(map(str, dict.fromkeys(rows[:SHOWN])))
            text += f", {len(rows)} rows ({shown}{' ...' if len(rows) > SHOWN else ''})"
        if len(self.columns) == 1:
            text += f", column {self.columns[0]}"
        elif self.columns:
            text += f", {len(self.columns)} columns ({first_of(self.columns, SHOWN)})"
        return text

    def found(self) -> str:
        """The first values."""
        return first_of(self.values, SHOWN)

    def plain(self) -> dict[str, Any]:
        """The cause as plain data, for programs."""
        return {
            "severity": self.severity.value,
            "problem": self.first.problem,
            "remedy": self.first.remedy,
            "count": len(self.problems),
            "code": self.code,
            "files": list(self.files),
            "columns": list(self.columns),
            "places": [
                {"file": p.file, "row": p.row, "column": p.column, "value": p.value} for p in self.problems
            ],
        }


def by_cause(problems: Iterable[Problem]) -> tuple[Cause, ...]:
    """Problems by cause: errors before warnings before notes, and what has most rows first."""
    groups: dict[tuple[object, ...], list[Problem]] = {}
    for p in problems:
        # In a genotype table every marker is a column, and one cause may concern them all.
        column = "" if _STANDS.search(p.problem) or "call" in p.problem else p.column
        groups.setdefault((p.severity, column, kind_of(p.problem)), []).append(p)
    causes = [Cause(g[0], tuple(g), _code(g)) for g in groups.values()]
    return tuple(sorted(causes, key=lambda c: (_WORST[c.severity], -len(c.problems), c.first.file)))


def kind_of(problem: str) -> str:
    """A problem's text without what belongs to one row: names, numbers, places."""
    return _OWN.sub("#", _PLACE.sub("#", _STANDS.sub("", problem)))


def _code(problems: Collection[Problem]) -> str:
    first = next(iter(problems))
    told = [first.column, kind_of(first.problem), *sorted({f"{p.file}\t{p.value}" for p in problems})]
    return "w" + hashlib.sha256("\n".join(told).encode()).hexdigest()[:6]


def unacknowledged(
    problems: Iterable[Problem], acknowledged: Collection[str]
) -> tuple[tuple[Problem, ...], int]:
    """Problems without the warnings and notes that the user has read, and how many causes those were."""
    if not acknowledged:
        return tuple(problems), 0
    kept: list[Problem] = []
    left = 0
    for cause in by_cause(problems):
        if cause.severity is not Severity.ERROR and cause.code in acknowledged:
            left += 1
        else:
            kept += cause.problems
    return tuple(kept), left
