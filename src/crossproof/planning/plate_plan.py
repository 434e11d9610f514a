"""Plates filled so that a plate put in, or read, the wrong way round is seen.

    identity   what the sheet expects in a well: a family, a line, blank, or empty
    layout     a way the plate may lie (`inference.plate_layout`): rotated, mirrored, shifted, a strip
    reversed, two
               strips swapped
    seen by    wells whose expected identity is another one under the layout

Wells of one family are alike to any check, so a layout that only moves plants within their family cannot be
seen. Blanks, parents in replicate and a plant in replicate are placed by a seeded search that first lowers
the number of layouts seen by fewer than `ENOUGH` wells, then raises the least number of wells that see any
layout, up to `PLENTY`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from crossproof.model.arrays import Bools, Ints
from crossproof.model.layouts import Layout, strip_layouts, whole_plate_layouts
from crossproof.model.plates import PLATE_FORMATS, PlateFormat, Well
from crossproof.planning.inputs import PlannedCross, PlanSettings

ENOUGH = 2
"""Wells that must see a layout; one well alone could be a pipetting slip of its own."""

PLENTY = 4
"""The search ends where every layout is seen by so many wells."""

SMALLEST_PART = 8
"""Plants of a family that is split over plates, at least so many on each."""

_WORK = 40_000_000


@dataclass(frozen=True)
class PlannedWell:
    """One well. `role`: parent, progeny, blank; `line` of a parent; `cross_id` and `plant` of a progeny
    plant."""

    plate: str
    row: int
    column: int
    role: str
    line: str = ""
    cross_id: str = ""
    plant: str = ""

    @property
    def well(self) -> str:
        """Name such as A1."""
        return Well(self.row, self.column).name

    @property
    def identity(self) -> str:
        """What a check can tell of the well."""
        return self.role + ":" + (self.line or self.cross_id)


@dataclass(frozen=True)
class LayoutCheck:
    """One way a plate may lie: its words, how many wells see it, and how many of these are blanks or would
    be."""

    words: str
    wells: int
    blanks: int


@dataclass(frozen=True)
class PlannedPlate:
    """One plate: its wells in reading order, and what its layouts would look like."""

    name: str
    plate: PlateFormat
    wells: tuple[PlannedWell, ...]
    checks: tuple[LayoutCheck, ...]

    @property
    def least(self) -> int:
        """Wells that see the layout that is hardest to see."""
        return min((c.wells for c in self.checks), default=0)

    @property
    def unseen(self) -> tuple[str, ...]:
        """Layouts that fewer than ENOUGH wells see, in words."""
        return tuple(c.words for c in self.checks if c.wells < ENOUGH)


@dataclass(frozen=True)
class _Load:
    """What goes on one plate, before it has places."""

    plants: list[tuple[str, str]] = field(default_factory=list)  # cross_id, plant
    lines: list[str] = field(default_factory=list)


def plate_format(wells: int) -> PlateFormat:
    """The standard plate with so many wells. Raises ValueError for another number."""
    for plate in PLATE_FORMATS:
        if plate.wells == wells:
            return plate
    sizes = ", ".join(str(p.wells) for p in PLATE_FORMATS)
    raise ValueError(f"{wells} wells is none of the standard plates: {sizes}")


def all_layouts(plate: PlateFormat) -> tuple[Layout, ...]:
    """Every layout that the plate checks compare."""
    return whole_plate_layouts(plate) + strip_layouts(plate)


def plan_plates(
    crosses: Sequence[PlannedCross],
    plants: Sequence[int],
    settings: PlanSettings,
    *,
    prefix: str = "plan",
    first: int = 1,
    more_lines: Sequence[str] = (),
) -> tuple[PlannedPlate, ...]:
    """Plates for so many plants of each cross, in the order given (the order of harvest).

    plants (cross,): to test. Each plate holds the parents of its crosses `parent_wells` times,
    `blanks_per_plate` blanks and `plant_replicates_per_plate` plants twice. Families stay together in
    harvest order, column by column, or are mixed over the plate with the seed where `randomise` is set. A
    family that no plate has room for starts a new one, or is split where `split_families` is set; one larger
    than a plate is split in any case. Plates are numbered from `first`. `more_lines` are put on the plates
    beside the parents, `parent_wells` times each: lines to type that no cross here needs.
    Raises ValueError where two parents, the blanks and one plant do not fit a plate.
    """
    plate = plate_format(settings.plate_wells)
    loads = _deal(crosses, plants, settings, plate)
    _add_lines(loads, more_lines, settings, plate)
    rng = np.random.default_rng(settings.seed)
    return tuple(
        _fill(f"{prefix}{i:02d}", load, plate, settings, rng) for i, load in enumerate(loads, start=first)
    )


def plates_needed(crosses: Sequence[PlannedCross], plants: Sequence[int], settings: PlanSettings) -> int:
    """How many plates `plan_plates` would fill. Raises ValueError as it does."""
    return len(_deal(crosses, plants, settings, plate_format(settings.plate_wells)))


def _deal(
    crosses: Sequence[PlannedCross], plants: Sequence[int], settings: PlanSettings, plate: PlateFormat
) -> list[_Load]:
    fixed = settings.blanks_per_plate + settings.plant_replicates_per_plate
    if fixed + 2 * settings.parent_wells + 1 > plate.wells:
        raise ValueError("blanks, replicates and two parents leave no well for a plant")
    loads: list[_Load] = []

    def room(load: _Load, cross: PlannedCross) -> int:
        new = len({cross.mother, cross.father} - set(load.lines))
        used = fixed + settings.parent_wells * (len(load.lines) + new) + len(load.plants)
        return plate.wells - used

    def place_for(cross: PlannedCross, left: int) -> _Load:
        rooms = [(load, room(load, cross)) for load in loads]
        for load, free in rooms:
            if free >= left:
                return load
        for load, free in rooms:
            if settings.split_families and free >= SMALLEST_PART and left - free >= SMALLEST_PART:
                return load
        loads.append(_Load())
        return loads[-1]

    for cross, number in zip(crosses, plants, strict=True):
        names = [f"{cross.cross_id}-{i}" for i in range(1, number + 1)]
        while names:
            load = place_for(cross, len(names))
            take = min(len(names), room(load, cross))
            load.lines.extend(line for line in (cross.mother, cross.father) if line not in load.lines)
            load.plants.extend((cross.cross_id, name) for name in names[:take])
            names = names[take:]
    return loads


def _add_lines(loads: list[_Load], lines: Sequence[str], settings: PlanSettings, plate: PlateFormat) -> None:
    """Further lines onto the plates with room for them, or onto plates of their own."""
    fixed = settings.blanks_per_plate + settings.plant_replicates_per_plate
    for line in dict.fromkeys(lines):
        if any(line in load.lines for load in loads):
            continue
        fitting = [
            load
            for load in loads
            if fixed + settings.parent_wells * (len(load.lines) + 1) + len(load.plants) <= plate.wells
        ]
        if not fitting:
            loads.append(_Load())
        (fitting or loads[-1:])[0].lines.append(line)


def _fill(
    name: str, load: _Load, plate: PlateFormat, settings: PlanSettings, rng: np.random.Generator
) -> PlannedPlate:
    controls: list[tuple[str, str, str, str]] = [("blank", "", "", "")] * settings.blanks_per_plate
    controls += [("parent", line, "", "") for line in load.lines for _ in range(settings.parent_wells)]
    step = max(1, len(load.plants) // max(1, settings.plant_replicates_per_plate))
    again = load.plants[::step][: settings.plant_replicates_per_plate]
    controls += [("progeny", "", cross_id, plant) for cross_id, plant in again]
    plants = [("progeny", "", cross_id, plant) for cross_id, plant in load.plants]
    if settings.randomise:
        plants = [plants[i] for i in rng.permutation(len(plants))]
    used = len(controls) + len(plants)
    identity: dict[str, int] = {"empty": 0, "blank:": 1}
    codes_controls = np.array(
        [identity.setdefault(f"{c[0]}:{c[1] or c[2]}", len(identity)) for c in controls]
    )
    codes_plants = np.array([identity.setdefault(f"{p[0]}:{p[1] or p[2]}", len(identity)) for p in plants])
    # Columns are filled one after another, as a multichannel pipette does; empty wells are left at the end.
    order = np.arange(plate.wells).reshape(plate.rows, plate.columns).T.ravel()[:used]
    layouts = np.stack([layout.source for layout in all_layouts(plate)])

    def codes(places: Ints) -> Ints:
        grid = np.zeros(plate.wells, dtype=np.int64)
        taken = np.zeros(used, dtype=bool)
        taken[places] = True
        grid[order[places]] = codes_controls
        grid[order[~taken]] = codes_plants
        return grid

    concerned = [touches(codes(np.arange(len(controls))) > 0, row) for row in layouts]
    layouts = layouts[concerned]
    starts = [_spread(len(controls), used, share, rng) for share in (0.0, 0.6180339887, 0.7548776662)]
    best, places = max(((_worth(seen_by(codes(p), layouts)), i, p) for i, p in enumerate(starts)))[::2]
    for _ in range(max(60, min(4000, _WORK // layouts.size))):
        if best[0] == 0 and best[1] >= PLENTY:
            break
        trial = places.copy()
        i = int(rng.integers(len(places)))
        target = int(rng.integers(used))
        clash = np.flatnonzero(trial == target)
        if len(clash):
            trial[clash[0]] = trial[i]
        trial[i] = target
        worth = _worth(seen_by(codes(trial), layouts))
        if worth >= best:
            places, best = trial, worth
    grid = codes(places)
    content: dict[int, tuple[str, str, str, str]] = {}
    taken = set(places.tolist())
    content.update({int(order[p]): c for p, c in zip(places, controls, strict=True)})
    rest = [int(order[p]) for p in range(used) if p not in taken]
    content.update(dict(zip(rest, plants, strict=True)))
    wells = tuple(
        PlannedWell(name, *divmod(position, plate.columns), *content[position])
        for position in sorted(content)
    )
    return PlannedPlate(name, plate, wells, check_layouts(grid, plate))


def _spread(n: int, used: int, share: float, rng: np.random.Generator) -> Ints:
    """n different places among `used`: evenly spaced (share 0) or by steps of an irrational share, in any
    order."""
    if not share:
        places = np.round(np.linspace(0, used - 1, n)).astype(np.int64)
        return places[rng.permutation(n)]
    free = np.ones(used, dtype=bool)
    places = np.empty(n, dtype=np.int64)
    for i in range(n):
        wanted = int((0.5 + i * share) % 1 * used)
        left = np.flatnonzero(free)
        places[i] = left[np.abs(left - wanted).argmin()]
        free[places[i]] = False
    return places[rng.permutation(n)]


def touches(filled: Bools, source: Ints) -> bool:
    """The layout moves the contents of at least one well; turning an empty strip round changes nothing."""
    moved = source != np.arange(len(source))
    return bool(np.any(moved & (filled | (source >= 0) & filled[source])))


def _worth(seen: Ints) -> tuple[int, int, int]:
    return (-int((seen < ENOUGH).sum()), int(seen.min()), int(np.minimum(seen, 12).sum()))


def seen_by(codes: Ints, sources: Ints) -> Ints:
    """Wells that see each layout, (layout,).

    codes (position,): identity meant for each position, 0 for an empty well; sources (layout, position). A
    position that holds nothing of the sheet (-1) counts where something was meant to be there. Wells meant
    to be empty are not read and see nothing.
    """
    there = np.where(sources >= 0, codes[sources], 0)
    return np.asarray(((there != codes) & (codes > 0)).sum(axis=1))


def check_layouts(codes: Ints, plate: PlateFormat) -> tuple[LayoutCheck, ...]:
    """How every layout that moves anything would show; codes (position,): 0 empty, 1 blank, above that a
    family or line."""
    out = []
    for layout in all_layouts(plate):
        if not touches(codes > 0, layout.source):
            continue
        there = np.where(layout.source >= 0, codes[layout.source], 0)
        changed = (there != codes) & (codes > 0)
        blanks = changed & ((codes == 1) != (there == 1))
        out.append(LayoutCheck(layout.words, int(changed.sum()), int(blanks.sum())))
    return tuple(out)
