"""Text tables as a grid of numbered distinct strings, fast and without conversion.

A genotype table repeats a few strings millions of times. Each chunk of lines is searched once for its
separators, the cells are read eight bytes at a time as numbers, and equal cells get equal codes; only the
distinct strings ever become text. 007 stays 007, 1E5 stays 1E5, NA stays NA. A file with quotation marks goes
through the csv module and gives the same grid.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.io.files.delimited import Delimited, QuotationError
from crossproof.io.problems import Problems
from crossproof.model.arrays import Int32s, Ints

_CHUNK = 1 << 22
_LONGEST_CELL = 1000
_LONGEST_QUOTED = 1 << 27
_LONG = 64
_SHIFT = np.array([63, 56, 48, 40, 32, 24, 16, 8, 0], dtype=np.uint64)  # bits to clear, by bytes to keep
_SEPARATORS = {b",": "comma", b";": "semicolon", b"\t": "tab"}


@dataclass
class Grid:
    """A table: `headings` (column,), `rows` (row,) row numbers as an editor shows them, `codes` (row, column)
    int32 into `texts`, the distinct cell texts without blanks around them.
    """

    headings: list[str]
    rows: Ints
    codes: Int32s
    texts: list[str]
    notes: list[str]
    header_row: int = 1

    def column(self, place: int) -> list[str]:
        """Texts of one column."""
        return [self.texts[c] for c in self.codes[:, place].tolist()]


def read_grid(data: bytes, problems: Problems) -> Grid:
    """Grid of a text table. Raises PlateError, through `problems`, where it is no sound table."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    _check_text(data, problems)
    notes: list[str] = []
    data = data.replace(b"\r\n", b"\n") if b"\r" in data else data
    if b"\r" in data:
        problems.error(
            "The file holds carriage returns (CR) that end no line as others do.",
            "Save it again as CSV UTF-8 with one kind of line end.",
            row=data[: data.index(b"\r")].count(b"\n") + 1,
        )
        problems.raise_if_any()
    if not data.endswith(b"\n"):
        data += b"\n"
    header_row, at = 1, 0
    while True:
        end = data.find(b"\n", at)
        if end < 0:
            problems.error("The table has no header and no rows.", "Export it again.")
            problems.raise_if_any()
        line = data[at:end].strip()
        if line and not line.startswith(b"#") and line.strip(b",;\t "):
            break
        if line.startswith(b"#"):
            notes.append(f"line {header_row} starts with # and was skipped")
        header_row, at = header_row + 1, end + 1
    separator = _separator(data[at:], header_row, problems)
    if b'"' in data:
        grid = _quoted(data[at:], separator, header_row, problems)
    else:
        headings = [h.strip() for h in data[at:end].decode("utf-8").split(separator.decode())]
        grid = _fast(data, end + 1, separator, headings, header_row, problems)
    grid.notes = notes + grid.notes
    return finish(grid, problems)


def grid_of_rows(
    headings: list[str], rows: list[tuple[str, ...]], numbers: list[int], header_row: int
) -> Grid:
    """Grid of rows that another reader (a workbook's) gives as text."""
    codes = np.empty((len(rows), len(headings)), dtype=np.int32)
    known: dict[str, int] = {}
    for i, row in enumerate(rows):
        codes[i] = [known.setdefault(cell.strip(), len(known)) for cell in row]
    return Grid(headings, np.array(numbers, dtype=np.int64), codes, list(known), [], header_row)


def finish(grid: Grid, problems: Problems) -> Grid:
    """Leave out rows and trailing columns that are empty throughout; check the headings."""
    blank = np.array([t == "" for t in grid.texts] or [False], dtype=bool)
    if grid.codes.size:
        empty_rows = blank[grid.codes].all(axis=1)
        if empty_rows.any():
            grid.notes.append(f"{int(empty_rows.sum())} empty rows were left out")
            grid.codes, grid.rows = grid.codes[~empty_rows], grid.rows[~empty_rows]
    while grid.headings and not grid.headings[-1] and blank[grid.codes[:, -1]].all():
        grid.headings, grid.codes = grid.headings[:-1], grid.codes[:, :-1]
    seen: dict[str, int] = {}
    for place, heading in enumerate(grid.headings):
        if not heading:
            problems.error(
                "A column has no heading.",
                "Name it, or delete the column.",
                row=grid.header_row,
                column=f"column {place + 1}",
            )
        elif heading in seen:
            problems.error(
                f"Two columns have the same heading (columns {seen[heading] + 1} and {place + 1}).",
                "Give each marker or sample its own name.",
                row=grid.header_row,
                column=heading,
            )
        seen.setdefault(heading, place)
    if not len(grid.rows):
        problems.error("The table has a header but no rows.", "Export it again; it holds no calls.")
    problems.raise_if_any()
    return grid


