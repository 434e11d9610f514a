"""Marker tables: wide (a row per sample), wide-by-marker (a row per marker) and long (a row per call).

All cells arrive as codes of distinct texts (`table_grid`); each marker's set of texts is read once
(`call_notation`) and its calls are one table look-up. Nothing is guessed: a layout is taken from the heading
of the first column, the samples of the samples sheet or the markers of the marker sheet, or asked for.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.errors import Severity
from crossproof.io.files.byte_source import Packing, read_all
from crossproof.io.files.sniff import FileKind, Sniffed
from crossproof.io.intake.name_lists import GivenNames, report_doubles
from crossproof.io.intake.said_calls import Saying, generic_call, in_own_words, other_strand_call
from crossproof.io.intake.shaped_table import read_shaped
from crossproof.io.intake.table_shape import TableShape
from crossproof.io.problems import Problems
from crossproof.io.tables.call_notation import Notation, Reading, is_missing, read_marker
from crossproof.io.tables.fragment_sizes import (
    IN_BINS,
    SET_ASIDE,
    Binned,
    bin_sizes,
    is_size_call,
    sizes_of,
)
from crossproof.io.tables.grid import Grid, finish, grid_of_rows, read_grid
from crossproof.io.tables.layouts import Cells, Layout, MarkerInfo, find_layout, lay_out
from crossproof.model.arrays import Bools, Int8s, Ints
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers
from crossproof.model.sentinels import MISSING

MAX_TABLE_BYTES = 4e9
LEAST_PACKED_LIMIT = 256e6
MOST_PACKING = 500
"""A packed table may unpack to this many times its size: calls pack 10 to 100 times, a bomb 1,000 times."""
"""Most bytes a table may unpack to: unlike VCF it is held in memory."""

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
    theirs = {*known_samples, *given.samples}
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
        wanted = set(keep_samples)
        keep = np.array([i for i, s in enumerate(cells.samples) if s in wanted], dtype=np.int64)
        if not len(keep):
            problems.error(
                "None of the samples sheet's samples of this batch is in the file.",
                "Check that the right file is given for the batch, and that sample names are spelt alike.",
                value=", ".join(cells.samples[:3]),
            )
            problems.raise_if_any()
        if len(keep) < len(cells.samples):
            cells.samples = [cells.samples[i] for i in keep]
            cells.codes = cells.codes[:, keep]
            cells.row_of = {
                name: rows if name == "marker" else rows[..., keep] for name, rows in cells.row_of.items()
            }
    info = {**info, **cells.info}
    more = {m.strip().upper() for m in missing}
    blocks, read, notes = _interpret(
        cells, info, counted_allele, more, problems, generic, given.turned, batch
    )
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


def _presence(codes: NDArray[Any], n_texts: int) -> Bools:
    """Which texts each marker has, (marker, text + 1); the last column stands for 'no cell'."""
    out = np.zeros((len(codes), n_texts + 1), dtype=bool)
    step = max(1, 20_000_000 // max(1, codes.shape[1]))
    for start in range(0, len(codes), step):
        part = codes[start : start + step]
        out[np.arange(start, start + len(part))[:, None], part] = True
    return out


def _interpret(
    cells: Cells,
    info: Mapping[str, MarkerInfo],
    counted_allele: str | None,
    more: Collection[str],
    problems: Problems,
    generic: bool,
    other_strand: bool,
    batch: str,
) -> tuple[tuple[CallBlock, ...], Markers, list[str]]:
    """Blocks of calls, the markers, and notes; problems with their places are added."""
    # Sample and marker names are among the texts of the grid: number the texts of calls afresh.
    used = np.zeros(len(cells.texts) + 1, dtype=bool)
    used[cells.codes] = True
    call_codes = np.flatnonzero(used[:-1])
    texts = [cells.texts[c] for c in call_codes]
    renumber = np.full(len(cells.texts) + 1, len(texts), dtype=np.int32)
    renumber[call_codes] = np.arange(len(texts))
    if len(texts) < 255:
        renumber = renumber.astype(np.uint8)
    codes: NDArray[Any] = renumber[cells.codes]  # marker, sample; len(texts) where there is no cell
    cells.codes = codes[:0]
    if len(texts) > 5_000:
        problems.error(
            f"The table holds {len(texts)} different values, far more than any set of calls.",
            "Check the layout given in config.yaml, and that the table holds calls, not measurements.",
            value=", ".join(texts[:4]),
        )
        problems.raise_if_any()
    present = _presence(codes, len(texts))
    nothing = np.array([is_missing(t, more) for t in texts] + [True], dtype=bool)
    memo: dict[tuple[object, ...], tuple[Reading, Int8s]] = {}
    readings: list[Reading] = []
    groups: dict[int, list[int]] = {}
    tables: dict[int, Int8s] = {}
    aside: list[str] = []
    sized = np.array([is_size_call(t) for t in texts] + [False], dtype=bool)
    for i, marker in enumerate(cells.markers):
        about = info.get(marker, MarkerInfo())
        which = np.flatnonzero(present[i] & ~nothing)
        counted = about.counted or _counted(counted_allele, about.alleles)
        binned = _binned(codes[i], which, texts, sized, about)
        if binned is not None and binned.fault:
            aside.append(f"{marker}: {binned.fault} {SET_ASIDE}")
            nothing_read = np.full((len(texts) + 1, 2), MISSING, dtype=np.int8)
            readings.append(Reading())
            groups.setdefault(id(nothing_read), []).append(i)
            tables[id(nothing_read)] = nothing_read
            continue
        if binned is not None and binned.in_words():
            aside.append(f"{marker}: {binned.in_words()} {IN_BINS}")
        bins = () if binned is None else tuple(binned.bins.items())
        key = (which.tobytes(), about.alleles, counted, about.maternal, about.generic, bins)
        if key not in memo:
            say = _saying(about, generic, other_strand, batch) if binned is None else binned.call
            said = {texts[c]: s for c in which if (s := say(texts[c]))}
            reading = read_marker(
                set(said.values()),
                declared=about.alleles,
                counted=counted or None,
                maternal=about.maternal,
            )
            reading = in_own_words(reading, said)
            table = np.full((len(texts) + 1, 2), MISSING, dtype=np.int8)
            for c in which:
                table[c] = reading.calls.get(texts[c], (MISSING, MISSING))
            memo[key] = reading, table
        reading, table = memo[key]
        readings.append(reading)
        groups.setdefault(id(table), []).append(i)
        tables[id(table)] = table
    notes = aside + _report(cells, codes, texts, readings, problems)
    if problems:
        return (), _markers(cells, [], readings, info), notes
    kept = [i for i, r in enumerate(readings) if r.alleles]
    if len(kept) < len(readings):
        notes.append(f"{len(readings) - len(kept)} markers have no call at all and were left out")
    if not kept:
        problems.error("Every call of the table is missing.", "Check the file and missing: in config.yaml.")
        return (), _markers(cells, [], readings, info), notes
    row_of = {i: row for row, i in enumerate(kept)}
    by_k: dict[int, list[tuple[list[int], Int8s]]] = {}
    for name, members in groups.items():
        members = [i for i in members if i in row_of]
        if members:
            by_k.setdefault(len(readings[members[0]].alleles), []).append((members, tables[name]))
    blocks = []
    for k in sorted(by_k):
        rows = np.sort(np.array([row_of[i] for members, _ in by_k[k] for i in members], dtype=np.int64))
        calls = np.empty((len(rows), len(cells.samples), 2), dtype=np.int8)
        for members, table in by_k[k]:
            into = np.searchsorted(rows, [row_of[i] for i in members])
            calls[into] = table[codes[members]]
        blocks.append(CallBlock(k, rows, calls))
    return tuple(blocks), _markers(cells, kept, readings, info), notes


def _binned(
    codes: NDArray[Any], which: Ints, texts: Sequence[str], sized: Bools, about: MarkerInfo
) -> Binned | None:
    """Bins of a marker whose calls are all fragment sizes, None for another."""
    if not len(which) or not sized[which].all():
        return None
    counts = np.bincount(codes, minlength=len(texts) + 1)
    seen = sizes_of({texts[c]: int(counts[c]) for c in which})
    return None if seen is None else bin_sizes(seen, about.alleles)


def _saying(about: MarkerInfo, generic: bool, other_strand: bool, batch: str) -> Saying:
    if generic:
        return generic_call(about.generic, batch)
    return other_strand_call if other_strand else str


def _counted(setting: str | None, alleles: tuple[str, ...]) -> str:
    """Name of the allele that 0/1/2 count at a marker, from the file's own setting; '' where unknown."""
    if not setting:
        return ""
    place = {"first": 0, "ref": 0, "second": 1, "alt": 1}.get(setting.strip().casefold())
    if place is None:
        return setting.strip()
    return alleles[place] if len(alleles) == 2 else ""


