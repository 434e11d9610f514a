"""Plates that could be exchanged unseen; seasons of benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.same_sheets import same_sheets

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def nursery_of(seed):
    return sim.make_nursery(
        np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    )


def plates_of(nursery, *changes):
    """Plates of one sheet; each change is a set of wells that hold a blank in place of a plant."""
    sheet, out = sim.make_sheet(nursery), []
    for i, blanks in enumerate(changes, start=1):
        plate = sim.make_plate(
            nursery, replace(sheet, plants=[f"{i}{p}" if p else "" for p in sheet.plants]), f"P{i}"
        )
        identity = plate.identity.copy()
        identity[list(blanks)] = EMPTY
        out.append(replace(plate, identity=identity))
    return out


def plant_wells(nursery, plate):
    return np.flatnonzero(plate.identity >= len(nursery.lines))


def test_plates_with_one_sheet_are_said_by_the_plate_checks():
    nursery = nursery_of(91)
    other = sim.make_plate(nursery, sim.make_sheet(nursery, prefix="X"), "P3")
    season = sim.season_tables(nursery)
    plates = [*plates_of(nursery, (), ()), other]
    found = examine_plates(plates, season, CheckSettings(remarks=True))
    said = [f for f in found if "have the same crosses" in f.evidence]
    assert [(f.kind, f.subject, f.other, f.note) for f in said] == [
        (FindingKind.CANNOT_SEE, "P1", "P2", True)
    ]


def test_the_wells_that_would_tell_are_named():
    nursery = nursery_of(92)
    season, (plain,) = sim.season_tables(nursery), plates_of(nursery, ())
    wells = plant_wells(nursery, plain)
    a, b, c, d = wells[np.argsort(plain.position[wells])][[0, 7, 20, 30]]
    names = [plain.well_name(w) for w in (a, b, c)]
    [one] = same_sheets(plates_of(nursery, (), (a,)), season)
    assert f"nearly the same: {names[0]} alone differs." in one.evidence
    assert (one.plate, one.other, one.note) == ("P1", "P2", True)
    [three] = same_sheets(plates_of(nursery, (), (a, b, c)), season)
    assert f"{', '.join(names)} alone differ" in three.evidence
    assert "only those wells could show it." in three.evidence
    assert same_sheets(plates_of(nursery, (), (a, b, c, d)), season) == []
    said = same_sheets(plates_of(nursery, (), (a,), (), (a,)), season)
    assert [f.evidence.split(" have ")[0] for f in said[:2]] == [
        "The sheets of plates P1, P3",
        "The sheets of plates P2, P4",
    ]
    assert "2 more plates read like one of the two." in said[2].evidence


def test_a_blank_that_one_sheet_does_not_list_shows_nothing():
    nursery = nursery_of(93)
    season, (plain,) = sim.season_tables(nursery), plates_of(nursery, ())
    well = int(plant_wells(nursery, plain)[3])
    first, second = plates_of(nursery, (well,), (well,))
    kept = np.arange(len(second)) != well
    fewer = replace(
        second, rows=second.rows[kept], columns=second.columns[kept], identity=second.identity[kept],
        samples=tuple(np.array(second.samples)[kept]), plants=tuple(np.array(second.plants)[kept]), pods=(),
        blocks=tuple(replace(b, likelihood=b.likelihood[:, kept], codes=b.codes[:, kept], depths=None)
                     for b in second.blocks),
    )  # fmt: skip
    assert len(same_sheets([first, fewer], season)) == 1


def test_crosses_whose_fathers_look_alike_count_as_one():
    nursery = nursery_of(94)
    season, plates = sim.season_tables(nursery), plates_of(nursery, (), ())
    cross = int(np.bincount(plates[0].identity + 1).argmax()) - 1 - season.n_lines
    assert cross >= 0
    # Another cross of the same mother; its father is a line that the markers do not tell from the first one.
    taken = (season.mother[cross], season.father[cross])
    sister = next(i for i in range(season.n_lines) if i not in taken)
    more = replace(
        season, crosses=(*season.crosses, "Z"),
        mother=np.append(season.mother, taken[0]), father=np.append(season.father, sister),
    )  # fmt: skip
    identity = plates[1].identity.copy()
    identity[identity == season.n_lines + cross] = more.n_lines + len(season.crosses)
    plates[1] = replace(plates[1], identity=identity)
    assert same_sheets(plates, more) == []
    [said] = same_sheets(plates, more, [(season.lines[taken[1]], season.lines[sister])])
    assert "have crosses whose parents the calls cannot tell apart in the same wells" in said.evidence


def test_many_pairs_are_counted():
    nursery = nursery_of(95)
    season, (plain,) = sim.season_tables(nursery), plates_of(nursery, ())
    wells = plant_wells(nursery, plain)[:8]
    said = same_sheets(plates_of(nursery, *[(w,) for w in wells]), season)
    assert len(said) == 21  # of 28 pairs
    assert said[-1].evidence == "8 more pairs of plates are told apart by fewer than 4 wells."
