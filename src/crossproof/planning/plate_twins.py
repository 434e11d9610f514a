"""What is to be said of planned plates together: how full they are, and which could be exchanged unseen.

Two plates of the same parents in the same wells look alike to every genotype. Were their labels exchanged,
plants would carry each other's names and nothing in the calls would tell: the names have to be made sure of
at the bench.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from crossproof.model.arrays import Ints
from crossproof.planning.inputs import PlannedCross
from crossproof.planning.plate_plan import ENOUGH, PlannedPlate
from crossproof.text import count_of, percent

_POORLY_FILLED = 0.9
_NAMED = 5


@dataclass(frozen=True)
class AlikePlates:
    """Two plates that so few wells tell apart that an exchange of the two may go unseen."""

    first: str
    second: str
    wells: int


def alike_plates(plates: Sequence[PlannedPlate], crosses: Sequence[PlannedCross]) -> tuple[AlikePlates, ...]:
    """Pairs of plates that fewer than ENOUGH wells tell apart.

    A plant counts as its two parents, whichever is the mother: crosses of the same two lines look alike.
    """
    parents = {c.cross_id: "/".join(sorted((c.mother, c.father))) for c in crosses}
    known: dict[str, int] = {}
    grids = [_grid(plate, parents, known) for plate in plates]
    out = []
    for (a, first), (b, second) in combinations(zip(plates, grids, strict=True), 2):
        if len(first) != len(second):
            continue
        wells = int((first != second).sum())
        if wells < ENOUGH:
            out.append(AlikePlates(a.name, b.name, wells))
    return tuple(out)


def _grid(plate: PlannedPlate, parents: Mapping[str, str], known: dict[str, int]) -> Ints:
    """What genotypes can tell of every position, (position,); 0 for an empty well."""
    grid = np.zeros(plate.plate.wells, dtype=np.int64)
    for well in plate.wells:
        kind = f"{well.role}:{well.line or parents.get(well.cross_id, well.cross_id)}"
        grid[well.row * plate.plate.columns + well.column] = known.setdefault(kind, len(known) + 1)
    return grid


def alike_notes(plates: Sequence[PlannedPlate], crosses: Sequence[PlannedCross]) -> list[str]:
    """A remark where two plates could be exchanged unseen."""
    pairs = alike_plates(plates, crosses)
    if not pairs:
        return []
    named = "; ".join(f"{p.first} and {p.second}" for p in pairs[:_NAMED])
    more = f"; and {count_of(len(pairs) - _NAMED, 'more pair')}" if len(pairs) > _NAMED else ""
    return [
        f"These plates are laid out alike, so that no genotype would show that they were exchanged: {named}"
        f"{more}. Put a blank in a different well of each, or check the labels by hand."
    ]


def fill_notes(plates: Sequence[PlannedPlate], when_split: int) -> list[str]:
    """A remark where splitting families would save plates; when_split: plates needed then."""
    wells = sum(plate.plate.wells for plate in plates)
    fill = sum(len(plate.wells) for plate in plates) / wells
    if fill >= _POORLY_FILLED or when_split >= len(plates):
        return []
    return [
        f"The {len(plates)} plates are filled to {percent(fill)}, as a family stays on one plate where it "
        "fits. "
        f"With split_families: true in config.yaml, {count_of(when_split, 'plate')} would do."
    ]
