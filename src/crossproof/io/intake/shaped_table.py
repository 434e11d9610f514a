"""A laboratory's table cut to the shape that its entry in config.yaml describes.

What comes out is a grid as `table_grid` makes it: headings, row numbers of the file, cells as texts, so that
layouts and calls are read by the same code as the season's own tables.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from crossproof.io.files.sniff import FileKind
from crossproof.io.intake.raw_cells import Rows, decoded, encodings_of, read_bytes, read_pages, split_rows
from crossproof.io.intake.table_shape import Encoding, Separator, TableShape, folded, is_ignored
from crossproof.io.problems import Problems
from crossproof.io.tables.grid import Grid, finish
from crossproof.io.tables.layouts import Layout, is_marker_heading, is_sample_heading
from crossproof.text import first_of

_NO_ALLELE = frozenset({"", "0", "-", "?", ".", "NA", "N", "-9"})
_ALLELE_ENDING = re.compile(
    r"^(.*?)(?:[\s_.:/-]+(?:allele[\s_.-]*)?|[\s_.-]*allele[\s_.-]*)(?:1|2|a|b)$", re.IGNORECASE
)


def read_shaped(
    path: Path,
    kind: FileKind,
    shape: TableShape,
    layout: Layout | None,
    problems: Problems,
    *,
    sheet: str | None,
    limit_bytes: float,
) -> Grid:
    """The table of a file, in the shape described. Raises PlateError through `problems`."""
    if kind is FileKind.XLSX:
        page = read_pages(path, shown_as=problems.file, sheet=sheet)[0]
        rows = page.rows
        top, bottom = shape.header_row or 1, shape.last_row or len(rows)
        problems.extend(p for p in page.problems if p.row is not None and top <= p.row <= bottom)
        problems.raise_if_any()
        rows = [(n, cells) for n, cells in rows]
        ragged = True
    else:
        rows = text_rows(path, shape, problems, limit_bytes=limit_bytes)
        ragged = False
    return shaped_grid(rows, shape, layout, problems, ragged=ragged)


def text_rows(path: Path, shape: TableShape, problems: Problems, *, limit_bytes: float) -> Rows:
    """The rows of a text table, in the encoding and with the separator that its entry names."""
    data = read_bytes(path, shown_as=problems.file, limit_bytes=limit_bytes)
    encoding = shape.encoding or next(iter(encodings_of(data)), Encoding.UTF_8)
    text = decoded(data, encoding)
    if text is None or (shape.encoding is None and encoding is Encoding.WESTERN):
        problems.error(
            f"The file is not {shape.encoding or 'UTF-8'} text.",
            "Set encoding: for this file in config.yaml to what it is (utf-8, utf-16 or windows-1252).",
        )
        problems.raise_if_any()
    assert text is not None
    try:
        return split_rows(text, shape.separator or likely_separator(text, shape.header_row))
    except ValueError as fault:
        row, why = fault.args
        problems.error(f"The quotation marks do not pair ({why}).", "Ask for the file without them.", row=row)
        problems.raise_if_any()
        raise AssertionError from fault


def likely_separator(text: str, header_row: int | None) -> Separator:
    """The separator that the header has most of; commas where none shows."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    line = lines[header_row - 1] if header_row and header_row <= len(lines) else next(filter(None, lines), "")
    marks = [s for s in Separator if s is not Separator.SPACE]
    return max(marks, key=lambda s: line.count(s.character))


def shaped_grid(
    rows: Rows, shape: TableShape, layout: Layout | None, problems: Problems, *, ragged: bool
) -> Grid:
    """The grid of these rows; `ragged` where rows may end before the last column, as in a workbook."""
    (header_row, headings), body = _header_and_body(rows, shape, problems)
    width = _width(headings, body, shape)
    headings = [*headings, *[""] * (width - len(headings))][:width]
    kept, repeated = _whole_rows(headings, body, problems, ragged)
    named = _columns(headings, shape, layout, problems, header_row)
    notes = [f"headings in row {header_row}"] if shape.header_row else []
    if repeated:
        notes.append(f"the headings are repeated in {repeated} rows, which were skipped")
    read = {place for _, places in named for place in places}
    left = [h or f"column {i + 1}" for i, h in enumerate(headings) if i not in read]
    if left:
        notes.append(f"columns not read: {first_of(left, 12)}")
    known: dict[str, int] = {}
    codes = np.empty((len(kept), len(named)), dtype=np.int32)
    for i, (_, cells) in enumerate(kept):
        codes[i] = [
            known.setdefault(joined_alleles([cells[p] for p in places]), len(known)) for _, places in named
        ]
    grid = Grid(
        [name for name, _ in named],
        np.array([n for n, _ in kept], dtype=np.int64),
        codes,
        list(known),
        notes,
        header_row,
    )
    return finish(grid, problems)


def _width(headings: Sequence[str], body: Rows, shape: TableShape) -> int:
    """Columns with a heading; where a marker has several columns, the last of them need have none."""
    filled = [i + 1 for i, h in enumerate(headings) if h]
    if shape.columns_per_marker > 1:
        filled += [i + 1 for _, cells in body[:2000] for i, c in enumerate(cells) if c]
    return max(filled)


