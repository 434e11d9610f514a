"""What the calls of a laid-out marker table mean: each marker's set of texts is read once."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.io.intake.said_calls import Saying, generic_call, in_own_words, other_strand_call
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
from crossproof.io.tables.layouts import Cells, MarkerInfo
from crossproof.model.arrays import Bools, Int8s, Ints
from crossproof.model.genotypes import CallBlock, Markers
from crossproof.model.sentinels import MISSING

MOST_TEXTS = 5_000
"""Different calls of a table; measurements have more."""


@dataclass(frozen=True)
class CallWays:
    """How the calls of a file are written.

    `missing`: further spellings of a missing call, in capitals; `counted_allele`: which one 0/1/2 count, by
    the file's own setting; `generic`: whether alleles are called A and B, or 1 and 2, at every marker;
    `other_strand`: whether bases are those of the other strand.
    """

    missing: Collection[str]
    counted_allele: str | None
    generic: bool
    other_strand: bool
    batch: str

    def saying(self, about: MarkerInfo) -> Saying:
        """What a call of a marker says."""
        if self.generic:
            return generic_call(about.generic, self.batch)
        return other_strand_call if self.other_strand else str

    def counted(self, alleles: tuple[str, ...]) -> str:
        """Name of the allele that 0/1/2 count at a marker; '' where unknown."""
        if not self.counted_allele:
            return ""
        setting = self.counted_allele.strip()
        place = {"first": 0, "ref": 0, "second": 1, "alt": 1}.get(setting.casefold())
        if place is None:
            return setting
        return alleles[place] if len(alleles) == 2 else ""


def calls_of_table(
    cells: Cells, info: Mapping[str, MarkerInfo], ways: CallWays, problems: Problems
) -> tuple[tuple[CallBlock, ...], Markers, list[str]]:
    """Blocks of calls, the markers, and notes; problems with their places are added."""
    texts, codes = _numbered(cells)
    if len(texts) > MOST_TEXTS:
        problems.error(
            f"The table holds {len(texts)} different values, far more than any set of calls.",
            "Check the layout given in config.yaml, and that the table holds calls, not measurements.",
            value=", ".join(texts[:4]),
        )
        problems.raise_if_any()
    readings, tables, notes = _readings(cells.markers, codes, texts, info, ways)
    _report(cells, codes, texts, readings, problems)
    kept = [i for i, r in enumerate(readings) if r.alleles]
    if not problems and not kept:
        problems.error("Every call of the table is missing.", "Check the file and missing: in config.yaml.")
    if problems:
        return (), _markers(cells, [], readings, info), notes
    if len(kept) < len(readings):
        notes.append(f"{len(readings) - len(kept)} markers have no call at all and were left out")
    blocks = []
    n_alleles = np.array([len(readings[i].alleles) for i in kept])
    for k in np.unique(n_alleles).tolist():
        rows = np.flatnonzero(n_alleles == k)
        calls = np.empty((len(rows), len(cells.samples), 2), dtype=np.int8)
        alike: dict[int, list[int]] = {}
        for at, row in enumerate(rows.tolist()):
            alike.setdefault(id(tables[kept[row]]), []).append(at)
        for members in alike.values():
            markers = [kept[rows[at]] for at in members]
            calls[members] = tables[markers[0]][codes[markers]]
        blocks.append(CallBlock(k, rows, calls))
    return tuple(blocks), _markers(cells, kept, readings, info), notes


def _numbered(cells: Cells) -> tuple[list[str], NDArray[Any]]:
    """The distinct texts of calls, and the number of each cell's (marker, sample); one more for no cell.

    Sample and marker names are among the texts of the grid, so those of calls are numbered afresh. The
    codes of `cells` are let go: they are the largest array there is.
    """
    used = np.zeros(len(cells.texts) + 1, dtype=bool)
    used[cells.codes] = True
    call_codes = np.flatnonzero(used[:-1])
    texts = [cells.texts[c] for c in call_codes]
    renumber = np.full(len(cells.texts) + 1, len(texts), dtype=np.int32)
    renumber[call_codes] = np.arange(len(texts))
    if len(texts) < 255:
        renumber = renumber.astype(np.uint8)
    codes: NDArray[Any] = renumber[cells.codes]
    cells.codes = codes[:0]
    return texts, codes


def _presence(codes: NDArray[Any], n_texts: int) -> Bools:
    """Which texts each marker has, (marker, text + 1); the last column stands for 'no cell'."""
    out = np.zeros((len(codes), n_texts + 1), dtype=bool)
    step = max(1, 20_000_000 // max(1, codes.shape[1]))
    for start in range(0, len(codes), step):
        part = codes[start : start + step]
        out[np.arange(start, start + len(part))[:, None], part] = True
    return out


def _readings(
    markers: Sequence[str],
    codes: NDArray[Any],
    texts: Sequence[str],
    info: Mapping[str, MarkerInfo],
    ways: CallWays,
) -> tuple[list[Reading], list[Int8s], list[str]]:
    """What the calls of each marker mean, as a table (text, 2) of alleles too, and notes on fragment sizes.

    Markers with the same calls and alleles share one reading and one table.
    """
    present = _presence(codes, len(texts))
    nothing = np.array([is_missing(t, ways.missing) for t in texts] + [True], dtype=bool)
    sized = np.array([is_size_call(t) for t in texts] + [False], dtype=bool)
    memo: dict[tuple[object, ...], tuple[Reading, Int8s]] = {}
    found: list[tuple[Reading, Int8s]] = []
    notes: list[str] = []
    for i, marker in enumerate(markers):
        about = info.get(marker, MarkerInfo())
        which = np.flatnonzero(present[i] & ~nothing)
        mine = which.tolist()
        binned = _binned(codes[i], which, texts, sized, about)
        if binned is not None and binned.fault:
            notes.append(f"{marker}: {binned.fault} {SET_ASIDE}")
            found.append((Reading(), np.empty((0, 2), dtype=np.int8)))
            continue
        if binned is not None and binned.in_words():
            notes.append(f"{marker}: {binned.in_words()} {IN_BINS}")
        bins = () if binned is None else tuple(binned.bins.items())
        counted = about.counted or ways.counted(about.alleles)
        key = (which.tobytes(), about.alleles, counted, about.maternal, about.generic, bins)
        if key not in memo:
            say = ways.saying(about) if binned is None else binned.call
            said = {texts[c]: s for c in mine if (s := say(texts[c]))}
            reading = read_marker(
                set(said.values()), declared=about.alleles, counted=counted or None, maternal=about.maternal
            )
            reading = in_own_words(reading, said)
            table = np.full((len(texts) + 1, 2), MISSING, dtype=np.int8)
            for c in mine:
                table[c] = reading.calls.get(texts[c], (MISSING, MISSING))
            memo[key] = reading, table
        found.append(memo[key])
    return [r for r, _ in found], [t for _, t in found], notes


def _binned(
    codes: NDArray[Any], which: Ints, texts: Sequence[str], sized: Bools, about: MarkerInfo
) -> Binned | None:
    """Bins of a marker whose calls are all fragment sizes, None for another."""
    if not len(which) or not sized[which].all():
        return None
    counts = np.bincount(codes, minlength=len(texts) + 1)
    seen = sizes_of({texts[c]: int(counts[c]) for c in which})
    return None if seen is None else bin_sizes(seen, about.alleles)


def _report(
    cells: Cells,
    codes: NDArray[Any],
    texts: Sequence[str],
    readings: Sequence[Reading],
    problems: Problems,
) -> None:
    """Note problems of all markers with their places."""
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