def _report(
    cells: Cells,
    codes: NDArray[Any],
    texts: Sequence[str],
    readings: Sequence[Reading],
    problems: Problems,
) -> list[str]:
    """Problems of all markers with their places, and notes."""
    place_of = {t: i for i, t in enumerate(texts)}
    undeclared: list[int] = []
    kinds: dict[bool, list[int]] = {}
    for i, reading in enumerate(readings):
        if reading.notation is not None and not reading.several:
            kinds.setdefault(reading.notation is Notation.COUNT, []).append(i)
        for text, (why, remedy) in reading.faults.items():
            if text == "" and reading.notation is Notation.COUNT and not reading.several:
                undeclared.append(i)
                continue
            if text == "":
                row = int(cells.row_of["marker"][i]) if "marker" in cells.row_of else None
                problems.error(why, remedy, row=row, column=cells.markers[i])
                continue
            at = np.flatnonzero(codes[i] == place_of[text])
            more = f" It occurs {len(at)} times at this marker." if len(at) > 1 else ""
            problems.error(
                why + more,
                remedy,
                row=cells.row(i, int(at[0])),
                column=cells.markers[i],
                value=f"{text} ({cells.samples[at[0]]})",
            )
    if undeclared:
        why, remedy = readings[undeclared[0]].faults[""]
        shown = ", ".join(cells.markers[i] for i in undeclared[:4])
        problems.error(
            f"{why} {len(undeclared)} markers are concerned.", remedy, column="marker", value=shown
        )
    elif len(kinds) == 2:
        few = min(kinds.values(), key=len)
        problems.error(
            "Some markers of the table hold counts 0, 1, 2 and others letters or sizes, so that a 0 may be a "
            "count or a missing call.",
            "Export all markers in one notation; if 0 means a missing call, add it to missing: in "
            "config.yaml.",
            column="marker",
            value=", ".join(cells.markers[i] for i in few[:4]),
        )
    return []


def _markers(
    cells: Cells, kept: Sequence[int], readings: Sequence[Reading], info: Mapping[str, MarkerInfo]
) -> Markers:
    abouts = [info.get(cells.markers[i], MarkerInfo()) for i in kept]
    ids = np.empty(len(kept), dtype=object)
    ids[:] = [cells.markers[i] for i in kept]
    chrom = np.empty(len(kept), dtype=object)
    chrom[:] = [a.chrom for a in abouts]
    return Markers(
        ids,
        chrom,
        np.array([a.pos for a in abouts], dtype=np.int64),
        tuple(readings[i].alleles for i in kept),
        np.array([a.maternal for a in abouts], dtype=bool),
    )