def _check_text(data: bytes, problems: Problems) -> None:
    if not data.isascii():
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as fault:
            problems.error(
                "From this row on the file is not UTF-8 text, and its letters cannot be read for certain.",
                "Save it again as CSV UTF-8.",
                row=data.count(b"\n", 0, fault.start) + 1,
            )
            problems.raise_if_any()
        else:
            if "\ufffd" in text:
                problems.error(
                    "A letter was lost when the file was converted (replacement mark \ufffd).",
                    "Go back to the original file and save it as CSV UTF-8.",
                    row=text[: text.index("\ufffd")].count("\n") + 1,
                )
    array = np.frombuffer(data, dtype=np.uint8)
    for start in range(0, len(array), _CHUNK):
        part = array[start : start + _CHUNK]
        bad = np.flatnonzero((part < 32) & (part != 9) & (part != 10) & (part != 13))
        if len(bad):
            place = start + int(bad[0])
            problems.error(
                f"The file holds a control character (code {data[place]}): it is damaged or no text.",
                "Export it again.",
                row=data.count(b"\n", 0, place) + 1,
            )
            break
    problems.raise_if_any()


def _separator(data: bytes, header_row: int, problems: Problems) -> bytes:
    """The separator that cuts the first lines into equally many cells."""
    lines = [line for line in data[: 1 << 20].split(b"\n")[:20] if line.strip()]
    if len(data) > 1 << 20 and len(lines) > 1:
        lines.pop()
    present = [s for s in _SEPARATORS if s in lines[0]]
    if len(present) > 1:
        even = [s for s in present if len({len(_cells(line, s)) for line in lines}) == 1]
        if len(even) == 1:
            return even[0]
        if len(lines) > 1 and not even:
            present = []
    if len(present) == 1:
        return present[0]
    problems.error(
        "The columns are not separated by commas, semicolons or tabs throughout."
        if not present
        else "The columns may be separated by "
        + " or by ".join(_SEPARATORS[s] for s in present)
        + "; both cut the lines evenly.",
        "Save the table again as CSV UTF-8 with one separator.",
        row=header_row,
        value=lines[0][:60].decode("utf-8", "replace"),
    )
    problems.raise_if_any()
    raise AssertionError


def _cells(line: bytes, separator: bytes) -> list[str]:
    if b'"' not in line:
        return line.decode("utf-8", "replace").split(separator.decode())
    return next(csv.reader([line.decode("utf-8", "replace")], delimiter=separator.decode()), [])


def _ragged(problems: Problems, row: int, have: int, want: int) -> None:
    problems.error(
        f"The row has {have} cells, the header {want}.",
        "Add or remove cells so that every row has as many as the header; a comma inside a cell needs "
        "quotes.",
        row=row,
    )


def _quoted(data: bytes, separator: bytes, header_row: int, problems: Problems) -> Grid:
    known: dict[str, int] = {}
    rows: list[Int32s] = []
    numbers: list[int] = []
    headings: list[str] = []
    try:
        for line, cells in Delimited(data.decode("utf-8"), separator.decode(), largest=_LONGEST_QUOTED):
            row = header_row + line - 1
            if not headings:
                headings = [c.strip() for c in cells]
            elif not any(c.strip() for c in cells):
                continue
            elif len(cells) != len(headings):
                _ragged(problems, row, len(cells), len(headings))
            else:
                numbers.append(row)
                codes_of_row = [known.setdefault(c.strip(), len(known)) for c in cells]
                rows.append(np.array(codes_of_row, dtype=np.int32))
    except QuotationError as fault:
        problems.error(
            f"The quotation marks do not pair ({fault.reason}).",
            "Remove the quotation marks, or save the table again as CSV.",
            row=header_row + fault.start - 1,
        )
    problems.raise_if_any()
    codes = np.array(rows, dtype=np.int32).reshape(len(rows), len(headings))
    return Grid(headings, np.array(numbers, dtype=np.int64), codes, list(known), [], header_row)


