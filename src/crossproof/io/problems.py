"""Problems collected while input is read: all of them, up to a cap; messages are given by cause."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from crossproof.errors import PlateError, Problem, Severity
from crossproof.text import shortened

MOST = 10_000
"""Problems of one kind that are listed; the others are counted."""
MOST_ALIKE = 2000
"""Problems of one genotype file that are listed."""
GIVEN_UP = 2 * MOST_ALIKE
"""Problems of one genotype file after which reading on would teach nothing more."""


class TooManyProblems(Exception):
    """So many problems that the rest of the file is not looked at."""


@dataclass(frozen=True)
class Fault:
    """What is wrong with a value wherever it stands, and what to do about it."""

    problem: str
    remedy: str
    severity: Severity = Severity.ERROR


class Problems:
    """Problems of one file, or of several files that are read as one.

    Of each kind (severity, column and text) at most MOST are listed and the others counted. With `alike`
    all problems are of one kind, at most MOST_ALIKE are listed, and after GIVEN_UP of them TooManyProblems is
    raised: so for a genotype file, where one that is of the wrong kind has a problem in every cell.
    """

    def __init__(self, file: str = "", *, alike: bool = False) -> None:
        self.file, self.alike = file, alike
        self.most = MOST_ALIKE if alike else MOST
        self.stopped = False
        self._listed: list[Problem] = []
        self._counts: dict[tuple[Severity, str, str], int] = {}
        self._files: dict[tuple[Severity, str, str], str] = {}

    def __bool__(self) -> bool:
        return bool(self._listed)

    def note(
        self,
        fault: Fault,
        *,
        file: str = "",
        row: int | None = None,
        column: str = "",
        value: object = "",
    ) -> None:
        """Note a fault at its place; `file` where it is not that of all."""
        file = file or self.file
        kind = (Severity.ERROR, "", "") if self.alike else (fault.severity, column, fault.problem)
        count = self._counts[kind] = self._counts.get(kind, 0) + 1
        self._files.setdefault(kind, file)
        if count <= self.most:
            found = Problem(
                fault.severity, file, row, column, shortened(str(value)), fault.problem, fault.remedy
            )
            self._listed.append(found)
        elif self.alike and count >= GIVEN_UP:
            self.stopped = True
            raise TooManyProblems

    def error(
        self, problem: str, remedy: str, *, row: int | None = None, column: str = "", value: object = ""
    ) -> None:
        """Note an error."""
        self.note(Fault(problem, remedy), row=row, column=column, value=value)

    def warning(
        self, problem: str, remedy: str, *, row: int | None = None, column: str = "", value: object = ""
    ) -> None:
        """Note a warning."""
        self.note(Fault(problem, remedy, Severity.WARNING), row=row, column=column, value=value)

    def count_more(self, number: int) -> None:
        """Count further problems of a file whose problems are all of one kind, without listing them."""
        kind = (Severity.ERROR, "", "")
        self._counts[kind] = self._counts.get(kind, 0) + number

    def extend(self, problems: Iterable[Problem]) -> None:
        """Add problems that were found elsewhere, as they are."""
        self._listed.extend(problems)

    def listed(self) -> list[Problem]:
        """Everything noted, and a line for what was only counted."""
        return self._listed + [self._more(kind, n) for kind, n in self._counts.items() if n > self.most]

    def _more(self, kind: tuple[Severity, str, str], count: int) -> Problem:
        severity, column, text = kind
        more = count - self.most
        if self.alike:
            tail = "; the rest of the file was not checked" if self.stopped else ""
            told, remedy = f"{more} more problems of this file are not listed{tail}.", "those above"
        else:
            rows = "row has" if more == 1 else "rows have"
            told, remedy = f"{more} more {rows} this problem: {text}", "the rows listed"
        remedy = f"Correct {remedy} first and check again."
        return Problem(severity, self._files[kind], None, column, "", told, remedy)

    def raise_if_any(self) -> None:
        """Raise PlateError with everything noted."""
        if self:
            raise PlateError(self.listed())
