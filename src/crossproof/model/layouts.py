"""Geometry: every way in which a plate's contents can lie elsewhere than the sheet says.

A layout answers, for each position of the plate, which position of the *sheet* describes what lies there.
Positions are numbered row by row, p = row * columns + column.

    source[p] = s    position p holds what the sheet lists at position s
    source[p] = -1   nothing was meant for position p; what lies there fell outside the comparison
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from crossproof.model.arrays import Ints
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import FindingKind
from crossproof.model.plates import PlateFormat, row_letters
from crossproof.text import first_of


@dataclass(frozen=True)
class Layout:
    """One way a plate may lie. `detail` is the text corrections.csv takes; `words` reads on in a sentence."""

    kind: FindingKind
    correction: CorrectionKind
    detail: str
    words: str
    source: Ints

    @property
    def by_a_well(self) -> bool:
        """Whether the whole plate was shifted by one well, along rows or columns."""
        return self.correction is CorrectionKind.SHIFT and "along" in self.detail

    @property
    def lost(self) -> Ints:
        """Positions of the sheet whose contents lie nowhere on the plate."""
        return np.setdiff1d(np.arange(len(self.source)), self.source)


def _layout(
    plate: PlateFormat,
    kind: FindingKind,
    correction: CorrectionKind,
    detail: str,
    words: str,
    where: Callable[[Ints, Ints], tuple[Ints, Ints]],
) -> Layout:
    """A layout from the sheet's (row, column) as a function of the plate's (row, column)."""
    r, c = np.divmod(np.arange(plate.rows * plate.columns), plate.columns)
    sr, sc = (np.broadcast_to(a, r.shape) for a in where(r, c))
    source = plate.places(sr, sc).astype(np.int64)
    source.flags.writeable = False
    return Layout(kind, correction, detail, words, source)


def _serial(plate: PlateFormat, by_rows: bool, step: int, detail: str) -> Layout:
    """Contents moved by one well in reading order, along rows or along columns."""
    n = plate.rows * plate.columns
    order = np.arange(n) if by_rows else np.arange(n).reshape(plate.rows, plate.columns).T.ravel()
    source = np.full(n, -1, dtype=np.int64)
    if step > 0:
        source[order[1:]] = order[:-1]
    else:
        source[order[:-1]] = order[1:]
    source.flags.writeable = False
    words = f"shifted by one well, {detail}"
    return Layout(FindingKind.SHIFTED, CorrectionKind.SHIFT, detail, words, source)


def _refilled(plate: PlateFormat, by_columns: bool) -> Layout:
    """Filled in the other reading order: the n-th tube of the sheet stands in the n-th place of the
    filling."""
    n = plate.rows * plate.columns
    rows = np.arange(n)
    columns = rows.reshape(plate.rows, plate.columns).T.ravel()
    source = np.empty(n, dtype=np.int64)
    if by_columns:
        source[columns] = rows
    else:
        source[rows] = columns
    source.flags.writeable = False
    detail = "by columns" if by_columns else "by rows"
    words = f"filled {detail} while the sheet was written {'by rows' if by_columns else 'by columns'}"
    return Layout(FindingKind.REFILLED, CorrectionKind.REFILL, detail, words, source)


@cache
def whole_plate_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """Rotated, mirrored (2), shifted by a row or column (4) or by one well (4), filled in another order
    (2)."""
    R, C = plate.rows, plate.columns
    shift = FindingKind.SHIFTED, CorrectionKind.SHIFT
    mirror = FindingKind.MIRRORED, CorrectionKind.MIRROR
    return (
        _layout(
            plate,
            FindingKind.ROTATED,
            CorrectionKind.ROTATE,
            "",
            "rotated by 180 degrees",
            lambda r, c: (R - 1 - r, C - 1 - c),
        ),
        _layout(plate, *mirror, "left-right", "mirrored left to right", lambda r, c: (r, C - 1 - c)),
        _layout(plate, *mirror, "top-bottom", "mirrored top to bottom", lambda r, c: (R - 1 - r, c)),
        _layout(plate, *shift, "right", "shifted by one column to the right", lambda r, c: (r, c - 1)),
        _layout(plate, *shift, "left", "shifted by one column to the left", lambda r, c: (r, c + 1)),
        _layout(plate, *shift, "down", "shifted by one row downwards", lambda r, c: (r - 1, c)),
        _layout(plate, *shift, "up", "shifted by one row upwards", lambda r, c: (r + 1, c)),
        _serial(plate, True, 1, "forward along rows"),
        _serial(plate, True, -1, "back along rows"),
        _serial(plate, False, 1, "forward along columns"),
        _serial(plate, False, -1, "back along columns"),
        _refilled(plate, True),
        _refilled(plate, False),
    )


def reverse_row(plate: PlateFormat, row: int) -> Layout:
    """One row put in the wrong way round."""
    name = row_letters(row)
    return _layout(
        plate,
        FindingKind.ROW_REVERSED,
        CorrectionKind.REVERSE_ROW,
        name,
        f"row {name} reversed",
        lambda r, c: (r, np.where(r == row, plate.columns - 1 - c, c)),
    )


def reverse_column(plate: PlateFormat, column: int) -> Layout:
    """One column (strip) put in the wrong way round."""
    name = str(column + 1)
    return _layout(
        plate,
        FindingKind.COLUMN_REVERSED,
        CorrectionKind.REVERSE_COLUMN,
        name,
        f"column {name} reversed",
        lambda r, c: (np.where(c == column, plate.rows - 1 - r, r), c),
    )


def swap_rows(plate: PlateFormat, a: int, b: int) -> Layout:
    """Two rows in each other's place."""
    names = f"{row_letters(a)} and {row_letters(b)}"
    return _layout(
        plate,
        FindingKind.ROWS_SWAPPED,
        CorrectionKind.SWAP_ROWS,
        names,
        f"rows {names} swapped",
        lambda r, c: (np.where(r == a, b, np.where(r == b, a, r)), c),
    )


