"""What is to be said of planned plates together: how full they are, and which could be exchanged unseen.

Two plates of the same parents in the same wells look alike to every genotype. Were their labels exchanged,
plants would carry each other's names and nothing in the calls would tell: the names have to be made sure of
at the bench.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Ints
from crossproof.model.plate_likeness import alike, nearly_alike
from crossproof.model.plates import Well
from crossproof.planning.inputs import PlannedCross
from crossproof.planning.plate_plan import ENOUGH, PlannedPlate
from crossproof.text import count_of, percent

_POORLY_FILLED = 0.9
_NAMED = 5


@dataclass(frozen=True)
class AlikePlates:
    """Plates that so few wells tell apart that an exchange may go unseen; `wells` are those that would tell.

    Without wells: any number of plates that read the same; else two.
    """

    plates: tuple[str, ...]
    wells: tuple[str, ...] = ()


def alike_plates(
    plates: Sequence[PlannedPlate], crosses: Sequence[PlannedCross], one_line: Iterable[tuple[str, str]] = ()
) -> tuple[AlikePlates, ...]:
    """Plates that read the same, and pairs that fewer than ENOUGH wells tell apart.

    A plant counts as its two parents, whichever is the mother: crosses of the same two lines look alike.
    one_line: pairs of lines that no marker on the panel tells apart.
    """
    line = _first_names(one_line)
    parents = {
        c.cross_id: "/".join(sorted((line.get(c.mother, c.mother), line.get(c.father, c.father))))
        for c in crosses
    }
    known: dict[str, int] = {}
    same_format: dict[int, list[PlannedPlate]] = {}
    for plate in plates:
        same_format.setdefault(plate.plate.wells, []).append(plate)
    out = []
    for members in same_format.values():
        grids = np.array([_grid(plate, parents, line, known) for plate in members])
        groups = alike(grids)
        out += [AlikePlates(tuple(members[i].name for i in g)) for g in groups if len(g) > 1]
        for pair in nearly_alike(grids, (g[0] for g in groups), ENOUGH):
            columns = members[0].plate.columns
            wells = tuple(Well(*divmod(position, columns)).name for position in pair.positions)
            out.append(AlikePlates((members[pair.first].name, members[pair.second].name), wells))
    return tuple(out)


def _first_names(one_line: Iterable[tuple[str, str]]) -> dict[str, str]:
    """For every line that another cannot be told from, the one name they share."""
    shared: dict[str, str] = {}
    for first, second in one_line:
        low, high = sorted((shared.setdefault(first, first), shared.setdefault(second, second)))
        shared = {name: low if known == high else known for name, known in shared.items()}
    return shared


def _grid(
    plate: PlannedPlate, parents: Mapping[str, str], line: Mapping[str, str], known: dict[str, int]
) -> Ints:
    """What genotypes can tell of every position, (position,); 0 for a blank and for an empty well."""
    grid = np.zeros(plate.plate.wells, dtype=np.int64)
    for well in plate.wells:
        if well.role != "blank":
            what = line.get(well.line, well.line) or parents.get(well.cross_id, well.cross_id)
            at = well.row * plate.plate.columns + well.column
            grid[at] = known.setdefault(f"{well.role}:{what}", len(known) + 1)
    return grid


def alike_notes(
    plates: Sequence[PlannedPlate], crosses: Sequence[PlannedCross], one_line: Iterable[tuple[str, str]] = ()
) -> list[str]:
    """Remarks where plates could be exchanged unseen."""
    found = alike_plates(plates, crosses, one_line)
    same = [", ".join(p.plates[:-1]) + f" and {p.plates[-1]}" for p in found if not p.wells]
    near = [f"{p.plates[0]} and {p.plates[1]} (by {', '.join(p.wells)})" for p in found if p.wells]
    remedy = "Put a blank in a different well of each, or check the labels by hand."
    out = []
    if same:
        out.append(
            "These plates are laid out alike, so that no genotype would show that they were exchanged: "
            f"{_listed(same, 'group')}. {remedy}"
        )
    if near:
        out.append(f"These plates are told apart by a single well: {_listed(near, 'pair')}. {remedy}")
    return out


def _listed(names: list[str], what: str) -> str:
    more = f"; and {count_of(len(names) - _NAMED, f'more {what}')}" if len(names) > _NAMED else ""
    return "; ".join(names[:_NAMED]) + more


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
