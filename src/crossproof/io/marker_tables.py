"""Marker tables: wide (a row per sample), wide-by-marker (a row per marker) and long (a row per call).

All cells arrive as codes of distinct texts (`table_grid`); each marker's set of texts is read once
(`call_notation`) and its calls are one table look-up. Nothing is guessed: a layout is taken from the heading
of the first column, the samples of the samples sheet or the markers of the marker sheet, or asked for.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.errors import Severity
from crossproof.io.byte_source import Packing, read_all
from crossproof.io.call_notation import Notation, Reading, is_missing, read_marker, split_alleles
from crossproof.io.problem_list import ProblemList
from crossproof.io.sniff import FileKind, Sniffed
from crossproof.io.table_grid import Grid, finish, grid_of_rows, read_grid
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers
from crossproof.model.sentinels import MISSING

MAX_TABLE_BYTES = 4e9
"""Most bytes a table may unpack to: unlike VCF it is held in memory."""

_SAMPLE_HEADINGS = frozenset({"sample_id", "sample", "sample_name", "sampleid"})
_MARKER_HEADINGS = frozenset({"marker", "marker_id", "marker_name", "markerid"})
_CALL_HEADINGS = frozenset({"call", "genotype", "gt"})
ABOUT_MARKER = {
    "chrom": "chrom",
    "chromosome": "chrom",
    "pos": "pos",
    "position": "pos",
    "alleles": "alleles",
    "inheritance": "inheritance",
    "counted_allele": "counted_allele",
}
_MONTH = "jan|feb|mar|apr|may|mai|jun|jul|aug|sep|sept|oct|okt|nov|dec|dez"
_EATEN_DATE = re.compile(
    rf"^(?:\d{{1,2}}[-. ](?:{_MONTH})|(?:{_MONTH})[-. ]\d{{1,4}}|\d{{4}}-\d\d-\d\d(?:[ T].*)?)$", re.I
)
_EATEN_NUMBER = re.compile(r"^\d(?:[.,]\d+)?E\+\d+$")


class Layout(StrEnum):
    """How a marker table lies."""

    WIDE = "wide"
    WIDE_BY_MARKER = "wide-by-marker"
    LONG = "long"


@dataclass(frozen=True)
class MarkerInfo:
    """What the marker sheet says of one marker."""

    chrom: str = ""
    pos: int = 0
    alleles: tuple[str, ...] = ()
    counted: str = ""
    maternal: bool = False


@dataclass
class _Cells:
    """Calls of a table: `codes` (marker, sample) into `texts`, -1 where there is no cell."""

    markers: list[str]
    samples: list[str]
    codes: NDArray[np.int32]
    texts: list[str]
    row_of: Mapping[str, NDArray[np.int64]]
    info: dict[str, MarkerInfo] = field(default_factory=dict)

    def row(self, marker: int, sample: int) -> int | None:
        """Row of the file that holds a call."""
        if "cell" in self.row_of:
            return int(self.row_of["cell"][marker, sample]) or None
        return int(
            self.row_of["sample"][sample] if "sample" in self.row_of else self.row_of["marker"][marker]
        )


def marker_info(sheet: pd.DataFrame | None) -> dict[str, MarkerInfo]:
    """The marker sheet by marker name."""
    if sheet is None:
        return {}

    def column(name: str) -> list[str]:
        if name not in sheet:
            return [""] * len(sheet)
        return ["" if pd.isna(v) else str(v).strip() for v in sheet[name].tolist()]

    out = {}
    rows = zip(
        *(column(c) for c in ("marker", "chrom", "pos", "alleles", "counted_allele", "inheritance")),
        strict=True,
    )
    for marker, chrom, pos, alleles, counted, inheritance in rows:
        out[marker] = _info(chrom, pos, alleles, counted, inheritance)
    return out


def _info(chrom: str, pos: str, alleles: str, counted: str, inheritance: str) -> MarkerInfo:
    names = split_alleles(alleles)
    one = split_alleles(counted)
    return MarkerInfo(
        chrom,
        int(pos) if pos.isascii() and pos.isdigit() else 0,
        names,
        one[0] if one else "",
        inheritance.casefold() == "maternal",
    )


def load_grid(
    path: Path, sniffed: Sniffed, problems: ProblemList, *, sheet: str | None, limit_bytes: float
) -> Grid:
    """The table of a text file or workbook. Raises PlateError through `problems`."""
    if sniffed.kind is FileKind.XLSX:
        from crossproof.io.workbooks import parse_workbook  # openpyxl is slow to import and often not needed

        page = parse_workbook(path.read_bytes(), shown_as=problems.shown_as, sheet=sheet)
        problems.kept += [p for p in page.problems if p.severity is Severity.ERROR]
        notes = [p.sentence() for p in page.problems if p.severity is not Severity.ERROR]
        problems.raise_if_any()
        rows = [_fitted(r, len(page.headings)) for r in page.rows]
        for row, cells in zip(page.row_numbers, page.rows, strict=True):
            if any(cells[len(page.headings) :]):
                problems.add("The row has more cells than the header.", "Give the column a heading.", row=row)
        grid = grid_of_rows(list(page.headings), rows, list(page.row_numbers), page.header_row)
        grid.notes = notes
        return finish(grid, problems)
    data = read_all(
        path,
        sniffed.packing,
        shown_as=problems.shown_as,
        limit_bytes=min(limit_bytes, MAX_TABLE_BYTES),
    )
    if sheet is not None:
        problems.add(
            "A sheet is named, but the file is no workbook.", "Remove sheet: for this file.", value=sheet
        )
    grid = read_grid(data, problems)
    if sniffed.packing is not Packing.PLAIN:
        grid.notes = [*sniffed.notes, *grid.notes]
    return grid


def _fitted(cells: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (*cells[:width], *("" for _ in range(width - len(cells))))


def heading_key(text: str) -> str:
    """A heading without regard to capitals, spaces, underscores and hyphens at word breaks."""
    return re.sub(r"[\s_-]+", "_", text.strip().casefold())


def find_layout(
    grid: Grid,
    asked: str | None,
    known_samples: Collection[str],
    known_markers: Collection[str],
    problems: ProblemList,
) -> Layout:
    """The layout, as asked for or as proven by the content. Raises PlateError where neither."""
    if asked is not None:
        try:
            return Layout(asked)
        except ValueError:
            problems.add(
                f"There is no layout {asked!r}.",
                "Use wide, wide-by-marker or long.",
                value=f"layout: {asked}",
            )
            problems.raise_if_any()
    keys = [heading_key(h) for h in grid.headings]
    if (
        _SAMPLE_HEADINGS & set(keys)
        and _MARKER_HEADINGS & set(keys)
        and _CALL_HEADINGS & set(keys)
        and len(keys) <= 12
    ):
        return Layout.LONG
    by_name = set()
    if keys[0] in _SAMPLE_HEADINGS:
        by_name.add(Layout.WIDE)
    if keys[0] in _MARKER_HEADINGS:
        by_name.add(Layout.WIDE_BY_MARKER)
    if len(by_name) == 1:
        return by_name.pop()
    first = set(grid.column(0))
    across = set(grid.headings[1:])
    samples, markers = set(known_samples), set(known_markers)
    wide = bool(first & samples) or bool(across & markers)
    tall = bool(across & samples) or bool(first & markers)
    if wide != tall:
        return Layout.WIDE if wide else Layout.WIDE_BY_MARKER
    problems.add(
        "It cannot be told whether the rows are samples or markers.",
        "Say so in config.yaml: layout: wide (a row per sample), wide-by-marker (a row per marker) or long.",
        row=grid.header_row,
        value=", ".join(grid.headings[:4]),
    )
    problems.raise_if_any()
    raise AssertionError


def table_samples(grid: Grid, layout: Layout, problems: ProblemList) -> tuple[str, ...]:
    """Sample names of a table, in its order."""
    if layout is Layout.WIDE:
        return tuple(grid.column(0))
    if layout is Layout.WIDE_BY_MARKER:
        return tuple(grid.headings[1 + len(_about_columns(grid, (), problems)) :])
    return tuple(dict.fromkeys(grid.column(_long_columns(grid, problems)[0])))


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
    problems: ProblemList,
    sheet: str | None,
    limit_bytes: float,
) -> CallBatch:
    """Read a marker table into a batch, markers in the table's order.

    Parameters as `genotypes.read_batch`; `info`: the marker sheet by name; `known_samples`: names that prove
    the layout. Raises PlateError through `problems`.
    """
    grid = load_grid(path, sniffed, problems, sheet=sheet, limit_bytes=limit_bytes)
    how = find_layout(grid, layout, known_samples, info, problems)
    if how is Layout.WIDE:
        cells = _wide(grid)
    elif how is Layout.WIDE_BY_MARKER:
        cells = _by_marker(grid, known_samples, problems)
    else:
        cells = _long(grid, problems)
    _check_names(cells, grid, problems)
    problems.raise_if_any()
    if keep_samples is not None:
        wanted = set(keep_samples)
        keep = np.array([i for i, s in enumerate(cells.samples) if s in wanted], dtype=np.int64)
        if not len(keep):
            problems.add(
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
    blocks, markers, notes = _interpret(cells, info, counted_allele, more, problems)
    problems.raise_if_any()
    return CallBatch(
        batch, markers, tuple(cells.samples), blocks, Evidence.CALLS, (*grid.notes, f"layout: {how}", *notes)
    )


def _wide(grid: Grid) -> _Cells:
    return _Cells(
        grid.headings[1:],
        grid.column(0),
        np.ascontiguousarray(grid.codes[:, 1:].T),
        grid.texts,
        {"sample": grid.rows},
    )


def _about_columns(grid: Grid, known_samples: Collection[str], problems: ProblemList) -> dict[str, int]:
    """Columns of a table by marker that describe it: those right behind its name, by heading."""
    about: dict[str, int] = {}
    known = {heading_key(s) for s in known_samples}
    for place, heading in enumerate(grid.headings[1:], start=1):
        what = ABOUT_MARKER.get(heading_key(heading))
        if what is None or what in about:
            break
        if heading_key(heading) in known:
            problems.add(
                "This column could be a sample or describe the markers.",
                "Give the sample another name.",
                row=grid.header_row,
                column=heading,
            )
        about[what] = place
    return about


def _by_marker(grid: Grid, known_samples: Collection[str], problems: ProblemList) -> _Cells:
    about = _about_columns(grid, known_samples, problems)
    places = list(range(1 + len(about), len(grid.headings)))
    markers = grid.column(0)
    cells = _Cells(
        markers,
        [grid.headings[i] for i in places],
        np.ascontiguousarray(grid.codes[:, places]),
        grid.texts,
        {"marker": grid.rows},
    )
    if about:
        empty = [""] * len(markers)
        columns = [
            grid.column(about[n]) if n in about else empty
            for n in ("chrom", "pos", "alleles", "counted_allele", "inheritance")
        ]
        cells.info = {m: _info(*(c[i] for c in columns)) for i, m in enumerate(markers)}
        shown = ", ".join(grid.headings[1 : 1 + len(about)])
        grid.notes.append(f"columns {shown} describe the markers")
    return cells


def _long_columns(grid: Grid, problems: ProblemList) -> tuple[int, int, int]:
    keys = [heading_key(h) for h in grid.headings]
    found = []
    for names, what in (
        (_SAMPLE_HEADINGS, "sample_id"),
        (_MARKER_HEADINGS, "marker"),
        (_CALL_HEADINGS, "call"),
    ):
        places = [i for i, k in enumerate(keys) if k in names]
        if len(places) != 1:
            problems.add(
                f"A long table needs {'one' if places else 'a'} column {what}; it has "
                f"{len(places) if places else 'none'}.",
                "Name the columns sample_id, marker, call.",
                row=grid.header_row,
                column=what,
            )
            places = [0]
        found.append(places[0])
    problems.raise_if_any()
    return found[0], found[1], found[2]


def _long(grid: Grid, problems: ProblemList) -> _Cells:
    at_sample, at_marker, at_call = _long_columns(grid, problems)
    sample, samples = pd.factorize(grid.codes[:, at_sample])
    marker, markers = pd.factorize(grid.codes[:, at_marker])
    place = marker.astype(np.int64) * len(samples) + sample
    if len(markers) * len(samples) > 2_000_000_000 or len(markers) * len(samples) > 2000 * len(place) + 10**7:
        problems.add(
            f"{len(markers)} markers and {len(samples)} samples with only {len(place)} calls: nearly every "
            "call would be missing.",
            "Check that the columns sample_id and marker hold what their headings say.",
        )
        problems.raise_if_any()
    codes = np.full(len(markers) * len(samples), -1, dtype=np.int32)
    rows = np.zeros(len(codes), dtype=np.int64)
    codes[place], rows[place] = grid.codes[:, at_call], grid.rows
    counts = np.bincount(place, minlength=len(codes))
    for double in np.flatnonzero(counts > 1)[:60].tolist():
        both = np.flatnonzero(place == double)
        first, second = both[0], both[1]
        problems.add(
            f"This sample has a second call at this marker; the first is in row {grid.rows[first]} "
            f"({grid.texts[grid.codes[first, at_call]]!r}).",
            "Keep one of them; a plant tested twice needs two sample names.",
            row=int(grid.rows[second]),
            column=grid.texts[grid.codes[second, at_marker]],
            value=f"{grid.texts[grid.codes[second, at_sample]]}: {grid.texts[grid.codes[second, at_call]]}",
        )
    problems.more += max(0, int((counts > 1).sum()) - 60)
    shape = len(markers), len(samples)
    return _Cells(
        [grid.texts[c] for c in markers],
        [grid.texts[c] for c in samples],
        codes.reshape(shape),
        grid.texts,
        {"cell": rows.reshape(shape)},
    )


def _check_names(cells: _Cells, grid: Grid, problems: ProblemList) -> None:
    """Names must be there, be different, and not have been turned into something else by a spreadsheet."""
    for what, names in (("sample", cells.samples), ("marker", cells.markers)):
        rows = cells.row_of.get(what)
        seen: dict[str, int] = {}
        for i, name in enumerate(names):
            row = int(rows[i]) if rows is not None else grid.header_row
            if not name:
                problems.add(f"The row has no {what} name.", "Fill it in, or delete the row.", row=row)
            elif name in seen:
                problems.add(
                    f"The {what} {name} stands twice"
                    + (f" (first in row {int(rows[seen[name]])})." if rows is not None else "."),
                    f"Give each {what} its own name; a plant tested twice needs two sample names.",
                    row=row,
                    value=name,
                )
            elif what == "marker" and (_EATEN_DATE.match(name) or _EATEN_NUMBER.match(name)):
                kind = "date" if _EATEN_DATE.match(name) else "number"
                problems.add(
                    f"The marker name {name} looks like a name that a spreadsheet turned into a {kind}.",
                    "Restore the name, and format the cell as text before typing it.",
                    row=row,
                    column=name,
                    value=name,
                )
            seen.setdefault(name, i)
    if not cells.markers or not cells.samples:
        problems.add("The table has no markers or no samples.", "Check the layout given in config.yaml.")


def _presence(codes: NDArray[np.integer], n_texts: int) -> NDArray[np.bool_]:
    """Which texts each marker has, (marker, text + 1); the last column stands for 'no cell'."""
    out = np.zeros((len(codes), n_texts + 1), dtype=bool)
    step = max(1, 20_000_000 // max(1, codes.shape[1]))
    for start in range(0, len(codes), step):
        part = codes[start : start + step]
        out[np.arange(start, start + len(part))[:, None], part] = True
    return out


def _interpret(
    cells: _Cells,
    info: Mapping[str, MarkerInfo],
    counted_allele: str | None,
    more: Collection[str],
    problems: ProblemList,
) -> tuple[tuple[CallBlock, ...], Markers, list[str]]:
    """Blocks of calls, the markers, and notes; problems with their places are added."""
    # Sample and marker names are among the texts of the grid: number the texts of calls afresh.
    used = np.zeros(len(cells.texts) + 1, dtype=bool)
    used[cells.codes] = True
    call_codes = np.flatnonzero(used[:-1])
    texts = [cells.texts[c] for c in call_codes]
    narrow = np.uint8 if len(texts) < 255 else np.int32
    renumber = np.full(len(cells.texts) + 1, len(texts), dtype=narrow)
    renumber[call_codes] = np.arange(len(texts))
    codes = renumber[cells.codes]  # marker, sample; len(texts) where there is no cell
    cells.codes = codes[:0]
    if len(texts) > 20_000:
        problems.add(
            f"The table holds {len(texts)} different values, far more than any set of calls.",
            "Check the layout given in config.yaml, and that the table holds calls, not measurements.",
            value=", ".join(texts[:4]),
        )
        problems.raise_if_any()
    present = _presence(codes, len(texts))
    nothing = np.array([is_missing(t, more) for t in texts] + [True], dtype=bool)
    memo: dict[tuple[object, ...], tuple[Reading, NDArray[np.int8]]] = {}
    readings: list[Reading] = []
    groups: dict[int, list[int]] = {}
    tables: dict[int, NDArray[np.int8]] = {}
    for i, marker in enumerate(cells.markers):
        about = info.get(marker, MarkerInfo())
        which = np.flatnonzero(present[i] & ~nothing)
        counted = about.counted or _counted(counted_allele, about.alleles)
        key = (which.tobytes(), about.alleles, counted, about.maternal)
        if key not in memo:
            reading = read_marker(
                [texts[c] for c in which],
                declared=about.alleles,
                counted=counted or None,
                maternal=about.maternal,
            )
            table = np.full((len(texts) + 1, 2), MISSING, dtype=np.int8)
            for c in which:
                table[c] = reading.calls.get(texts[c], (MISSING, MISSING))
            memo[key] = reading, table
        reading, table = memo[key]
        readings.append(reading)
        groups.setdefault(id(table), []).append(i)
        tables[id(table)] = table
    notes = _report(cells, codes, texts, readings, problems)
    if problems:
        return (), _markers(cells, [], readings, info), notes
    kept = [i for i, r in enumerate(readings) if r.alleles]
    if len(kept) < len(readings):
        notes.append(f"{len(readings) - len(kept)} markers have no call at all and were left out")
    if not kept:
        problems.add("Every call of the table is missing.", "Check the file and missing: in config.yaml.")
        return (), _markers(cells, [], readings, info), notes
    row_of = {i: row for row, i in enumerate(kept)}
    by_k: dict[int, list[tuple[list[int], NDArray[np.int8]]]] = {}
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


def _counted(setting: str | None, alleles: tuple[str, ...]) -> str:
    """Name of the allele that 0/1/2 count at a marker, from the file's own setting; '' where unknown."""
    if not setting:
        return ""
    place = {"first": 0, "ref": 0, "second": 1, "alt": 1}.get(setting.strip().casefold())
    if place is None:
        return setting.strip()
    return alleles[place] if len(alleles) == 2 else ""


