"""Where in a file the calls stand: sheet, separator, row of the headings, last row."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from crossproof.errors import PlateError
from crossproof.io.intake.raw_cells import (
    Page,
    Rows,
    decoded,
    encodings_of,
    is_packed,
    read_bytes,
    read_pages,
    split_rows,
)
from crossproof.io.intake.table_shape import Encoding, Separator, folded
from crossproof.io.tables.layouts import (
    is_allele_heading,
    is_call_heading,
    is_marker_heading,
    is_sample_heading,
)
from crossproof.receive.call_cells import looks_like_call

LOOK_AT = 1000
"""Rows searched for headings; statistics above a table are shorter."""
_LEAST_CALLS = 2
_LEAST_SHARE = 0.3
_GAP = 3
"""Rows within a table that may look like something else, such as headings that stand again."""


@dataclass(frozen=True)
class Found:
    """A table: its place, and its rows. `score` counts the cells that look like calls.

    `header_row`, `last_row` are row numbers; `ends_early` says that rows below the table were left out.
    """

    sheet: str | None
    sheets: tuple[str, ...]
    encoding: Encoding | None
    separator: Separator | None
    header_row: int
    last_row: int
    headings: tuple[str, ...]
    body: tuple[tuple[int, tuple[str, ...]], ...]
    long: bool
    score: int
    above: int
    ends_early: bool
    broken: bool = False
    """Whether headings stand again between rows, or lines end in a way that most programs do not write."""

    def column(self, place: int) -> list[str]:
        """The cells of one column, "" where a row ends before it."""
        return [cells[place] if place < len(cells) else "" for _, cells in self.body]

    @property
    def padded(self) -> tuple[str, ...]:
        """A heading for each column, "" where the row of headings ends before it."""
        return (*self.headings, *[""] * (self.width - len(self.headings)))[: self.width]

    @property
    def width(self) -> int:
        """Columns that hold anything."""
        most = max((len(c) for _, c in self.body), default=0)
        width = max(len(self.headings), most)
        while width and not (
            (width <= len(self.headings) and self.headings[width - 1])
            or any(len(c) >= width and c[width - 1] for _, c in self.body)
        ):
            width -= 1
        return width


def find_tables(path: Path, workbook: bool, known_samples: Collection[str], *, shown_as: str) -> list[Found]:
    """Every table of calls in a file, the fullest first. Raises PlateError where the file cannot be read."""
    known = {folded(s) for s in known_samples}
    if workbook:
        pages = read_pages(path, shown_as=shown_as)
        titles = tuple(p.title for p in pages)
        found = [t for p in pages if (t := _in_rows(p.rows, known, page=p, titles=titles)) is not None]
        return sorted(found, key=lambda t: -t.score)
    data = read_bytes(path, shown_as=shown_as, limit_bytes=64e9)
    kinds = encodings_of(data)
    if not kinds:
        problem = "The file is not text, a workbook, VCF or BCF."
        raise PlateError.at(shown_as, problem, "Ask the laboratory for a CSV, XLSX or VCF file.")
    text = decoded(data, kinds[0])
    assert text is not None
    old_ends = "\r" in text.replace("\r\n", "")
    best: Found | None = None
    for separator in (
        Separator.TAB,
        Separator.SEMICOLON,
        Separator.COMMA,
        Separator.BAR,
        Separator.SPACE,
    ):
        if separator.character not in text or (separator is Separator.SPACE and best is not None):
            continue
        try:
            rows = split_rows(text, separator)
        except ValueError:
            continue
        table = _in_rows(rows, known, encoding=kinds[0], separator=separator)
        if table is not None and old_ends:
            table = replace(table, broken=True)
        if table is not None and (best is None or table.score > best.score):
            best = table
    return [best] if best is not None else []


def needs_no_shape(path: Path, table: Found) -> bool:
    """Whether the season's own reader finds this table without being told anything."""
    return (
        table.encoding is Encoding.UTF_8
        and table.separator in (Separator.COMMA, Separator.SEMICOLON, Separator.TAB)
        and not table.above
        and not table.ends_early
        and not table.broken
        and not (is_packed(path) and table.above)
    )


