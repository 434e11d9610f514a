"""All problems of one file, up to a cap: a file of the wrong kind must not fill a terminal."""

from __future__ import annotations

from crossproof.errors import PlateError, Problem, error

CAP = 2000
"""Problems of one file that are kept: a message is given by cause, and problems.csv lists them all."""


class TooManyProblems(Exception):
    """The cap is reached several times over; reading on would teach nothing more."""


class ProblemList:
    """Collects the problems of one file; the first `CAP` are kept, the others counted."""

    def __init__(self, shown_as: str) -> None:
        self.shown_as = shown_as
        self.kept: list[Problem] = []
        self.more = 0
        self.stopped = False

    def add(
        self, problem: str, remedy: str, *, row: int | None = None, column: str = "", value: object = ""
    ) -> None:
        """Note one error."""
        if len(self.kept) >= CAP:
            self.more += 1
            if self.more >= CAP:
                self.stopped = True
                raise TooManyProblems
            return
        shown = str(value)
        if len(shown) > 60:
            shown = shown[:57] + "..."
        self.kept.append(error(self.shown_as, problem, remedy, row=row, column=column, value=shown))

    def __bool__(self) -> bool:
        return bool(self.kept)

    def raise_if_any(self) -> None:
        """Raise PlateError with everything noted."""
        if self.kept:
            raise PlateError(self.listed())

    def listed(self) -> list[Problem]:
        """Everything noted, and a line that says how many more there are."""
        problems = list(self.kept)
        if self.more:
            tail = "; the rest of the file was not looked at" if self.stopped else ""
            problems.append(
                error(
                    self.shown_as,
                    f"{self.more} more problems of this file are not listed{tail}.",
                    "Mend those above first and check again.",
                )
            )
        return problems
