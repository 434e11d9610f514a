"""Pages of a sampling round: what to sow, plate maps, the walk for leaf punching, and tray labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from crossproof.errors import UsageError
from crossproof.field.codes import code_of_plant
from crossproof.field.qr import CODE_MM, least_width, qr_svg
from crossproof.field.sampling import SampledPlant, SampledWell, SamplingPlan, walking_order
from crossproof.field.sheets import Sheet, pages_of, render
from crossproof.model.plates import Role, row_letters
from crossproof.model.tag_numbers import is_season
from crossproof.planning.plate_plan import PlannedPlate

ROWS_PER_TABLE = 24
"""Rows of a list that fit one landscape page."""

LIST_COLUMNS = 2
"""Tables of the walk that stand side by side."""

SMALLEST_CELL_MM = 10.0
"""A well drawn narrower than this holds no name; of such a plate the walk alone is printed."""

GRID_MM = (270.0, 140.0)

Parents = Mapping[str, tuple[str, str]]
"""Mother and father by cross_id."""


@dataclass(frozen=True)
class Cell:
    """One well on the map. `kind`: plant, parent, blank or empty, for the style sheet."""

    kind: str
    big: str = ""
    small: str = ""
    twice: bool = False


@dataclass(frozen=True)
class Stop:
    """One stop of the walk: where, which plant, and the wells that its leaf goes into."""

    place: str
    plant: str
    cross: str
    parents: str
    pod: str
    wells: str
    again: bool


@dataclass(frozen=True)
class Sowing:
    """Seeds of one pod to sow: how many, into which pots, and how many the cross keeps in store."""

    cross: str
    parents: str
    pod: str
    seeds: int
    places: str
    rest: int


@dataclass(frozen=True)
class MapPage:
    """One plate: name, columns and rows as written at its edges, cells row by row, check wells in words."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]
    drawn: bool
    least: int
    controls: str
    walk: tuple[tuple[tuple[Stop, ...], ...], ...]


@dataclass(frozen=True)
class TrayLabel:
    """What the label of one pot says."""

    code: Markup
    plant: str
    mother: str
    father: str
    pod: str
    place: str


def map_page(plan: SamplingPlan, parents: Parents, *, title: str, notes: Sequence[str]) -> str:
    """Sowing list, a map and the walk of every plate, on A4 landscape, as HTML text."""
    sowings = sowing_list(plan, parents)
    return render(
        "sampling.html.j2",
        ("sampling.css",),
        title=f"Sampling: {title}".rstrip(": "),
        season=title,
        sowings=pages_of(sowings, ROWS_PER_TABLE),
        seeds=sum(s.seeds for s in sowings),
        plates=[plate_page(plate, plan, parents) for plate in plan.plates],
        notes=tuple(notes),
    )


def sowing_list(plan: SamplingPlan, parents: Parents) -> tuple[Sowing, ...]:
    """Seeds to take from store, pod by pod, in the order of their pots."""
    rest = {c.cross.cross_id: c.rest for c in plan.choices}
    groups: dict[tuple[str, str], list[SampledPlant]] = {}
    for plant in plan.plants:
        if plant.new:
            groups.setdefault((plant.cross_id, plant.pod), []).append(plant)
    return tuple(
        Sowing(
            cross,
            " × ".join(parents[cross]),
            pod,
            len(plants),
            "; ".join(_runs([p.place for p in plants])),
            rest[cross],
        )
        for (cross, pod), plants in groups.items()
    )


def _runs(places: Sequence[str]) -> list[str]:
    """Places that follow one another by pot, written as from and to."""
    out: list[list[str]] = []
    for place in places:
        start, _, pot = place.rpartition(" ")
        if out and out[-1][0] == start and int(out[-1][2]) + 1 == int(pot):
            out[-1][2] = pot
        else:
            out.append([start, pot, pot])
    return [
        f"{start} {first}" if first == last else f"{start}s {first} to {last}" for start, first, last in out
    ]


