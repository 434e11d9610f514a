"""Layouts of parts of a plate: quadrants, halves, one row or column, a run of wells, rows that were sorted.

As in `layouts`: source[p] is the place of the sheet that describes what lies at position p, -1 for none.

A *quadrant* of a 384- or 1536-well plate is one of the four plates that were stamped onto it: quadrant 1 lies
at A1, A3, C1 ..., 2 at A2, A4 ..., 3 at B1 ..., 4 at B2 ...
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache
from typing import overload

import numpy as np

from crossproof.model.arrays import Ints
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import FindingKind
from crossproof.model.layouts import Layout
from crossproof.model.plates import PlateFormat, Well, row_letters

Move = Callable[[Ints, Ints, int, int], tuple[Ints, Ints]]
"""The sheet's (row, column) from the part's own (row, column), given its rows and columns."""

MOVES: dict[str, Move] = {
    "rotated": lambda r, c, R, C: (R - 1 - r, C - 1 - c),
    "mirrored left to right": lambda r, c, R, C: (r, C - 1 - c),
    "mirrored top to bottom": lambda r, c, R, C: (R - 1 - r, c),
    "shifted right": lambda r, c, R, C: (r, c - 1),
    "shifted left": lambda r, c, R, C: (r, c + 1),
    "shifted down": lambda r, c, R, C: (r - 1, c),
    "shifted up": lambda r, c, R, C: (r + 1, c),
}
TURNS = ("rotated", "mirrored left to right", "mirrored top to bottom")
NATURAL, TEXT = "by number", "as text"
"""Orders of names: T2 before T10, or the reverse."""


def _made(kind: FindingKind, words: str, source: Ints) -> Layout:
    source = source.astype(np.int64)
    source.flags.writeable = False
    return Layout(kind, CorrectionKind.PART, words, words, source)


def _part(plate: PlateFormat, name: str, rows: Sequence[int], columns: Sequence[int], move: str) -> Layout:
    """One part, the wells of `rows` x `columns`, turned or shifted within itself."""
    at = np.add.outer(np.array(rows) * plate.columns, np.array(columns))
    r, c = np.indices(at.shape)
    sr, sc = MOVES[move](r, c, *at.shape)
    inside = (sr >= 0) & (sr < len(rows)) & (sc >= 0) & (sc < len(columns))
    source = np.arange(plate.wells)
    source[at] = np.where(inside, at[np.clip(sr, 0, len(rows) - 1), np.clip(sc, 0, len(columns) - 1)], -1)
    return _made(FindingKind.PART_MOVED, f"{name} {move}", source)


def _exchanged(plate: PlateFormat, name: str, parts: Sequence[tuple[range, range]]) -> Layout:
    """Two parts of one shape in each other's place."""
    one, two = (np.add.outer(np.array(r) * plate.columns, np.array(c)) for r, c in parts)
    source = np.arange(plate.wells)
    source[one], source[two] = two, one
    return _made(FindingKind.PART_MOVED, f"{name} exchanged", source)


