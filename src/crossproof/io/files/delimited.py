"""Records of delimited text, each with the line that it begins on."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator


class QuotationError(Exception):
    """Quotation marks that do not pair, or a cell that is too long.

    `start` and `last`: lines of the record at which reading stopped; `reason`: the csv module's words.
    """

    def __init__(self, start: int, last: int, reason: str) -> None:
        super().__init__(reason)
        self.start, self.last, self.reason = start, last, reason


class Delimited:
    """Records of a text as they are, blanks and empty cells included.

    With `comments`, lines between records that begin with # are no records; they are kept in that list with
    their numbers. `largest`: most characters of a cell. `skip`: lines at the beginning that are passed over.
    """

    def __init__(
        self, text: str, delimiter: str, *, largest: int, skip: int = 0, comments: bool = False
    ) -> None:
        self.delimiter, self.largest, self.skips_comments = delimiter, largest, comments
        self.comments: list[tuple[int, str]] = []
        self.start = self.last = skip
        self._between = True
        self._numbered = enumerate(io.StringIO(text, newline=""), 1)
        for _ in range(skip):
            next(self._numbered)

    def _lines(self) -> Iterator[str]:
        for number, line in self._numbered:
            if self._between:
                if self.skips_comments and line.lstrip(" \ufeff").startswith("#"):
                    self.comments.append((number, line))
                    continue
                self.start, self._between = number, False
            self.last = number
            yield line

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        """Line and cells of every record; raises QuotationError after the last good one."""
        before = csv.field_size_limit(self.largest)
        try:
            for cells in csv.reader(self._lines(), delimiter=self.delimiter, strict=True):
                self._between = True
                yield self.start, cells
        except csv.Error as fault:
            raise QuotationError(self.start, self.last, str(fault)) from None
        finally:
            csv.field_size_limit(before)
