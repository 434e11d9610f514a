"""Plates that could be exchanged unseen, and how full plates are."""

from dataclasses import replace

from crossproof.model.plates import PLATE_FORMATS
from crossproof.planning.inputs import PlannedCross, PlanSettings
from crossproof.planning.plate_plan import PlannedPlate, PlannedWell, plan_plates
from crossproof.planning.plate_twins import AlikePlates, alike_notes, alike_plates, fill_notes

CROSSES = [PlannedCross("A", "L1", "L2"), PlannedCross("B", "L2", "L1"), PlannedCross("C", "L1", "L3")]


def plate(name, *content):
    """A plate whose first row holds what is written: a cross_id, or blank."""
    wells = tuple(
        PlannedWell(name, 0, i, "blank")
        if c == "blank"
        else PlannedWell(name, 0, i, "progeny", "", c, f"{c}{i}")
        for i, c in enumerate(content)
    )
    return PlannedPlate(name, PLATE_FORMATS[0], wells, ())


def test_crosses_of_the_same_two_lines_look_alike():
    plates = [plate("p1", "A", "A", "blank"), plate("p2", "B", "A", "blank"), plate("p3", "C", "C", "blank")]
    assert alike_plates(plates, CROSSES) == (AlikePlates(("p1", "p2")),)
    (note,) = alike_notes(plates, CROSSES)
    assert "no genotype would show that they were exchanged: p1 and p2." in note


def test_lines_that_no_marker_tells_apart_count_as_one():
    plates = [plate("p1", "A", "A"), plate("p2", "C", "A"), plate("p3", "D", "D")]
    crosses = [*CROSSES, PlannedCross("D", "L4", "L5")]
    assert [p.wells for p in alike_plates(plates, crosses)] == [("A1",)]
    assert alike_plates(plates, crosses, [("L2", "L3")]) == (AlikePlates(("p1", "p2")),)
    chain = [("L2", "L3"), ("L3", "L5"), ("L1", "L4")]
    assert alike_plates(plates, crosses, chain) == (AlikePlates(("p1", "p2", "p3")),)


def test_one_well_is_not_enough_and_two_are():
    one = [plate("p1", "A", "A", "blank"), plate("p2", "A", "A", "blank", "A")]
    two = [plate("p1", "A", "A", "blank"), plate("p2", "A", "blank", "A")]
    assert alike_plates(one, CROSSES) == (AlikePlates(("p1", "p2"), ("A4",)),)
    (note,) = alike_notes(one, CROSSES)
    assert note.startswith("These plates are told apart by a single well: p1 and p2 (by A4).")
    assert alike_plates(two, CROSSES) == ()
    assert alike_notes(two, CROSSES) == []


def test_a_blank_and_an_empty_well_are_alike():
    plates = [plate("p1", "A", "A", "blank"), plate("p2", "A", "A")]
    assert alike_plates(plates, CROSSES) == (AlikePlates(("p1", "p2")),)


def test_a_family_over_two_plates_is_told_by_its_blanks():
    settings = PlanSettings()
    plates = plan_plates(CROSSES[:1], [160], settings)
    assert len(plates) == 2
    assert alike_plates(plates, CROSSES) == ()


def test_many_plates_are_named_together_and_many_pairs_counted():
    (note,) = alike_notes([plate(f"p{i}", "A", "A") for i in range(5)], CROSSES)
    assert "exchanged: p0, p1, p2, p3 and p4." in note
    crosses = [PlannedCross(f"X{i}", f"M{i}", f"F{i}") for i in range(7)]
    pairs = [plate(f"p{i}{half}", *[f"X{i}"] * 3, f"X{6 - half}") for i in range(6) for half in (0, 1)]
    (note,) = alike_notes(pairs, crosses)
    assert "p00 and p01 (by A4)" in note
    assert "p50 and p51" not in note
    assert "; and 1 more pair." in note


def test_the_plan_says_what_splitting_would_save():
    crosses = [PlannedCross(f"P{i}", f"M{i}", f"F{i}") for i in range(6)]
    plates = plan_plates(crosses, [50] * 6, PlanSettings())
    (note,) = fill_notes(plates, 4)
    assert "6 plates are filled to 60 %" in note
    assert "4 plates would do" in note
    split = plan_plates(crosses, [50] * 6, replace(PlanSettings(), split_families=True))
    assert len(split) == 4
    assert fill_notes(split, 4) == []
