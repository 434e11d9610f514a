"""Plants to sample again, dealt onto plates with their parents and a blank."""

from __future__ import annotations

from collections.abc import Callable

from crossproof.model.plates import PLATE_FORMATS, Well
from crossproof.report.content.plant_lists import PlantLists
from crossproof.report.content.sheets import SIGN, Cell, Grid, Sheet, SheetColumn
from crossproof.report.facts.plants import Pile

RETEST_COLUMNS = ("sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant", "place")


def retest_sheets(plants: PlantLists) -> tuple[Sheet, Grid]:
    """Retests on new 96-well plates with the parents of every cross and a blank, as a samples sheet."""
    order = [i for i in plants.by_cross() if plants.facts[i].pile is Pile.SAMPLE_AGAIN]
    rows: list[tuple[Cell, ...]] = []
    grids: list[tuple[str, tuple[tuple[str, ...], ...]]] = []
    for k, wells in enumerate(
        _dealt(order, lambda i: (plants.text["mother"][i], plants.text["father"][i])), start=1
    ):
        plate = f"RETEST-{k:02d}"
        shown: dict[str, str] = {}
        for place, (role, what) in wells:
            name = place.name
            sample = f"{plate}-{name}"
            if isinstance(what, int):
                t = plants.text
                rows.append(
                    (
                        sample,
                        "",
                        plate,
                        name,
                        role,
                        "",
                        t["cross_id"][what],
                        t["pod"][what],
                        t["plant"][what],
                        t["place"][what],
                    )
                )
                shown[name] = t["plant"][what]
            else:
                rows.append((sample, "", plate, name, role, what, "", "", "", ""))
                shown[name] = what or "blank"
        grids.append((plate, _grid(shown)))
    note = (
        "Save this sheet as samples/retest.csv once the plate is filled; plants keep their names, so both "
        "wells are judged together. Write the laboratory's sample names over ours where they differ, and "
        "the batch once it is known."
    )
    columns = tuple(
        SheetColumn(c, 18 if c in ("sample_id", "plant", "place") else 12) for c in RETEST_COLUMNS
    )
    sheet = Sheet(
        "Retest", "Plants to test again, laid out", note, (*columns, SIGN), tuple((*r, "") for r in rows)
    )
    return sheet, Grid(
        "Retest plates",
        "Retest plates to fill",
        "Parents (their line name) stand beside their plants.",
        tuple(grids),
    )


Occupant = tuple[str, int | str]


def _dealt(order: list[int], parents: Callable[[int], tuple[str, str]]) -> list[list[tuple[Well, Occupant]]]:
    """Plants with their parents onto 96-well plates, down the columns; the last well of each is a blank."""
    shape = PLATE_FORMATS[0]
    wells = [Well(r, c) for c in range(shape.columns) for r in range(shape.rows)]
    room = len(wells) - 1
    plates: list[list[Occupant]] = []
    present: set[str] = set()
    for i in order:
        new = [p for p in parents(i) if p and p not in present]
        if not plates or len(plates[-1]) + len(new) + 1 > room:
            plates.append([])
            present = set()
            new = list(dict.fromkeys(p for p in parents(i) if p))
        plates[-1] += [("parent", p) for p in dict.fromkeys(new)]
        present.update(new)
        plates[-1].append(("progeny", i))
    return [[*zip(wells, plate, strict=False), (wells[-1], ("blank", ""))] for plate in plates]


def _grid(shown: dict[str, str]) -> tuple[tuple[str, ...], ...]:
    shape = PLATE_FORMATS[0]
    head = ("", *(str(c + 1) for c in range(shape.columns)))
    body = tuple(
        (chr(65 + r), *(shown.get(Well(r, c).name, "") for c in range(shape.columns)))
        for r in range(shape.rows)
    )
    return (head, *body)