@cache
def part_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """Halves exchanged, turned or mirrored; from 384 wells on quadrants as well, or shifted."""
    R, C = plate.rows, plate.columns
    halves = {
        "left half": (range(R), range(C // 2)),
        "right half": (range(R), range(C // 2, C)),
        "top half": (range(R // 2), range(C)),
        "bottom half": (range(R // 2, R), range(C)),
    }
    sides = list(halves.values())
    out = [
        _exchanged(plate, "halves left and right", sides[:2]),
        _exchanged(plate, "halves top and bottom", sides[2:]),
        *(_part(plate, name, *part, move) for name, part in halves.items() for move in TURNS),
    ]
    if R >= 16:
        quadrants = [(range(a, R, 2), range(b, C, 2)) for a in (0, 1) for b in (0, 1)]
        for i, part in enumerate(quadrants):
            out += [_part(plate, f"quadrant {i + 1}", *part, move) for move in MOVES]
            out += [
                _exchanged(plate, f"quadrants {i + 1} and {j + 1}", [part, quadrants[j]])
                for j in range(i + 1, 4)
            ]
    return tuple(out)


def _strip(plate: PlateFormat, row: int | None, column: int | None, step: int, copied: bool) -> Layout:
    """One row or column moved by a well along itself, or filled once more with its neighbour's samples."""
    r, c = np.divmod(np.arange(plate.wells), plate.columns)
    on = r == row if row is not None else c == column
    along = (row is not None) != copied
    sr, sc = (r, np.where(on, c - step, c)) if along else (np.where(on, r - step, r), c)
    source = plate.places(sr, sc)
    if row is not None:
        name, back = f"row {row_letters(row)}", f"row {row_letters(row - step)}" if row >= step else ""
        way = "right" if step > 0 else "left"
    else:
        assert column is not None
        name, back, way = f"column {column + 1}", f"column {column - step + 1}", "down" if step > 0 else "up"
    if copied:
        return _made(FindingKind.COPIED, f"{name} filled from {back}", source)
    return _made(FindingKind.PART_MOVED, f"{name} shifted {way} by a well", source)


@cache
def shifted_strip_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """One row or column shifted by a well along itself."""
    out = []
    for step in (1, -1):
        out += [_strip(plate, row, None, step, False) for row in range(plate.rows)]
        out += [_strip(plate, None, column, step, False) for column in range(plate.columns)]
    return tuple(out)


@cache
def shifted_strip_sources(plate: PlateFormat) -> Ints:
    """The sources of `shifted_strip_layouts`, (layout, position)."""
    return _sources(shifted_strip_layouts(plate))


def _sources(layouts: Sequence[Layout]) -> Ints:
    out = np.stack([x.source for x in layouts])
    out.flags.writeable = False
    return out


def shifted_strip_ways(plate: PlateFormat) -> Ints:
    """The way that each of `shifted_strip_layouts` is shifted, (layout,): right, down, left, up."""
    return np.repeat(np.arange(4), [plate.rows, plate.columns] * 2)


@cache
def copied_strip_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """One row or column filled with what belongs in the one beside it."""
    out = []
    for step in (1, -1):
        out += [
            _strip(plate, row, None, step, True) for row in range(plate.rows) if 0 <= row - step < plate.rows
        ]
        out += [
            _strip(plate, None, column, step, True)
            for column in range(plate.columns)
            if 0 <= column - step < plate.columns
        ]
    return tuple(out)


def reading_order(plate: PlateFormat, by_columns: bool) -> Ints:
    """Positions in the order in which a plate is filled."""
    order = np.arange(plate.wells).reshape(plate.rows, plate.columns)
    return np.asarray((order.T if by_columns else order).ravel())


def _from_well(plate: PlateFormat, start: int, by_columns: bool, step: int) -> Layout:
    """From the place `start` of the reading order on, everything stands one well later (+1) or earlier."""
    order = reading_order(plate, by_columns)
    source = np.arange(plate.wells)
    if step > 0:
        source[order[start + 1 :]] = order[start:-1]
        source[order[start]] = -1
    else:
        source[order[start:-1]] = order[start + 1 :]
        source[order[-1]] = -1
    well = Well(*divmod(int(order[start]), plate.columns)).name
    way = "later" if step > 0 else "earlier"
    along = "columns" if by_columns else "rows"
    return _made(FindingKind.SHIFTED, f"shifted from {well} on, one well {way} along {along}", source)


@cache
def run_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """Shifted by one well from some well on: a row of the sheet too many, or one too few."""
    starts = range(1, plate.wells - 2)
    return tuple(
        _from_well(plate, start, by_columns, step)
        for by_columns in (True, False)
        for step in (1, -1)
        for start in starts
    )


@cache
def run_sources(plate: PlateFormat) -> Ints:
    """The sources of `run_layouts`, (layout, position)."""
    return _sources(run_layouts(plate))


def name_order(names: Sequence[str], order: str) -> Ints:
    """Places of names sorted by their numbers (T2 before T10) or as text, equal names as they come."""

    return np.argsort(_ranks(names, order), kind="stable")


def _ranks(names: Sequence[str], order: str) -> Ints:
    """Place of each name among the distinct ones, in order of their numbers or as text."""

    def key(name: str) -> list[tuple[int, int, str]]:
        if order == TEXT:
            return [(1, 0, name)]
        return [(0, int(t), "") if t.isdecimal() else (1, 0, t) for t in re.split(r"(\d+)", name) if t]

    keys = [key(name) for name in names]
    out = np.empty(len(names), dtype=np.int64)
    place, before = -1, None
    for i in sorted(range(len(names)), key=lambda i: keys[i]):
        if keys[i] != before:
            place, before = place + 1, keys[i]
        out[i] = place
    return out


def _sorted_from(plate: PlateFormat, wells: Ints, by_name: Ints) -> Ints:
    """Sources of the wells standing by their names from the first on, the second on and so on, as long as
    they do not anyway, (start, position).

    `wells`: positions in the order of filling; `by_name`: their places in it, by name.
    """
    starts = np.arange(max(len(wells) - 3, 0))
    row, to = np.nonzero(np.arange(len(wells)) >= starts[:, None])
    what = by_name[np.nonzero(by_name >= starts[:, None])[1]]
    falls = row[1:][(row[1:] == row[:-1]) & (what[1:] < what[:-1])]
    sorted_anyway = np.flatnonzero(np.bincount(falls, minlength=len(starts)) == 0)
    sources = np.tile(np.arange(plate.wells), (len(starts), 1))
    sources[row, wells[to]] = wells[what]
    return sources[: sorted_anyway[0]] if len(sorted_anyway) else sources


class SortedLayouts(Sequence[Layout]):
    """What `sorted_layouts` gives: `sources` of all of them, (layout, position); each is made when it is
    asked for, as hardly any is."""

    def __init__(self, plate: PlateFormat, found: Sequence[tuple[str, str, Ints, Ints]]) -> None:
        """`found`: order of names, way of filling, wells in the order of filling, sources from each on."""
        self.plate = plate
        self._ways = [(order, along, wells) for order, along, wells, _ in found]
        self._ends = np.cumsum([len(sources) for *_, sources in found])
        self.sources = np.concatenate([sources for *_, sources in found])

    def __len__(self) -> int:
        return len(self.sources)

    @overload
    def __getitem__(self, number: int) -> Layout: ...
    @overload
    def __getitem__(self, number: slice) -> list[Layout]: ...
    def __getitem__(self, number: int | slice) -> Layout | list[Layout]:
        if isinstance(number, slice):
            return [self[i] for i in range(*number.indices(len(self)))]
        source = self.sources[number]
        i = range(len(self))[number]
        way = int(np.searchsorted(self._ends, i, side="right"))
        order, along, wells = self._ways[way]
        start = i - (int(self._ends[way - 1]) if way else 0)
        well = Well(*divmod(int(wells[start]), self.plate.columns)).name
        words = f"filled in the order of plant names {order} along {along}, from {well} on"
        return _made(FindingKind.SORTED, words, source)


def sorted_layouts(plate: PlateFormat, positions: Ints, names: Sequence[str]) -> SortedLayouts:
    """The plants at `positions` stand by their names, from some well on, while the sheet has them otherwise.

    `positions`: the wells with plants; `names` those of the plants as the sheet lists them there.
    """
    ranks = {order: _ranks(names, order) for order in (NATURAL, TEXT)}
    found = []
    for by_columns in (True, False):
        place = np.empty(plate.wells, dtype=np.int64)
        place[reading_order(plate, by_columns)] = np.arange(plate.wells)
        as_filled = np.argsort(place[positions], kind="stable")
        wells = positions[as_filled]
        along = "columns" if by_columns else "rows"
        for order, rank in ranks.items():
            by_name = np.argsort(rank[as_filled], kind="stable")
            found.append((order, along, wells, _sorted_from(plate, wells, by_name)))
    return SortedLayouts(plate, found)


def part_layout(plate: PlateFormat, detail: str, positions: Ints, names: Sequence[str]) -> Layout:
    """The layout that the detail of a row of corrections.csv names; raises ValueError where it names none.

    `positions`, `names`: wells with plants on the sheet, and the plants there.
    """
    wanted = " ".join(detail.lower().split())
    strips = (*shifted_strip_layouts(plate), *copied_strip_layouts(plate))
    fixed = (*part_layouts(plate), *strips, *run_layouts(plate))
    every: list[Layout] = [*fixed, *sorted_layouts(plate, positions, names)]
    for layout in every:
        if layout.detail.lower() == wanted:
            return layout
    some = ", ".join(repr(x.detail) for x in fixed[:3])
    raise ValueError(f"{detail!r} names no part of this plate, as {some} do")
