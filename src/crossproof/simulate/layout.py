"""Wells: which sample the sheet puts where, and whose DNA really is there.

content[w]  the DNA expected in well w: a place in the list of plants, or of tubes after them, or EMPTY
source[w]   the well whose DNA was measured under well w's name after the plate faults, or EMPTY
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Ints, Objects
from crossproof.model.plates import PLATE_FORMATS, PlateFormat, Role, Well, parse_well
from crossproof.simulate.plan import FaultKind, PlateFault, SeasonPlan

EMPTY = -1


@dataclass(frozen=True)
class Layout:
    """All wells of the season in plate order.

    `plate` (well,) int: number of the plate. `position` (well,) int: row * columns + column.
    `role` (well,) str. `item` (well,) int: the plant of a progeny well, the line of a parent well, the
    running number of a blank on its plate. `replicate` (well,) int: 1, 2, ... among the wells of one
    plant or line.
    """

    format: PlateFormat
    plate: Ints
    position: Ints
    role: Objects
    item: Ints
    replicate: Ints

    @property
    def n_plates(self) -> int:
        """Number of plates."""
        return int(self.plate[-1]) + 1

    def well_names(self) -> Objects:
        """Name of every well, such as A1."""
        names = np.array(
            [Well(*divmod(p, self.format.columns)).name for p in range(self.format.wells)], object
        )
        return names[self.position]


def plate_format(wells: int) -> PlateFormat:
    """The standard plate with this many wells."""
    for plate in PLATE_FORMATS:
        if plate.wells == wells:
            return plate
    raise ValueError(f"plate_wells must be 96, 384 or 1536, not {wells}")


def plate_name(number: int) -> str:
    """Name of a plate that counts from 0."""
    return f"P{number + 1:03d}"


def lay_out(plan: SeasonPlan, n_lines: int, n_plants: int, rng: np.random.Generator) -> Layout:
    """Fill plates column by column: parent tubes first, progeny in tag order, blanks in the last wells."""
    shape = plate_format(plan.plate_wells)
    twice = np.sort(rng.choice(n_plants, round(plan.replicate_plants * n_plants), replace=False))
    progeny = [(Role.PROGENY, int(i), 1) for i in range(n_plants)] + [
        (Role.PROGENY, int(i), 2) for i in twice
    ]
    usable = shape.wells - plan.blanks_per_plate
    queue: list[tuple[Role, int, int]] = []
    if not plan.panel_on_every_plate:
        queue = [(Role.PARENT, i, r + 1) for r in range(plan.line_replicates) for i in range(n_lines)]
    queue += progeny
    per_plate = n_lines if plan.panel_on_every_plate else 0
    if usable - per_plate < 1:
        raise ValueError("blanks and parent tubes leave no well for progeny")
    n_plates = -(-len(queue) // (usable - per_plate))

    by_column = np.arange(shape.wells).reshape(shape.rows, shape.columns).T.ravel()
    plates, positions, entries = [], [], []
    at = 0
    for number in range(n_plates):
        take = queue[at : at + usable - per_plate]
        at += len(take)
        if plan.panel_on_every_plate:
            take = [(Role.PARENT, i, number + 1) for i in range(n_lines)] + take
        blanks = [(Role.BLANK, b + 1, 1) for b in range(plan.blanks_per_plate)]
        entries += take + blanks
        where = np.concatenate([by_column[: len(take)], by_column[shape.wells - len(blanks) :]])
        positions.append(where)
        plates.append(np.full(len(where), number))
    role, item, replicate = zip(*entries, strict=True)
    return Layout(
        shape,
        np.concatenate(plates),
        np.concatenate(positions).astype(np.int64),
        np.array(role, dtype=object),
        np.array(item, dtype=np.int64),
        np.array(replicate, dtype=np.int64),
    )


def misplace(
    plan: SeasonPlan, layout: Layout, rng: np.random.Generator
) -> tuple[Ints, tuple[PlateFault, ...]]:
    """Whose DNA is measured under each well after the plate faults, in the order they are planned.

    Returns `source` (well,) int64 and the faults with every random choice filled in.
    """
    n = len(layout.plate)
    source = np.arange(n)
    at = {(int(p), int(w)): i for i, (p, w) in enumerate(zip(layout.plate, layout.position, strict=True))}
    told = []
    for fault in plan.faults:
        if fault.kind in (FaultKind.SWAP_TAGS, FaultKind.LINE_IS):
            told.append(fault)
            continue
        filled = _fill_in(fault, layout, rng)
        told.append(filled)
        origin = _origins(filled, layout)
        before = source.copy()
        for well, (plate, position) in origin.items():
            found = at.get((plate, position)) if position >= 0 else None
            source[well] = EMPTY if found is None else before[found]
    return source, tuple(told)


def _number(layout: Layout, name: str) -> int:
    for number in range(layout.n_plates):
        if plate_name(number) == name:
            return number
    raise ValueError(f"there is no plate {name!r}; plates run from P001 to {plate_name(layout.n_plates - 1)}")


def _fill_in(fault: PlateFault, layout: Layout, rng: np.random.Generator) -> PlateFault:
    """The fault with its open choices drawn."""
    plate = _number(layout, fault.target)
    names = layout.well_names()
    mine = np.flatnonzero((layout.plate == plate) & (layout.role == Role.PROGENY))
    first, second, other = fault.first, fault.second, fault.other
    if fault.kind in (FaultKind.SWAP_WELLS, FaultKind.SAME_PLANT) and not (first and second):
        a, b = rng.choice(mine, 2, replace=False)
        first, second = names[a], names[b]
    columns = np.unique(layout.position[mine] % layout.format.columns)
    rows = np.unique(layout.position[mine] // layout.format.columns)
    if fault.kind is FaultKind.SWAP_STRIPS and not (first and second):
        a, b = rng.choice(columns, 2, replace=False)
        first, second = str(a + 1), str(b + 1)
    if fault.kind is FaultKind.REVERSE_COLUMN and not first:
        first = str(rng.choice(columns) + 1)
    if fault.kind is FaultKind.REVERSE_ROW and not first:
        first = Well(int(rng.choice(rows)), 0).name[:-1]
    if fault.kind is FaultKind.EXCHANGE_PLATES and not other:
        others = [p for p in range(layout.n_plates) if p != plate]
        other = plate_name(others[int(rng.integers(len(others)))])
    return PlateFault(fault.kind, fault.target, other, first, second, fault.rows, fault.columns)


def _origins(fault: PlateFault, layout: Layout) -> dict[int, tuple[int, int]]:
    """For each well a fault touches: plate and position its DNA came from (position -1: from nowhere)."""
    plate, shape = _number(layout, fault.target), layout.format
    mine = np.flatnonzero(layout.plate == plate)
    row, column = np.divmod(layout.position[mine], shape.columns)
    new_row, new_column = row.copy(), column.copy()
    kind = fault.kind
    if kind is FaultKind.EXCHANGE_PLATES:
        other = _number(layout, fault.other)
        swapped = {plate: other, other: plate}
        both = np.flatnonzero(np.isin(layout.plate, [plate, other]))
        return {int(w): (swapped[int(layout.plate[w])], int(layout.position[w])) for w in both}
    if kind is FaultKind.ROTATE:
        new_row, new_column = shape.rows - 1 - row, shape.columns - 1 - column
    elif kind is FaultKind.MIRROR:
        new_column = shape.columns - 1 - column
    elif kind is FaultKind.MIRROR_ROWS:
        new_row = shape.rows - 1 - row
    elif kind is FaultKind.SHIFT:
        new_row, new_column = row - fault.rows, column - fault.columns
    elif kind is FaultKind.REVERSE_ROW:
        on = row == parse_well(fault.first + "1").row
        new_column = np.where(on, shape.columns - 1 - column, column)
    elif kind is FaultKind.REVERSE_COLUMN:
        new_row = np.where(column == int(fault.first) - 1, shape.rows - 1 - row, row)
    elif kind is FaultKind.SWAP_STRIPS:
        a, b = int(fault.first) - 1, int(fault.second) - 1
        new_column = np.where(column == a, b, np.where(column == b, a, column))
    elif kind in (FaultKind.SWAP_WELLS, FaultKind.SAME_PLANT):
        one, two = parse_well(fault.first), parse_well(fault.second)
        is_one = (row == one.row) & (column == one.column)
        is_two = (row == two.row) & (column == two.column)
        new_row, new_column = np.where(is_two, one.row, row), np.where(is_two, one.column, column)
        if kind is FaultKind.SWAP_WELLS:
            new_row = np.where(is_one, two.row, new_row)
            new_column = np.where(is_one, two.column, new_column)
    elif kind is FaultKind.CONTAMINATE_BLANKS:
        # the well above, or the one to the left of a blank in the first row
        blank = layout.role[mine] == Role.BLANK
        new_row = np.where(blank & (row > 0), row - 1, row)
        new_column = np.where(blank & (row == 0), column - 1, column)
    position = shape.places(new_row, new_column)
    moved = position != layout.position[mine]
    return {int(w): (plate, int(p)) for w, p in zip(mine[moved], position[moved], strict=True)}
