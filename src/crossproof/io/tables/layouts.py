"""How a marker table lies: a row per sample, a row per marker, or a row per call.

A layout is taken from the heading of the first column, the samples of the samples sheet or the markers of the
marker sheet, or asked for; it is never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Set
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache

import numpy as np
import pandas as pd

from crossproof.io.problems import Problems
from crossproof.io.tables.call_notation import split_alleles
from crossproof.io.tables.grid import Grid
from crossproof.model.arrays import Int32s, Ints

_SAMPLE_HEADINGS = frozenset(
    [
        "sample_id",
        "sample",
        "sample_name",
        "samplename",
        "sampleid",
        "subject",
        "subject_id",
        "subjectid",
        "dna_name",
        "dna_id",
        "individual",
        "lab_id",
        "plant",
        "plant_id",
        "sample_no",
        "customer_sample",
        "client_id",
    ]
)
_MARKER_HEADINGS = frozenset(
    [
        "marker",
        "marker_id",
        "marker_name",
        "markerid",
        "snp",
        "snp_id",
        "snpid",
        "snp_name",
        "assay",
        "assay_id",
        "assay_name",
        "locus",
        "locus_name",
        "probe_id",
        "probe",
    ]
)
_CALL_HEADINGS = frozenset(["call", "genotype", "gt", "genotype_call", "final_call", "call_text"])
_ALLELE_HEADING = re.compile(r"^allele_?(?:1|2|a|b|one|two)(?:_(?:top|forward|design|plus))?$")
_PLATE_HEADINGS = frozenset(
    [
        "plate",
        "plate_id",
        "plate_name",
        "platename",
        "masterplate",
        "master_plate",
        "daughterplate",
        "daughter_plate",
        "dna_plate",
        "plate_barcode",
        "barcode",
        "box",
    ]
)


SHOWN_DOUBLE = 60
"""Second calls at one marker that are told one by one."""


def is_sample_heading(heading: str) -> bool:
    """Whether a heading says that the column names samples."""
    return heading_key(heading) in _SAMPLE_HEADINGS


def is_marker_heading(heading: str) -> bool:
    """Whether a heading says that the column names markers."""
    return heading_key(heading) in _MARKER_HEADINGS


def is_call_heading(heading: str) -> bool:
    """Whether a heading says that the column holds calls."""
    return heading_key(heading) in _CALL_HEADINGS


def is_allele_heading(heading: str) -> bool:
    """Whether a heading says that the column holds one allele of each call."""
    return bool(_ALLELE_HEADING.match(heading_key(heading)))


def is_plate_heading(heading: str) -> bool:
    """Whether a heading says that the column names plates."""
    return heading_key(heading) in _PLATE_HEADINGS


ABOUT_MARKER = {
    "chrom": "chrom",
    "chromosome": "chrom",
    "pos": "pos",
    "position": "pos",
    "alleles": "alleles",
    "inheritance": "inheritance",
    "counted_allele": "counted_allele",
}


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
    generic: tuple[str, ...] = ()
    """What A and B, or 1 and 2, stand for in files that call the alleles so."""


@dataclass
class Cells:
    """Calls of a table: `codes` (marker, sample) into `texts`, -1 where there is no cell."""

    markers: list[str]
    samples: list[str]
    codes: Int32s
    texts: list[str]
    row_of: Mapping[str, Ints]
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
        missing = sheet[name].isna().tolist()
        return ["" if no else str(v).strip() for v, no in zip(sheet[name].tolist(), missing, strict=True)]

    marker, *columns = (
        column(c)
        for c in ("marker", "chrom", "pos", "alleles", "counted_allele", "inheritance", "generic_alleles")
    )
    return dict(zip(marker, map(_info, *columns), strict=True))


@lru_cache(maxsize=1 << 16)
def _info(
    chrom: str, pos: str, alleles: str, counted: str, inheritance: str, generic: str = ""
) -> MarkerInfo:
    """What the cells of a marker sheet say; remembered, as all files of a season have one sheet."""
    one = split_alleles(counted)
    return MarkerInfo(
        chrom,
        int(pos) if pos.isascii() and pos.isdigit() else 0,
        split_alleles(alleles),
        one[0] if one else "",
        inheritance.casefold() == "maternal",
        split_alleles(generic),
    )


def heading_key(text: str) -> str:
    """A heading without regard to capitals, spaces, underscores and hyphens at word breaks."""
    return re.sub(r"[\s_-]+", "_", text.strip().casefold())


def find_layout(
    grid: Grid,
    asked: str | None,
    known_samples: Collection[str],
    known_markers: Collection[str],
    problems: Problems,
) -> Layout:
    """The layout, as asked for or as proven by the content. Raises PlateError where neither."""
    if asked is not None:
        try:
            return Layout(asked)
        except ValueError:
            problems.error(
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
    wide = _share(first, known_samples) or not across.isdisjoint(known_markers)
    tall = _share(across, known_samples) or not first.isdisjoint(known_markers)
    if wide != tall:
        return Layout.WIDE if wide else Layout.WIDE_BY_MARKER
    problems.error(
        "It cannot be told whether the rows are samples or markers.",
        "Say so in config.yaml: layout: wide (a row per sample), wide-by-marker (a row per marker) or long.",
        row=grid.header_row,
        value=", ".join(grid.headings[:4]),
    )
    problems.raise_if_any()
    raise AssertionError


def _share(names: set[str], known: Collection[str]) -> bool:
    return not (known.isdisjoint(names) if isinstance(known, Set) else names.isdisjoint(known))


def table_samples(grid: Grid, layout: Layout, problems: Problems) -> tuple[str, ...]:
    """Sample names of a table, in its order."""
    if layout is Layout.WIDE:
        return tuple(grid.column(0))
    if layout is Layout.WIDE_BY_MARKER:
        return tuple(grid.headings[1 + len(_about_columns(grid, (), problems)) :])
    return tuple(dict.fromkeys(grid.column(_long_columns(grid, problems)[0])))


def lay_out(grid: Grid, how: Layout, known_samples: Collection[str], problems: Problems) -> Cells:
    """The calls of a table by marker and sample. Raises PlateError, or notes what is wrong, in `problems`."""
    if how is Layout.WIDE:
        return _wide(grid)
    if how is Layout.WIDE_BY_MARKER:
        return _by_marker(grid, known_samples, problems)
    return _long(grid, problems)


def _wide(grid: Grid) -> Cells:
    return Cells(
        grid.headings[1:],
        grid.column(0),
        np.ascontiguousarray(grid.codes[:, 1:].T),
        grid.texts,
        {"sample": grid.rows},
    )


def _about_columns(grid: Grid, known_samples: Collection[str], problems: Problems) -> dict[str, int]:
    """Columns of a table by marker that describe it: those right behind its name, by heading."""
    about: dict[str, int] = {}
    known: set[str] = set()
    for place, heading in enumerate(grid.headings[1:], start=1):
        what = ABOUT_MARKER.get(heading_key(heading))
        if what is None or what in about:
            break
        known = known or {heading_key(s) for s in known_samples}
        if heading_key(heading) in known:
            problems.error(
                "This column could be a sample or describe the markers.",
                "Give the sample another name.",
                row=grid.header_row,
                column=heading,
            )
        about[what] = place
    return about


def _by_marker(grid: Grid, known_samples: Collection[str], problems: Problems) -> Cells:
    about = _about_columns(grid, known_samples, problems)
    places = list(range(1 + len(about), len(grid.headings)))
    markers = grid.column(0)
    cells = Cells(
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


def _long_columns(grid: Grid, problems: Problems) -> tuple[int, int, int]:
    keys = [heading_key(h) for h in grid.headings]
    found = []
    for names, what in (
        (_SAMPLE_HEADINGS, "sample_id"),
        (_MARKER_HEADINGS, "marker"),
        (_CALL_HEADINGS, "call"),
    ):
        places = [i for i, k in enumerate(keys) if k in names]
        if len(places) != 1:
            problems.error(
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


def _long(grid: Grid, problems: Problems) -> Cells:
    at_sample, at_marker, at_call = _long_columns(grid, problems)
    sample, samples = pd.factorize(grid.codes[:, at_sample])
    marker, markers = pd.factorize(grid.codes[:, at_marker])
    place = marker.astype(np.int64) * len(samples) + sample
    if len(markers) * len(samples) > 2_000_000_000 or len(markers) * len(samples) > 2000 * len(place) + 10**7:
        problems.error(
            f"{len(markers)} markers and {len(samples)} samples with only {len(place)} calls: nearly every "
            "call would be missing.",
            "Check that the columns sample_id and marker hold what their headings say.",
        )
        problems.raise_if_any()
    codes = np.full(len(markers) * len(samples), -1, dtype=np.int32)
    rows = np.zeros(len(codes), dtype=np.int64)
    codes[place], rows[place] = grid.codes[:, at_call], grid.rows
    counts = np.bincount(place, minlength=len(codes))
    for double in np.flatnonzero(counts > 1)[:SHOWN_DOUBLE].tolist():
        both = np.flatnonzero(place == double)
        first, second = both[0], both[1]
        problems.error(
            f"This sample has a second call at this marker; the first is in row {grid.rows[first]} "
            f"({grid.texts[grid.codes[first, at_call]]!r}).",
            "Keep one of them; a plant tested twice needs two sample names.",
            row=int(grid.rows[second]),
            column=grid.texts[grid.codes[second, at_marker]],
            value=f"{grid.texts[grid.codes[second, at_sample]]}: {grid.texts[grid.codes[second, at_call]]}",
        )
    problems.count_more(max(0, int((counts > 1).sum()) - SHOWN_DOUBLE))
    shape = len(markers), len(samples)
    return Cells(
        [grid.texts[c] for c in markers],
        [grid.texts[c] for c in samples],
        codes.reshape(shape),
        grid.texts,
        {"cell": rows.reshape(shape)},
    )