def _in_rows(
    rows: Rows,
    known: Collection[str],
    *,
    page: Page | None = None,
    titles: tuple[str, ...] = (),
    encoding: Encoding | None = None,
    separator: Separator | None = None,
) -> Found | None:
    place = _long_header(rows)
    long = place is not None
    if place is None:
        place = _wide_header(rows)
    if place is None:
        return None
    headings = tuple(rows[place][1])
    while headings and not headings[-1]:
        headings = headings[:-1]
    end = _end(rows, place, headings, known, long)
    body = [(n, tuple(c)) for n, c in rows[place + 1 : end] if any(c)]
    again = [h for h in headings if h]
    whole = len(body)
    body = [(n, c) for n, c in body if [x for x in c if x] != again]
    repeated = len(body) < whole
    body = [(n, c) for n, c in body if not c[0].startswith("#")]
    if not body:
        return None
    score = len(body) if long else sum(looks_like_call(x) for _, c in body for x in c if x)
    below = any(any(c) for _, c in rows[end:])
    above = sum(1 for _, c in rows[:place] if any(c))
    return Found(
        page.title if page else None,
        titles,
        encoding,
        separator,
        rows[place][0],
        body[-1][0],
        headings,
        tuple(body),
        long,
        score,
        above,
        below,
        repeated,
    )


def _long_header(rows: Rows) -> int | None:
    for i, (_, cells) in enumerate(rows[:LOOK_AT]):
        given = [c for c in cells if c]
        if not 3 <= len(given) <= 40 or i + 1 >= len(rows):
            continue
        calls = sum(map(is_call_heading, given)) == 1 or sum(map(is_allele_heading, given)) == 2
        if calls and any(map(is_sample_heading, given)) and any(map(is_marker_heading, given)):
            return i
    return None


def _is_body(cells: Sequence[str]) -> bool:
    given = [c for c in cells if c]
    calls = sum(map(looks_like_call, given))
    return calls >= _LEAST_CALLS and calls >= _LEAST_SHARE * len(given)


def _wide_header(rows: Rows) -> int | None:
    """The row above the longest run of rows that hold calls."""
    flags = [_is_body(cells) for _, cells in rows]
    best, best_start = 0, None
    i = 0
    while i < len(rows):
        if not flags[i]:
            i += 1
            continue
        start, last, calls = i, i, 0
        while i < len(rows) and i - last <= _GAP:
            if flags[i]:
                last = i
                calls += sum(map(looks_like_call, filter(None, rows[i][1])))
            i += 1
        if calls > best:
            best, best_start = calls, start
        i = last + 1
    if best_start is None:
        return None
    # Rows without a single call may stand between the headings and the first row of calls.
    at = best_start - 1
    width = _filled(rows[best_start][1])
    while at >= 0:
        cells = rows[at][1]
        if any(cells) and not cells[0].startswith("#") and _filled(cells) * 2 >= width:
            if sum(map(bool, cells)) * 2 >= min(width, 4):
                return at
        at -= 1
    return None


def _filled(cells: Sequence[str]) -> int:
    """Cells up to the last one that is not empty."""
    return max((i + 1 for i, c in enumerate(cells) if c), default=0)


def _end(rows: Rows, place: int, headings: Sequence[str], known: Collection[str], long: bool) -> int:
    """The index behind the last row of the table."""
    width = len(headings)
    end = place + 1
    for i in range(place + 1, len(rows)):
        cells = rows[i][1]
        if not any(cells):
            continue
        given = [c for c in cells if c]
        full = len(cells) >= width and (long or _filled(cells) > 1)
        mine = any(folded(c) in known for c in given[:6])
        if mine or (full and (long or _is_body(cells))) or (len(cells) >= width > 2 and bool(cells[0])):
            end = i + 1
    return end
