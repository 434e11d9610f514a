"""From seeds and plants to wells: which plant goes where, in tray and plate, so that both are walked alike.

New plants get their pots in the order of their wells: who walks the trays pot by pot fills the plate column
by column. Where parents, blanks and plants stand on a plate is `planning.plate_plan`'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from crossproof.field.seed_choice import Choice
from crossproof.planning.inputs import PlannedCross, PlanSettings
from crossproof.planning.plate_plan import PlannedPlate, PlannedWell, plan_plates
from crossproof.report.content.sheets import natural


@dataclass(frozen=True)
class SampledPlant:
    """One plant to take leaf of; `place` "" until it has one, `new` where its seed is to be sown."""

    name: str
    cross_id: str
    pod: str
    place: str = ""
    new: bool = True


@dataclass(frozen=True)
class SampledWell:
    """One well and what goes into it; `plant` None for a parent (then `line`) or a blank."""

    well: PlannedWell
    plant: SampledPlant | None

    @property
    def sample_id(self) -> str:
        """Name of the sample, from plate and well."""
        return f"{self.well.plate}_{self.well.well}"

    def row(self) -> dict[str, str]:
        """The well as a row of a samples sheet."""
        plant = self.plant
        return {
            "sample_id": self.sample_id,
            "batch": "",
            "plate": self.well.plate,
            "well": self.well.well,
            "role": self.well.role,
            "line": self.well.line,
            "cross_id": plant.cross_id if plant else "",
            "pod": plant.pod if plant else "",
            "plant": plant.name if plant else "",
            "place": plant.place if plant else "",
        }


@dataclass(frozen=True)
class Trays:
    """Where new plants are sown: `pots` to a tray, trays numbered from `first`, in a `house` if named."""

    pots: int = 50
    first: int = 1
    house: str = ""

    def place(self, number: int) -> str:
        """The place of new plant `number`, counted from 0."""
        tray, pot = divmod(number, self.pots)
        house = f"{self.house}, " if self.house else ""
        return f"{house}tray {self.first + tray}, pot {pot + 1}"


@dataclass(frozen=True)
class SamplingPlan:
    """A round of sampling. `wells` plate by plate, column by column as a pipette fills them."""

    choices: tuple[Choice, ...]
    plates: tuple[PlannedPlate, ...]
    wells: tuple[SampledWell, ...]

    @property
    def plants(self) -> tuple[SampledPlant, ...]:
        """Every plant once, in walking order: new ones by tray and pot, those there by their place."""
        once = {w.plant.name: w.plant for w in self.wells if w.plant is not None}
        return tuple(sorted(once.values(), key=walking_order))

    @property
    def split(self) -> tuple[str, ...]:
        """Crosses whose plants stand on several plates."""
        plates: dict[str, set[str]] = {}
        for w in self.wells:
            if w.plant is not None:
                plates.setdefault(w.plant.cross_id, set()).add(w.well.plate)
        return tuple(c for c, on in plates.items() if len(on) > 1)


def walking_order(plant: SampledPlant) -> tuple[object, ...]:
    """Places as people count (tray 2 before tray 10); plants without a place come last."""
    return (plant.place == "", natural(plant.place), natural(plant.name))


def plan_sampling(
    choices: Sequence[Choice],
    again: Mapping[str, Sequence[SampledPlant]],
    lines: Sequence[str],
    settings: PlanSettings,
    trays: Trays,
    *,
    prefix: str,
    first_plate: int = 1,
) -> SamplingPlan:
    """Lay out the wells of a round.

    again: by cross_id, plants that are there and are sampled a second time. lines: to type beside the
    parents. Families stay on one plate unless they are larger than one. Raises ValueError where two parents,
    the blanks and one plant do not fit a plate.
    """
    members: list[list[SampledPlant]] = []
    crosses: list[PlannedCross] = []
    for choice in choices:
        cross = choice.cross
        new = [SampledPlant(f"{cross.cross_id}-{s.number}", cross.cross_id, s.pod) for s in choice.seeds]
        plants = [*again.get(cross.cross_id, ()), *new]
        if plants:
            members.append(plants)
            crosses.append(PlannedCross(cross.cross_id, cross.mother, cross.father))
    plates = plan_plates(
        crosses, [len(m) for m in members], settings, prefix=prefix, first=first_plate, more_lines=lines
    )
    # The planner calls plant i of a cross CROSS-i.
    named = {
        f"{cross.cross_id}-{i}": plant
        for cross, plants in zip(crosses, members, strict=True)
        for i, plant in enumerate(plants, start=1)
    }
    in_order = [
        (well, named.get(well.plant)) for plate in plates for well in sorted(plate.wells, key=pipetting_order)
    ]
    # Without randomising, plants stand on a plate in the order given; only a replicate stands elsewhere.
    given = {p.name: i for i, p in enumerate(p for plants in members for p in plants)}
    met = dict.fromkeys((w.plate, p.name) for w, p in in_order if p is not None and p.new)
    if not settings.randomise:
        met = dict.fromkeys(sorted(met, key=lambda m: (m[0], given[m[1]])))
    fresh = dict.fromkeys(name for _, name in met)
    place = {name: trays.place(i) for i, name in enumerate(fresh)}
    wells = tuple(
        SampledWell(well, replace(plant, place=place.get(plant.name, plant.place)) if plant else None)
        for well, plant in in_order
    )
    return SamplingPlan(tuple(choices), plates, wells)


def pipetting_order(well: PlannedWell) -> tuple[int, int]:
    """Down the first column, then the next."""
    return well.column, well.row
