"""What can go wrong, and who has to act.

    CrossproofError          exit status
    ├── InputError           2   the user's files cannot be used; carries every problem found
    │   └── UsageError       2   the command line cannot be carried out
    ├── PlateError           1   one genotype file cannot be trusted; it is set aside, the others go on
    ├── BusyError            2   another run holds this season
    └── InternalError        3   a fault of ours

A user's mistake is a `Problem`: where it is, what is there, why it matters, what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """Whether a problem stops the run."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong with one place of one input.

    `row` counts lines as a text editor or spreadsheet shows them (the header is row 1);
    None where the whole file is meant. `value` is the user's own text.
    """

    severity: Severity
    file: str
    row: int | None
    column: str
    value: str
    problem: str
    remedy: str

    def sentence(self) -> str:
        """The problem as one line for a terminal."""
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column:
            where += f", column {self.column}"
        value = f" ({self.value!r})" if self.value else ""
        return f"{self.severity}: {where}{value}: {self.problem} {self.remedy}"


def error(
    file: str, problem: str, remedy: str, *, row: int | None = None, column: str = "", value: object = ""
) -> Problem:
    """A problem that stops the run."""
    return Problem(Severity.ERROR, file, row, column, str(value), problem, remedy)


def warning(
    file: str, problem: str, remedy: str, *, row: int | None = None, column: str = "", value: object = ""
) -> Problem:
    """A problem that is reported while the run goes on."""
    return Problem(Severity.WARNING, file, row, column, str(value), problem, remedy)


class CrossproofError(Exception):
    """Base of all errors raised on purpose."""

    exit_status = 3


class InputError(CrossproofError):
    """The user's files cannot be used; `problems` lists everything found, not the first only."""

    exit_status = 2

    def __init__(self, problems: Iterable[Problem] | Problem) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(p.sentence() for p in self.problems))

    def __reduce__(self) -> tuple[type, tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class UsageError(InputError):
    """The command line cannot be carried out as given."""


class PlateError(CrossproofError):
    """One genotype file cannot be trusted; it is set aside and the others go on."""

    exit_status = 1

    def __init__(self, problems: Iterable[Problem] | Problem) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(p.sentence() for p in self.problems))

    def __reduce__(self) -> tuple[type, tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class BusyError(CrossproofError):
    """Another run holds this season; nothing was changed."""

    exit_status = 2


class InternalError(CrossproofError):
    """A fault of ours."""