def _whole_rows(headings: list[str], body: Rows, problems: Problems, ragged: bool) -> tuple[Rows, int]:
    """Rows as wide as the headings, and how many others only repeat the headings."""
    width = len(headings)
    titles = [h for h in headings if h]
    kept: Rows = []
    repeated = 0
    for number, cells in body:
        given = [c for c in cells if c]
        if given == titles:
            repeated += 1
            continue
        if not given:
            continue
        wrong = ""
        if any(cells[width:]):
            wrong = f"The row has more cells than there are headings ({width})."
            shown = ", ".join(c for c in cells[width:] if c)
        elif len(cells) < width and not ragged and any(headings[len(cells) :]):
            wrong, shown = f"The row has {len(cells)} cells, the header {width}.", ", ".join(cells)[:60]
        if wrong:
            remedy = "If it is not part of the table, set last_row: for this file in config.yaml."
            problems.error(wrong, remedy, row=number, value=shown)
        kept.append((number, [*cells[:width], *[""] * (width - len(cells))]))
    problems.raise_if_any()
    return kept, repeated


def _header_and_body(rows: Rows, shape: TableShape, problems: Problems) -> tuple[tuple[int, list[str]], Rows]:
    last = shape.last_row or (rows[-1][0] if rows else 0)
    if shape.header_row is None:
        at = next((i for i, (_, c) in enumerate(rows) if any(c) and not c[0].startswith("#")), None)
    else:
        at = next((i for i, (n, _) in enumerate(rows) if n == shape.header_row), None)
    if at is None or not any(rows[at][1]) or (shape.header_row is not None and shape.header_row > last):
        problems.error(
            f"There are no headings in row {shape.header_row or 1}.",
            "Set header_row: for this file in config.yaml to the row that holds the headings.",
        )
        problems.raise_if_any()
    assert at is not None
    body = [(n, c) for n, c in rows[at + 1 :] if n <= last and any(c) and not c[0].startswith("#")]
    return rows[at], body


def _columns(
    headings: Sequence[str],
    shape: TableShape,
    layout: Layout | None,
    problems: Problems,
    header_row: int,
) -> list[tuple[str, tuple[int, ...]]]:
    """The columns to read, the name of the row first: heading and the places whose texts make it."""

    def place_of(key: str, heading: str | None) -> int | None:
        return None if heading is None else _place_of(key, heading, headings, problems, header_row)

    sample = place_of("sample_column", shape.sample_column)
    marker = place_of("marker_column", shape.marker_column)
    calls = [p for h in shape.call_columns if (p := place_of("call_columns", h)) is not None]
    rest = [i for i, h in enumerate(headings) if not is_ignored(h, i + 1, shape.ignore_columns)]
    if layout is Layout.LONG:
        return _long_columns(headings, rest, sample, marker, calls)
    first = sample if layout is not Layout.WIDE_BY_MARKER else marker
    if first is None:
        first = rest[0] if rest else 0
    name = "marker" if layout is Layout.WIDE_BY_MARKER else "sample_id"
    lead = (headings[first] if layout is None and shape.sample_column is None else name, (first,))
    places = [i for i in rest if i != first]
    size = shape.columns_per_marker
    if len(places) % size:
        problems.error(
            f"{len(places)} columns are left for the calls, which is not a multiple of columns_per_marker.",
            "Name the columns that hold no calls under ignore_columns.",
            row=header_row,
        )
        problems.raise_if_any()
    groups = [tuple(places[i : i + size]) for i in range(0, len(places), size)]
    return [lead, *((stem([headings[i] for i in g]), g) for g in groups)]


def _place_of(key: str, heading: str, headings: Sequence[str], problems: Problems, header_row: int) -> int:
    """The column that an entry's `key` names by its heading, or as `column 3` where it has none."""
    at = [i for i, h in enumerate(headings) if folded(h) == folded(heading)]
    if not at and (m := re.fullmatch(r"column (\d+)", folded(heading))) and int(m[1]) <= len(headings):
        at = [int(m[1]) - 1]
    if len(at) != 1:
        problems.error(
            f"{key} names a heading that the table {'has twice' if at else 'does not have'}.",
            f"Use one of the headings of row {header_row}: {', '.join(h for h in headings[:12] if h)}.",
            value=heading,
        )
        problems.raise_if_any()
    return at[0]


def _long_columns(
    headings: Sequence[str], rest: Sequence[int], sample: int | None, marker: int | None, calls: list[int]
) -> list[tuple[str, tuple[int, ...]]]:
    """The columns of a table with a row for each call."""
    if sample is None:
        sample = next((i for i in rest if is_sample_heading(headings[i])), None)
    if marker is None:
        marker = next((i for i in rest if is_marker_heading(headings[i])), None)
    if sample is not None and marker is not None and calls:
        return [("sample_id", (sample,)), ("marker", (marker,)), ("call", tuple(calls))]
    return [(headings[i], (i,)) for i in rest]


def stem(headings: Sequence[str]) -> str:
    """The marker's name in the headings of its columns: M01 of M01_1 and M01_2, or of M01 and nothing."""
    given = [h for h in headings if h]
    if len(given) == 1 or len(set(given)) == 1:
        return given[0]
    stems = {m[1] for h in given if (m := _ALLELE_ENDING.match(h))}
    return stems.pop() if len(stems) == 1 and len(given) == len(headings) else given[0] if given else ""


def joined_alleles(cells: Sequence[str]) -> str:
    """One call of the alleles that stand in cells of their own; "" where all of them are missing."""
    if len(cells) == 1:
        return cells[0]
    alleles = ["" if c.upper() in _NO_ALLELE else c for c in cells]
    if not any(alleles):
        return ""
    return "/".join(a or "." for a in alleles)
