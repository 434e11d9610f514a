"""Marker tables: wide (a row per sample), wide-by-marker (a row per marker) and long (a row per call).

All cells arrive as codes of distinct texts (`table_grid`); each marker's set of texts is read once
(`call_notation`) and its calls are one table look-up. Nothing is guessed: a layout is taken from the heading
of the first column, the samples of the samples sheet or the markers of the marker sheet, or asked for.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence, Set
from pathlib import Path

from crossproof.errors import Severity
from crossproof.io.files.byte_source import Packing, read_all
from crossproof.io.files.sniff import FileKind, Sniffed
from crossproof.io.intake.name_lists import GivenNames, kept_columns, report_doubles
from crossproof.io.intake.shaped_table import read_shaped
from crossproof.io.intake.table_shape import TableShape
from crossproof.io.problems import Problems
from crossproof.io.tables.grid import Grid, finish, grid_of_rows, read_grid
from crossproof.io.tables.layouts import Cells, Layout, MarkerInfo, find_layout, lay_out
from crossproof.io.tables.table_calls import CallWays, calls_of_table
from crossproof.model.genotypes import CallBatch, Evidence

MAX_TABLE_BYTES = 4e9
"""Most bytes a table may unpack to: unlike VCF it is held in memory."""
LEAST_PACKED_LIMIT = 256e6
MOST_PACKING = 500
"""A packed table may unpack to this many times its size: calls pack 10 to 100 times, a bomb 1,000 times."""

_MONTH = "jan|feb|mar|apr|may|mai|jun|jul|aug|sep|sept|oct|okt|nov|dec|dez"
_EATEN_DATE = re.compile(
    rf"^(?:\d{{1,2}}[-. ](?:{_MONTH})|(?:{_MONTH})[-. ]\d{{1,4}}|\d{{4}}-\d\d-\d\d(?:[ T].*)?)$", re.I
)
_EATEN_NUMBER = re.compile(r"^\d(?:[.,]\d+)?E\+\d+$")


def load_grid(
    path: Path, sniffed: Sniffed, problems: Problems, *, sheet: str | None, limit_bytes: float
) -> Grid:
    """The table of a text file or workbook. Raises PlateError through `problems`."""
    if sniffed.kind is FileKind.XLSX:
        from crossproof.io.sheets.workbooks import (
            parse_workbook,  # openpyxl is slow to import and often not needed
        )

        page = parse_workbook(path.read_bytes(), shown_as=problems.file, sheet=sheet)
        problems.extend(p for p in page.problems if p.severity is Severity.ERROR)
        notes = [p.sentence() for p in page.problems if p.severity is not Severity.ERROR]
        problems.raise_if_any()
        rows = [_fitted(r, len(page.headings)) for r in page.rows]
        for row, cells in zip(page.row_numbers, page.rows, strict=True):
            if any(cells[len(page.headings) :]):
                problems.error(
                    "The row has more cells than the header.", "Give the column a heading.", row=row
                )
        grid = grid_of_rows(list(page.headings), rows, list(page.row_numbers), page.header_row)
        grid.notes = notes
        return finish(grid, problems)
    most = MAX_TABLE_BYTES
    if sniffed.packing is not Packing.PLAIN:
        most = min(most, max(LEAST_PACKED_LIMIT, MOST_PACKING * path.stat().st_size))
    data = read_all(
        path,
        sniffed.packing,
        shown_as=problems.file,
        limit_bytes=limit_bytes,
        most=most,
    )
    if sheet is not None:
        problems.error(
            "A sheet is named, but the file is not a workbook.", "Remove sheet: for this file.", value=sheet
        )
    grid = read_grid(data, problems)
    if sniffed.packing is not Packing.PLAIN:
        grid.notes = [*sniffed.notes, *grid.notes]
    return grid


def _fitted(cells: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (*cells[:width], *("" for _ in range(width - len(cells))))


def read_table(
    path: Path,
    sniffed: Sniffed,
    *,
    batch: str,
    layout: str | None,
    missing: Sequence[str],
    counted_allele: str | None,
    info: Mapping[str, MarkerInfo],
    keep_samples: Collection[str] | None,
    known_samples: Collection[str],
    problems: Problems,
    sheet: str | None,
    limit_bytes: float,
    shape: TableShape,
    given: GivenNames,
    generic: bool,
) -> CallBatch:
    """Read a marker table into a batch, markers in the table's order.

    Parameters as `genotypes.read_batch`; `info`: the marker sheet by name; `known_samples`: names that prove
    the layout. Raises PlateError through `problems`.
    """
    if shape.plain:
        grid = load_grid(path, sniffed, problems, sheet=sheet, limit_bytes=limit_bytes)
    else:
        asked = Layout(layout) if layout else None
        grid = read_shaped(path, sniffed.kind, shape, asked, problems, sheet=sheet, limit_bytes=limit_bytes)
    # A season's samples are many, and asked for at every file: they are copied only where names are added.
    as_they_are = isinstance(known_samples, Set) and not given.samples
    theirs = known_samples if as_they_are else {*known_samples, *given.samples}
    how = find_layout(grid, layout, theirs, {*info, *given.markers}, problems)
    cells = lay_out(grid, how, theirs, problems)
    _check_names(cells, grid, problems)
    problems.raise_if_any()
    samples, markers = list(map(given.sample, cells.samples)), list(map(given.marker, cells.markers))
    report_doubles("sample", cells.samples, samples, problems)
    report_doubles("marker", cells.markers, markers, problems)
    problems.raise_if_any()
    cells.samples, cells.markers = samples, markers
    if keep_samples is not None:
        keep = kept_columns(cells.samples, keep_samples, problems)
        problems.raise_if_any()
        if len(keep) < len(cells.samples):
            cells.samples = [cells.samples[i] for i in keep]
            cells.codes = cells.codes[:, keep]
            cells.row_of = {
                name: rows if name == "marker" else rows[..., keep] for name, rows in cells.row_of.items()
            }
    info = {**info, **cells.info}
    ways = CallWays(
        frozenset(m.strip().upper() for m in missing), counted_allele, generic, given.turned, batch
    )
    blocks, read, notes = calls_of_table(cells, info, ways, problems)
    problems.raise_if_any()
    return CallBatch(
        batch, read, tuple(cells.samples), blocks, Evidence.CALLS, (*grid.notes, f"layout: {how}", *notes)
    )


def _check_names(cells: Cells, grid: Grid, problems: Problems) -> None:
    """Names must be there, be different, and not have been turned into something else by a spreadsheet."""
    for what, names in (("sample", cells.samples), ("marker", cells.markers)):
        rows = cells.row_of.get(what)
        seen: dict[str, int] = {}
        for i, name in enumerate(names):
            row = int(rows[i]) if rows is not None else grid.header_row
            if not name:
                problems.error(f"The row has no {what} name.", "Fill it in, or delete the row.", row=row)
            elif name in seen:
                problems.error(
                    f"The {what} {name} appears twice"
                    + (f" (first in row {int(rows[seen[name]])})." if rows is not None else "."),
                    f"Give each {what} its own name; a plant tested twice needs two sample names.",
                    row=row,
                    value=name,
                )
            elif what == "marker" and (_EATEN_DATE.match(name) or _EATEN_NUMBER.match(name)):
                kind = "date" if _EATEN_DATE.match(name) else "number"
                problems.error(
                    f"The marker name {name} looks like a name that a spreadsheet turned into a {kind}.",
                    "Restore the name, and format the cell as text before typing it.",
                    row=row,
                    column=name,
                    value=name,
                )
            seen.setdefault(name, i)
    if not cells.markers or not cells.samples:
        problems.error("The table has no markers or no samples.", "Check the layout given in config.yaml.")
