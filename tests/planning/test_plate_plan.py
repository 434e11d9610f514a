"""Plates: everything in its place, and every wrong way round seen."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from crossproof.model.layouts import strip_layouts, whole_plate_layouts
from crossproof.model.plates import PLATE_FORMATS, parse_well
from crossproof.planning.inputs import PlannedCross, PlanSettings
from crossproof.planning.plate_plan import (
    ENOUGH,
    check_layouts,
    plan_plates,
    plate_format,
    plates_needed,
)

SETTINGS = PlanSettings()
CROSSES = [PlannedCross(f"P{i:02d}", f"L{i % 4}", f"L{4 + i % 5}") for i in range(10)]
PLANTS = [11, 9, 12, 11, 8, 12, 11, 10, 7, 11]


@pytest.fixture(scope="module")
def plates():
    return plan_plates(CROSSES, PLANTS, SETTINGS)


def test_every_plant_has_a_well_and_no_well_two(plates):
    plants = {w.plant for p in plates for w in p.wells if w.role == "progeny"}
    assert len(plants) == sum(PLANTS)
    for plate in plates:
        places = [(w.row, w.column) for w in plate.wells]
        assert len(set(places)) == len(places) <= 96
        assert all(parse_well(w.well) in plate.plate for w in plate.wells)


def test_parents_stand_on_the_plate_of_their_cross(plates):
    parents = {c.cross_id: {c.mother, c.father} for c in CROSSES}
    for plate in plates:
        lines = [w.line for w in plate.wells if w.role == "parent"]
        needed = set().union(*(parents[w.cross_id] for w in plate.wells if w.role == "progeny"))
        assert set(lines) == needed
        assert all(lines.count(line) == SETTINGS.parent_wells for line in needed)


def test_blanks_and_a_plant_twice_on_every_plate(plates):
    for plate in plates:
        assert sum(w.role == "blank" for w in plate.wells) == SETTINGS.blanks_per_plate
        names = [w.plant for w in plate.wells if w.plant]
        assert len(names) - len(set(names)) == SETTINGS.plant_replicates_per_plate


def test_rotation_mirror_shift_and_strips_are_seen(plates):
    # Counted here by moving the tubes one by one, without the planner's own arrays.
    for plate in plates:
        there = {w.row * 12 + w.column: w.identity for w in plate.wells}
        for layout in whole_plate_layouts(plate.plate) + strip_layouts(plate.plate):
            moved = any(
                source != position and (position in there or source in there)
                for position, source in enumerate(layout.source.tolist())
            )
            seen = sum(
                there.get(int(layout.source[position]), "empty") != identity
                for position, identity in there.items()
            )
            assert seen >= ENOUGH or not moved, f"{plate.name}: {layout.words} is seen by {seen} wells"


def test_the_checks_say_what_they_count(plates):
    for plate in plates:
        assert plate.unseen == ()
        known = {"empty": 0, "blank:": 1}
        codes = np.zeros(plate.plate.wells, dtype=np.int64)
        for well in plate.wells:
            codes[well.row * 12 + well.column] = known.setdefault(well.identity, len(known))
        assert plate.least == min(c.wells for c in check_layouts(codes, plate.plate))
        rotated = next(c for c in plate.checks if c.words == "rotated by 180 degrees")
        assert rotated.wells > 30
        assert rotated.blanks >= 1


def test_two_columns_of_one_family_cannot_be_told_apart():
    codes = np.full(96, 2)
    by_words = {c.words: c.wells for c in check_layouts(codes, PLATE_FORMATS[0])}
    assert by_words["columns 3 and 4 swapped"] == 0
    assert by_words["rotated by 180 degrees"] == 0
    codes[0] = 1  # one blank in A1
    by_words = {c.words: (c.wells, c.blanks) for c in check_layouts(codes, PLATE_FORMATS[0])}
    assert by_words["rotated by 180 degrees"] == (2, 2)
    assert by_words["columns 1 and 2 swapped"] == (2, 2)
    assert by_words["columns 3 and 4 swapped"] == (0, 0)


def test_the_search_earns_its_place():
    # One family of 80 in 11 columns: only 3 blanks and 4 parents tell anything, the plant twice does not. At
    # best 4 columns and 1 row hold none of them: 4 + 1 reversals and 6 swaps of two such columns stay unseen.
    plate = plan_plates(CROSSES[:1], [80], SETTINGS)[0]
    assert len(plate.unseen) == 11


def test_families_stay_together_in_harvest_order(plates):
    order = sorted((w.column, w.row, w.cross_id) for w in plates[0].wells if w.role == "progeny")
    names = [cross_id for _, _, cross_id in order]
    twice = {w.plant for w in plates[0].wells if sum(v.plant == w.plant for v in plates[0].wells) > 1}
    assert len(twice) >= 1
    changes = sum(a != b for a, b in pairwise(names))
    assert changes <= len(set(names)) - 1 + 4, "one change per family, and a plant twice adds at most a few"


def test_randomised_plates_depend_on_the_seed_only():
    mixed = replace(SETTINGS, randomise=True)
    again = [plan_plates(CROSSES, PLANTS, replace(mixed, seed=s)) for s in (1, 1, 2)]
    assert again[0] == again[1]
    assert again[0] != again[2]
    first = [w.cross_id for w in again[0][0].wells if w.role == "progeny"]
    assert sum(a != b for a, b in pairwise(first)) > 30


def test_a_family_larger_than_a_plate_takes_its_parents_along():
    plates = plan_plates(CROSSES[:1], [150], SETTINGS)
    assert len(plates) == 2
    assert all({w.line for w in p.wells if w.role == "parent"} == {"L0", "L4"} for p in plates)


def test_sizes_that_do_not_exist_or_do_not_fit():
    with pytest.raises(ValueError, match="none of the standard plates: 96, 384, 1536"):
        plate_format(100)
    with pytest.raises(ValueError, match="leave no well for a plant"):
        plan_plates(CROSSES, PLANTS, replace(SETTINGS, blanks_per_plate=95))


@pytest.mark.parametrize("split", [False, True])
def test_forty_families_of_fifty(split):
    crosses = [PlannedCross(f"P{i:02d}", f"M{i}", f"F{i}") for i in range(40)]
    plates = plan_plates(crosses[:10], [50] * 10, replace(SETTINGS, split_families=split))
    fill = sum(len(p.wells) for p in plates) / (96 * len(plates))
    # 96 wells less 3 blanks, a plant twice and two wells of each of four parents hold 84 plants.
    assert plates_needed(crosses, [50] * 40, replace(SETTINGS, split_families=split)) == (25 if split else 40)
    assert len(plates) == (7 if split else 10)
    assert fill > (0.85 if split else 0.55)
    plants = [w.plant for p in plates for w in p.wells if w.plant]
    assert len(set(plants)) == 500
    for plate in plates:
        ours = [w.cross_id for w in plate.wells if w.role == "progeny"]
        assert all(ours.count(c) >= 8 for c in set(ours))
        assert {w.line for w in plate.wells if w.role == "parent"} == {
            line for c in crosses if c.cross_id in ours for line in (c.mother, c.father)
        }