def _fast(
    data: bytes, start: int, separator: bytes, headings: list[str], header_row: int, problems: Problems
) -> Grid:
    width = len(headings)
    known: dict[bytes, int] = {}
    parts: list[Int32s] = []
    numbers: list[Ints] = []
    row = header_row + 1
    mark = separator[0]
    while start < len(data):
        end = data.find(b"\n", min(start + _CHUNK, len(data) - 1)) + 1
        if end - start > _CHUNK + width * _LONGEST_CELL:
            problems.error(
                "A row is far longer than the header allows, so this cannot be a table of calls.",
                "Check that the right file was given.",
                row=row + data.count(b"\n", start, min(start + _CHUNK, len(data) - 1)),
            )
            problems.raise_if_any()
        chunk = data[start:end]
        start = end
        array = np.frombuffer(chunk, dtype=np.uint8)
        marks = np.flatnonzero((array == mark) | (array == 10))
        kinds = array[marks]
        count = int((kinds == 10).sum())
        here = np.arange(row, row + count)
        row += count
        sound = len(marks) == count * width and bool((kinds.reshape(count, width)[:, -1] == 10).all())
        if not sound:
            lines = chunk.split(b"\n")[:-1]
            keep = []
            for i, line in enumerate(lines):
                cells = line.count(separator) + 1
                if not line.strip(b" \t,;"):
                    continue
                if cells == width:
                    keep.append(i)
                else:
                    _ragged(problems, int(here[i]), cells, width)
            chunk = b"".join(lines[i] + b"\n" for i in keep)
            here = here[keep] if keep else here[:0]
            if not len(here):
                continue
            array = np.frombuffer(chunk, dtype=np.uint8)
            marks = np.flatnonzero((array == mark) | (array == 10))
        numbers.append(here)
        parts.append(_codes(chunk, marks, known).reshape(len(here), width))
    problems.raise_if_any()
    codes = np.concatenate(parts) if parts else np.empty((0, width), np.int32)
    rows = np.concatenate(numbers) if numbers else np.empty(0, np.int64)
    texts, recode = _distinct([t.decode("utf-8").strip() for t in known])
    if recode is not None:
        codes = recode[codes]
    return Grid(headings, rows, codes, texts, [], header_row)


def _distinct(texts: list[str]) -> tuple[list[str], Int32s | None]:
    """Texts that became equal when blanks were removed share one code."""
    known: dict[str, int] = {}
    recode = np.array([known.setdefault(t, len(known)) for t in texts], dtype=np.int32)
    return (list(known), recode) if len(known) < len(texts) else (texts, None)


def _codes(chunk: bytes, marks: Ints, known: dict[bytes, int]) -> Int32s:
    """Codes of the cells that end at `marks`; new texts are added to `known`."""
    lent = bytes(_LONG) + chunk
    words = np.ndarray(shape=(len(lent) - 7,), dtype="<u8", buffer=lent, strides=(1,))
    begin = np.concatenate(([0], marks[:-1] + 1))
    length = marks - begin

    def tail(end: Ints, size: Ints) -> NDArray[np.uint64]:
        """The last `size` (0 to 8) bytes before `end` as a number."""
        out = words[end + (_LONG - 8)]
        shift = _SHIFT[size]
        out >>= shift
        out <<= shift
        out[size == 0] = 0
        return out

    short = length <= 8
    if short.all():
        which, firsts = _factorize(tail(marks, length))
        return _known(which, firsts, begin, marks, chunk, known)
    out = np.empty(len(marks), dtype=np.int32)
    places = np.flatnonzero(short)
    which, firsts = _factorize(tail(marks[places], length[places]))
    out[places] = _known(which, firsts, begin[places], marks[places], chunk, known)
    places = np.flatnonzero(~short & (length <= _LONG))
    if len(places):
        end, left = marks[places], length[places]
        which, firsts = _factorize(tail(end, np.minimum(left, 8)))
        while (left > 8).any():
            end, left = end - 8, np.maximum(left - 8, 0)
            step, _ = _factorize(tail(np.maximum(end, 0), np.minimum(left, 8)))
            which, firsts = _factorize(which.astype(np.int64) * (int(step.max()) + 1) + step)
        out[places] = _known(which, firsts, begin[places], marks[places], chunk, known)
    for i in np.flatnonzero(length > _LONG).tolist():
        out[i] = known.setdefault(chunk[begin[i] : marks[i]], len(known))
    return out


def _factorize(values: NDArray[Any]) -> tuple[Ints, Ints]:
    """Number equal values alike; returns numbers, and the place of one value of each number."""
    which, uniques = pd.factorize(values)
    firsts = np.empty(len(uniques), dtype=np.int64)
    firsts[which[::-1]] = np.arange(len(which))[::-1]
    return which, firsts


def _known(
    which: Ints,
    firsts: Ints,
    begin: Ints,
    end: Ints,
    chunk: bytes,
    known: dict[bytes, int],
) -> Int32s:
    ids = np.array(
        [known.setdefault(chunk[begin[i] : end[i]], len(known)) for i in firsts.tolist()], dtype=np.int32
    )
    return ids[which] if len(ids) else np.empty(0, np.int32)