def _report(
    cells: _Cells,
    codes: NDArray[np.integer],
    texts: Sequence[str],
    readings: Sequence[Reading],
    problems: ProblemList,
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
                problems.add(why, remedy, row=row, column=cells.markers[i])
                continue
            at = np.flatnonzero(codes[i] == place_of[text])
            more = f" It stands {len(at)} times at this marker." if len(at) > 1 else ""
            problems.add(
                why + more,
                remedy,
                row=cells.row(i, int(at[0])),
                column=cells.markers[i],
                value=f"{text} ({cells.samples[at[0]]})",
            )
    if undeclared:
        why, remedy = readings[undeclared[0]].faults[""]
        shown = ", ".join(cells.markers[i] for i in undeclared[:4])
        problems.add(f"{why} {len(undeclared)} markers are concerned.", remedy, column="marker", value=shown)
    elif len(kinds) == 2:
        few = min(kinds.values(), key=len)
        problems.add(
            "Some markers of the table hold counts 0, 1, 2 and others letters or sizes, so that a 0 may be a "
            "count or a missing call.",
            "Export all markers in one notation; if 0 means a missing call, add it to missing: in "
            "config.yaml.",
            column="marker",
            value=", ".join(cells.markers[i] for i in few[:4]),
        )
    return []


def _markers(
    cells: _Cells, kept: Sequence[int], readings: Sequence[Reading], info: Mapping[str, MarkerInfo]
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
