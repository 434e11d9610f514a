"""Rows of a worksheet as the markup that stands in a workbook (ECMA-376 part 1, section 18.3.1).

A library that is handed cell by cell takes ten times as long as the cells' text takes to join, and a season's
workbook has millions. So xlsxwriter makes the book, with headings, widths, styles and of each sheet no more
than one cell in every style and the last row; the rows themselves are put in here, in its own notation:
`tests/report/draw/test_sheet_rows.py` holds that both give the same bytes.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from crossproof.report.content.sheets import Cell
from crossproof.report.draw.archives import joined_archives

MOST_TEXT = 32_000
"""Characters of a cell; a spreadsheet takes 32,767."""
MOST_ROWS = 1_048_576
"""Rows of a sheet."""
_CHUNK = 2_000
_PACKED = 4
"""How hard rows are packed: a third of the time of the usual 6, for a file that is a ninth larger."""
_MOST_REMEMBERED = 50_000

_CELL = re.compile(r'<c r="([A-Z]+)(\d+)" s="(\d+)"')
_UNSAFE = re.compile(r'[&<>"\n\x00-\x08\x0b-\x1f\ufffe\uffff]|_x[0-9a-fA-F]{4}_|^\s|\s$')
_UNSAFE_AMONG = re.compile(
    r'[&<>"\n\x00-\x08\x0b-\x1f\ufffe\uffff]|_x[0-9a-fA-F]{4}_|(?:^|\t)[^\S\t]|[^\S\t](?:\t|$)'
)
"""The same of texts with tabs between them."""
_UNSAFE_BYTES = bytes({*range(9), *range(10, 32), *b'&<>"'})
_ESCAPED = re.compile(r"(_x[0-9a-fA-F]{4}_)")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]")


@dataclass(frozen=True)
class SheetRows:
    """Rows of one sheet, from row `first` on (from 0).

    `styles`: name of the style of every column. `marks`: the column whose cells have the style
    `mark_styles` says, -1 where there is none. `heads`: rows that are all in the style `head_style`.
    `keep_empty`: whether an empty text is a cell in its style, or no cell.
    """

    rows: Sequence[tuple[Cell, ...]]
    first: int
    styles: tuple[str, ...]
    marks: int = -1
    mark_styles: Mapping[str, str] | None = None
    heads: frozenset[int] = frozenset()
    head_style: str = ""
    keep_empty: bool = False

    def style(self, row: int, column: int) -> str:
        """Name of the style of a cell, "" where there is no cell."""
        return self.head_style if row in self.heads else self.style_of(self.rows[row][column], column)

    def style_of(self, cell: Cell, column: int) -> str:
        """Name of the style of such a cell in a row that is no heading."""
        if isinstance(cell, str):
            if not cell and not self.keep_empty:
                return ""
            if column == self.marks and self.mark_styles is not None:
                return self.mark_styles[cell]
        elif not math.isfinite(cell):
            return ""
        return self.styles[column]

    @property
    def last(self) -> int:
        """Number of the last row, -1 where there is none."""
        return min(len(self.rows), MOST_ROWS - self.first) - 1

    def samples(self) -> list[tuple[int, int, str]]:
        """Row, column and style of the cells that xlsxwriter writes, in the order of the sheet.

        The first cell in every style, since styles are numbered as they are met, and the last row, which says
        how far the sheet reaches.
        """
        found: dict[str, tuple[int, int]] = {}
        for k in range(len(self.styles)):
            for style, place in self._first_places(k).items():
                found[style] = min(found.get(style, place), place)
        if self.heads:
            found[self.head_style] = (min(self.heads), 0)
        places = {*found.values(), *((self.last, k) for k in range(len(self.styles)) if self.last >= 0)}
        return sorted((r, k, style) for r, k in places if (style := self.style(r, k)))

    def _first_places(self, k: int) -> dict[str, tuple[int, int]]:
        """Row and column of the first cell of a column in every style that it has."""
        found: dict[str, tuple[int, int]] = {}
        met: set[Cell] = set() if self.keep_empty else {""}
        for r in range(self.last + 1):
            cell = self.rows[r][k]
            if cell in met or r in self.heads:
                continue
            if style := self.style(r, k):
                found[style] = (r, k)
                if k != self.marks:
                    break
                met.add(cell)
        return found

    def markup(self, number_of: Mapping[str, str]) -> Iterator[str]:
        """The rows' markup, some at a time; `number_of`: the book's number of every style that is used."""
        tails = [_Tails(self, k, number_of) for k in range(len(self.styles))]
        for start in range(0, self.last + 1, _CHUNK):
            end = min(start + _CHUNK, self.last + 1)
            at = range(self.first + start + 1, self.first + end + 1)
            columns = [known.cells(start, end, at) for known in tails]
            lines = zip(at, map("".join, zip(*columns, strict=True)), strict=True)
            yield "".join([f'<row r="{n}">{line}</row>' for n, line in lines if line])


class _Tails(dict[Cell, str]):
    """What follows the row's number in the cells of a column, by the text that a cell holds."""

    def __init__(self, rows: SheetRows, column: int, number_of: Mapping[str, str]) -> None:
        super().__init__()
        self.rows, self.column, self.number_of = rows, column, number_of
        self.start = f'<c r="{_letters(column)}'

    def __missing__(self, cell: Cell) -> str:
        style = self.rows.style_of(cell, self.column)
        tail = _tail(cell, self.number_of[style]) if style else ""
        if isinstance(cell, str):  # not a number: 0 and -0 are alike
            self[cell] = tail
        return tail

    def cells(self, first: int, end: int, at: range) -> list[str]:
        """Cells of the rows from `first` to before `end`, which are numbered `at`."""
        if len(self) > _MOST_REMEMBERED:
            self.clear()
        k, start, rows = self.column, self.start, self.rows
        held = [row[k] for row in rows.rows[first:end]]
        heads = rows.heads.intersection(range(first, end))
        if not heads and k != rows.marks and _plain(held):
            before, after = _around_text(self.number_of.get(rows.styles[k], ""))
            some = zip(at, held, strict=True)
            if rows.keep_empty or all(held):
                return [f"{start}{n}{before}{cell}{after}" for n, cell in some]
            return [f"{start}{n}{before}{cell}{after}" if cell else "" for n, cell in some]
        for r in heads:
            held[r - first] = ""
        out = [f"{start}{n}{tail}" if (tail := self[cell]) else "" for n, cell in zip(at, held, strict=True)]
        for r in heads:
            tail = _tail(rows.rows[r][k], self.number_of[rows.head_style])
            out[r - first] = f"{start}{at[r - first]}{tail}"
        return out