def plate_page(plate: PlannedPlate, plan: SamplingPlan, parents: Parents) -> MapPage:
    """The map of one plate and the walk that fills it."""
    wells = [w for w in plan.wells if w.well.plate == plate.name]
    at = {(w.well.row, w.well.column): w for w in wells}
    shape = plate.plate
    wells_of: dict[str, list[SampledWell]] = {}
    for w in wells:
        if w.plant is not None:
            wells_of.setdefault(w.plant.name, []).append(w)
    rows = tuple(
        (row_letters(r), tuple(_cell(at.get((r, c)), wells_of) for c in range(shape.columns)))
        for r in range(shape.rows)
    )
    plants = sorted({w.plant for w in wells if w.plant is not None}, key=walking_order)
    stops = [_stop(p, wells_of[p.name], parents) for p in plants]
    tables = pages_of(stops, ROWS_PER_TABLE)
    return MapPage(
        plate.name,
        tuple(str(c + 1) for c in range(shape.columns)),
        rows,
        GRID_MM[0] / shape.columns >= SMALLEST_CELL_MM,
        plate.least,
        _controls(wells),
        pages_of(tables, LIST_COLUMNS),
    )


def _cell(well: SampledWell | None, wells_of: Mapping[str, Sequence[SampledWell]]) -> Cell:
    if well is None:
        return Cell("empty")
    if well.plant is None:
        return (
            Cell(Role.PARENT, well.well.line) if well.well.role == Role.PARENT else Cell(Role.BLANK, "blank")
        )
    place = well.plant.place
    short = place.rpartition("pot ")[2] if "pot " in place else place
    return Cell("plant", short, well.plant.name, len(wells_of[well.plant.name]) > 1)


def _stop(plant: SampledPlant, wells: Sequence[SampledWell], parents: Parents) -> Stop:
    return Stop(
        plant.place,
        plant.name,
        plant.cross_id,
        " × ".join(parents.get(plant.cross_id, ("", ""))),
        plant.pod,
        " + ".join(w.well.well for w in wells),
        not plant.new,
    )


def _controls(wells: Sequence[SampledWell]) -> str:
    """Parents and blanks with their wells, in words."""
    named: dict[str, list[str]] = {}
    for w in wells:
        if w.plant is None:
            named.setdefault(w.well.line or "blank", []).append(w.well.well)
    return "; ".join(f"{name}: {', '.join(at)}" for name, at in sorted(named.items()))


def tray_labels(plan: SamplingPlan, parents: Parents, season: str, sheet: Sheet) -> tuple[TrayLabel, ...]:
    """One label for each new plant, in walking order. Raises UsageError where a code does not fit."""
    labels = []
    for plant in plan.plants:
        if not plant.new:
            continue
        mother, father = parents[plant.cross_id]
        labels.append(
            TrayLabel(
                plant_code(season, plant.cross_id, plant.name, sheet),
                plant.name,
                mother,
                father,
                plant.pod,
                plant.place,
            )
        )
    return tuple(labels)


def plant_code(season: str, cross: str, plant: str, sheet: Sheet) -> Markup:
    """The code of a plant as SVG, of the usual width or of what it needs.

    Raises UsageError where the season cannot be in a code, or the code does not fit a label of the sheet.
    """
    if not is_season(season):
        raise UsageError.at(
            "config.yaml",
            "The season's name cannot be in a code.",
            "Write it with four to six digits, such as season: 2031.",
            column="season",
            value=season,
        )
    code = code_of_plant(season, cross, plant)
    width = max(CODE_MM, least_width(code.text))
    most = min(sheet.label.height - 2, sheet.label.width / 2)
    if width > most:
        width = least_width(code.text)
    if width > most:
        raise UsageError.at(
            "--size",
            f"The code of {plant} needs {width:.0f} mm, more than the label has room for.",
            f"Choose a label at least {2 * width:.0f} mm wide and {width + 2:.0f} mm high.",
            value=str(sheet.label),
        )
    return qr_svg(code, width)


def tray_labels_page(plan: SamplingPlan, parents: Parents, season: str, sheet: Sheet, *, title: str) -> str:
    """The labels of the new plants' pots as HTML text."""
    labels = tray_labels(plan, parents, season, sheet)
    return render(
        "tray_labels.html.j2",
        ("plant_label.css",),
        more_style=sheet.style(),
        title=f"Tray labels: {title}".rstrip(": "),
        season=season,
        pages=pages_of(labels, sheet.per_page),
        count=len(labels),
    )