def swap_columns(plate: PlateFormat, a: int, b: int) -> Layout:
    """Two columns (strips) in each other's place."""
    names = f"{a + 1} and {b + 1}"
    return _layout(
        plate,
        FindingKind.COLUMNS_SWAPPED,
        CorrectionKind.SWAP_COLUMNS,
        names,
        f"columns {names} swapped",
        lambda r, c: (r, np.where(c == a, b, np.where(c == b, a, c))),
    )


@cache
def strip_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """One row or column reversed; two rows or two columns swapped."""
    R, C = plate.rows, plate.columns
    return (
        *(reverse_row(plate, r) for r in range(R)),
        *(reverse_column(plate, c) for c in range(C)),
        *(swap_rows(plate, a, b) for a in range(R) for b in range(a + 1, R)),
        *(swap_columns(plate, a, b) for a in range(C) for b in range(a + 1, C)),
    )


@cache
def strip_sources(plate: PlateFormat) -> Ints:
    """The sources of all `strip_layouts`, (layout, position)."""
    return np.stack([layout.source for layout in strip_layouts(plate)])


def layout_of(plate: PlateFormat, correction: CorrectionKind, detail: str) -> Layout:
    """The layout that a row of corrections.csv names.

    Raises ValueError, in words for the user, where the detail names none.
    """
    wanted = " ".join(detail.lower().split())
    candidates = [x for x in whole_plate_layouts(plate) + strip_layouts(plate) if x.correction is correction]
    assert candidates, f"{correction} moves no wells of one plate"
    for layout in candidates:
        if layout.detail.lower() == wanted:
            return layout
        first, _, second = layout.detail.lower().partition(" and ")
        if second and wanted in {f"{second} and {first}", f"{first},{second}", f"{first}, {second}"}:
            return layout
    some = first_of((repr(x.detail) for x in candidates), 8)
    raise ValueError(f"{detail!r} is none of {some}")
