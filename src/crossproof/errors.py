"""What can go wrong, and who has to act.

    CrossproofError          exit status
    ├── ProblemsError            carries every problem found
    │   ├── InputError       2   the user's files cannot be used
    │   │   └── UsageError   2   the command line cannot be carried out
    │   └── PlateError       1   one genotype file cannot be trusted; it is set aside, the others go on
    ├── BusyError            2   another run holds this season
    └── InternalError        3   an internal error

A user's mistake is a `Problem`: where it is, what is there, why it matters, what to do.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self


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

    def entry(self) -> dict[str, Any]:
        """The problem as plain data."""
        return {**vars(self), "severity": self.severity.value}

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> Problem:
        """A problem from plain data."""
        return cls(**{**entry, "severity": Severity(entry["severity"])})


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


class ProblemsError(CrossproofError):
    """Carries every problem found, not the first only."""

    def __init__(self, problems: Iterable[Problem] | Problem) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(p.sentence() for p in self.problems))

    @classmethod
    def at(cls, file: str, problem: str, remedy: str, **place: Any) -> Self:
        """The error of one problem; `place` as in `error`."""
        return cls(error(file, problem, remedy, **place))

    def __reduce__(self) -> tuple[type, tuple[Any, ...]]:
        return type(self), (self.problems,)


class InputError(ProblemsError):
    """The user's files cannot be used."""

    exit_status = 2


class UsageError(InputError):
    """The command line cannot be carried out as given."""


class PlateError(ProblemsError):
    """One genotype file cannot be trusted; it is set aside and the others go on."""

    exit_status = 1


class BusyError(CrossproofError):
    """Another run holds this season; nothing was changed."""

    exit_status = 2


class InternalError(CrossproofError):
    """An internal error."""


_OF_THE_MACHINE = {
    errno.EACCES: (
        "You do not have permission to read or write it.",
        "Ask for permission to read and write it.",
    ),
    errno.EPERM: (
        "You do not have permission to read or write it.",
        "Ask for permission to read and write it.",
    ),
    errno.EROFS: ("It is on a disk that cannot be written.", "Copy the season to a disk that can."),
    errno.ENOSPC: ("The disk is full.", "Free some space on it."),
    errno.EDQUOT: ("Your disk quota is used up.", "Free some space on it."),
    errno.EFBIG: ("The file has reached the largest size the system allows.", "Ask whoever runs the system."),
    errno.ENOTDIR: ("There is a file where a folder is needed.", "Move the file away."),
    errno.EISDIR: ("There is a folder where a file is needed.", "Move the folder away."),
    errno.EEXIST: ("There is a file where a folder is needed.", "Move the file away."),
    errno.ENAMETOOLONG: ("The name is too long for this disk.", "Choose shorter names of folders."),
    errno.EIO: ("The disk reported an error.", "Ask whoever runs the system; keep a copy of your files."),
}


_STOPS = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EFBIG, errno.EACCES, errno.EPERM)


def machine_fault(lines: Sequence[str], place: str) -> OSError | None:
    """The fault of the machine that a log's last lines speak of, as one of `place`; None where of none."""
    for line in reversed(lines):
        for number in _STOPS:
            if f"[Errno {number}]" in line or f": {_OF_THE_MACHINE[number][0]} " in line:
                return OSError(number, os.strerror(number), place)
    return None


def machine_problem(fault: OSError) -> Problem | None:
    """What the machine, not the input and not our code, refused to do; None where it is none of that kind."""
    if fault.errno not in _OF_THE_MACHINE:
        return None
    problem, remedy = _OF_THE_MACHINE[fault.errno]
    return error(
        str(fault.filename or "the season folder"), problem, f"{remedy} Then run the same command again."
    )