def _letters(column: int) -> str:
    """Name of a column from 0: A, B, ... Z, AA."""
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name


def _plain(cells: Sequence[Cell]) -> bool:
    """Whether all cells are texts that stand in a workbook as they are: asked of many at once."""
    try:
        joined = "\t".join(cells)  # type: ignore[arg-type]
    except TypeError:  # a number is among them
        return False
    return (
        joined.count("\t") == len(cells) - 1
        and (_surely_plain(joined) or _UNSAFE_AMONG.search(joined) is None)
        and max(map(len, cells)) <= MOST_TEXT  # type: ignore[arg-type]
    )


def _surely_plain(joined: str) -> bool:
    """Whether the pattern can find nothing in texts with tabs between them; told sooner than by it."""
    if not joined.isascii() or "_x" in joined or "\t " in joined or " \t" in joined:
        return False
    text = joined.encode("ascii")
    return len(text.translate(None, _UNSAFE_BYTES)) == len(text) and not (
        text.startswith(b" ") or text.endswith(b" ")
    )


def _around_text(style: str, space: str = "") -> tuple[str, str]:
    """What stands before and after the text of a cell, from the row's number on."""
    return f'" s="{style}" t="inlineStr"><is><t{space}>', "</t></is></c>"


def _tail(cell: Cell, style: str) -> str:
    """What follows the row's number in a cell's markup."""
    if not isinstance(cell, str):
        return f'" s="{style}"><v>{float(cell):.16G}</v></c>'
    text, space = cell[:MOST_TEXT], ""
    if _UNSAFE.search(text):
        text = _CONTROL.sub(lambda m: f"_x{ord(m.group()):04X}_", _ESCAPED.sub(r"_x005F\1", text))
        space = ' xml:space="preserve"' if text[:1].isspace() or text[-1:].isspace() else ""
        text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    before, after = _around_text(style, space)
    return f"{before}{text}{after}"


Shared = Callable[[Callable[[int], bytes], Sequence[int]], list[bytes]]
"""Calls a function with every one of some numbers and gives the answers, by several processes or not."""


def one_by_one(function: Callable[[int], bytes], numbers: Sequence[int]) -> list[bytes]:
    """Shared among no others."""
    return [function(number) for number in numbers]


def with_rows(book: bytes, sheets: Mapping[int, SheetRows], shared: Shared = one_by_one) -> bytes:
    """A workbook with the rows of sheets put in place of their samples, by the sheets' numbers from 1."""
    rows_of = {f"xl/worksheets/sheet{number}.xml": rows for number, rows in sheets.items()}
    with ZipFile(io.BytesIO(book)) as made:
        parts = [(part, made.read(part)) for part in made.infolist()]
    long = [k for k, (part, _) in enumerate(parts) if part.filename in rows_of]
    long.sort(key=lambda k: -len(rows_of[parts[k][0].filename].rows))  # so that processes end together
    archived = shared(lambda k: _archived(*parts[k], rows_of[parts[k][0].filename]), long)
    whole = dict(zip(long, archived, strict=True))
    return joined_archives(whole[k] if k in whole else _archived(*parts[k]) for k in range(len(parts)))


def _archived(part: ZipInfo, text: bytes, rows: SheetRows | None = None) -> bytes:
    """An archive of one part of a workbook, with the rows of a sheet in place of their samples."""
    out = io.BytesIO()
    with ZipFile(out, "w", ZIP_DEFLATED, compresslevel=_PACKED) as archive:
        if rows is None or rows.last < 0:
            archive.writestr(part, text)
            return _closed(archive, out)
        before, after = _around(text.decode("utf-8"), rows)
        number_of = _style_numbers(text.decode("utf-8"), rows)
        with archive.open(part.filename, "w") as sheet:
            sheet.write(before.encode("utf-8"))
            for some in rows.markup(number_of):
                sheet.write(some.encode("utf-8"))
            sheet.write(after.encode("utf-8"))
        return _closed(archive, out)


def _closed(archive: ZipFile, out: io.BytesIO) -> bytes:
    archive.close()
    return out.getvalue()


def _around(text: str, rows: SheetRows) -> tuple[str, str]:
    """A sheet's markup before and after the samples of its rows."""
    first = min(r for r, _, _ in rows.samples())
    start, end = text.index(f'<row r="{rows.first + first + 1}"'), text.index("</sheetData>")
    return text[:start], text[end:]


def _style_numbers(text: str, rows: SheetRows) -> dict[str, str]:
    """The book's number of every style that the samples of a sheet are in."""
    written = {(letters, int(row)): number for letters, row, number in _CELL.findall(text)}
    return {style: written[_letters(k), rows.first + r + 1] for r, k, style in rows.samples()}
