"""Rows of a sheet that is a text file changed, added and taken away; all else stays byte for byte."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from crossproof.io.sheets.shape import DELIMITERS, Sheet
from crossproof.io.sheets.sheet import parse_sheet

BOM = "\ufeff"


@dataclass(frozen=True)
class TextRows:
    """A sheet of UTF-8 text with one separator, and where its rows stand in it.

    `places`: column of the text at which each heading of the sheet stands. `width`: columns of the text.
    """

    sheet: Sheet
    lines: tuple[str, ...]
    delimiter: str
    places: tuple[int, ...]
    width: int
    end: str
    bom: bool

    def changed(
        self,
        cells: Mapping[int, Sequence[str]],
        added: Sequence[Sequence[str]] = (),
        taken: Collection[int] = (),
    ) -> bytes:
        """The sheet with rows given other cells, rows added at its end, and rows taken away.

        Rows count from 0, in the order of the sheet; cells are in the order of its headings.
        """
        lines = list(self.lines)
        for at in sorted({*cells, *taken}, reverse=True):
            first, past = self._span(at)
            record = self._record(first)
            if at in taken:
                del lines[first:past]
                continue
            record += [""] * (self.width - len(record))
            for place, text in zip(self.places, cells[at], strict=True):
                record[place] = text
            lines[first:past] = [self._line(record)]
        if added and lines and not lines[-1].endswith(("\n", "\r")):
            lines[-1] += self.end
        for row in added:
            record = [""] * self.width
            for place, text in zip(self.places, row, strict=True):
                record[place] = text
            lines.append(self._line(record))
        return ((BOM if self.bom else "") + "".join(lines)).encode("utf-8")

    def _record(self, first: int) -> list[str]:
        return next(csv.reader(self.lines[first:], delimiter=self.delimiter))

    def _span(self, at: int) -> tuple[int, int]:
        """First line of a row, and the one after its last: a quoted cell may hold line ends."""
        first = self.sheet.row_numbers[at] - 1
        reader = csv.reader(self.lines[first:], delimiter=self.delimiter)
        next(reader)
        return first, first + reader.line_num

    def _line(self, cells: Sequence[str]) -> str:
        out = io.StringIO()
        csv.writer(out, delimiter=self.delimiter, lineterminator=self.end).writerow(cells)
        return out.getvalue()


def text_rows(data: bytes, *, shown_as: str, known: Collection[str] = ()) -> TextRows | None:
    """The rows of a sheet; None for a workbook, a text that is not UTF-8, or one that cannot be read."""
    sheet = parse_sheet(data, shown_as=shown_as, known=known)
    if not sheet.readable or sheet.cut_short:
        return None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    bom = text.startswith(BOM)
    lines = tuple(io.StringIO(text.removeprefix(BOM), newline=""))
    if len(lines) < sheet.header_row:
        return None
    for delimiter in DELIMITERS:
        heading = next(csv.reader(lines[sheet.header_row - 1 :], delimiter=delimiter))
        places = tuple(i for i, cell in enumerate(heading) if cell.strip())
        if tuple(heading[i].strip() for i in places) == sheet.headings:
            end = "\r\n" if "\r\n" in text else "\n"
            return TextRows(sheet, lines, delimiter, places, len(heading), end, bom)
    return None
