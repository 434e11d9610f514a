"""Wells that failed together, on simulated plates (benchmarks/plate_simulator.py, which is not the model)."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.arrays import WellBlock
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.failed_wells import is_dead, without_dna
from crossproof.inference.run_wide.panel_fit import carries_dna
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Hold
from crossproof.model.layouts import whole_plate_layouts
from crossproof.model.sentinels import NO_CALL_CODE

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def season(seed: int):
    return sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(failed_wells=0, swapped_seed=0))


def silenced(plate, wells):
    block = plate.blocks[0]
    codes, likelihood = block.codes.copy(), block.likelihood.copy()
    codes[:, wells], likelihood[:, wells] = NO_CALL_CODE, 1 / 3
    return replace(plate, blocks=(WellBlock(2, likelihood, codes),))


def found(nursery, plates):
    return examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))


def test_a_dead_plate_with_the_only_tubes_of_two_lines_holds_their_crosses_elsewhere():
    nursery = season(60)
    sheet, n = sim.make_sheet(nursery), len(nursery.lines)
    plates = [sim.make_plate(nursery, sheet, "P1"), sim.make_parent_plate(nursery, 2)]
    dead, lines = np.arange(len(plates[1].identity)), sorted([int(nursery.mother[0]), int(nursery.father[0])])
    elsewhere = silenced(plates[0], np.flatnonzero(np.isin(sheet.identity, lines)))
    [f] = [
        f for f in found(nursery, [elsewhere, silenced(plates[1], dead)]) if f.kind is FindingKind.DEAD_PLATE
    ]
    lost = np.flatnonzero(np.isin(nursery.mother, lines) | np.isin(nursery.father, lines))
    assert set(f.sibs) == {plates[0].samples[w] for w in np.flatnonzero(np.isin(sheet.identity, n + lost))}
    assert f.sibs
    assert f"All tubes of L{lines[0] + 1}, L{lines[1] + 1} are on it. Also held: " in f.evidence


def test_a_dead_plate_is_one_finding_that_holds_it():
    nursery = season(60)
    good = sim.make_plate(nursery, sim.make_sheet(nursery), "P1")
    sheet = sim.make_sheet(nursery, prefix="B")
    dead = silenced(sim.make_plate(nursery, sheet, "P2"), np.arange(5, len(sheet.identity)))
    findings = found(nursery, [good, dead])
    assert [(f.kind, f.subject, f.hold) for f in findings] == [(FindingKind.DEAD_PLATE, "P2", Hold.PLATE)]
    assert is_dead(dead, 0.9)
    assert not is_dead(good, 0.9)
    assert without_dna(dead, 0.9)[10:90].all()


@pytest.mark.parametrize("seed", [61, 62])
def test_a_half_filled_plate_turned_onto_its_empty_wells_is_named_by_its_blanks(seed):
    """The sheet lists the left half and two blanks in the last wells of the plate."""
    nursery = season(seed)
    sheet = sim.make_sheet(nursery, filled=0.5, by_columns=True, blanks=2)
    position = sheet.position.copy()
    position[np.flatnonzero(sheet.identity < 0)] = [94, 95]
    position[sheet.identity >= 0] = np.sort(sheet.position)[: (sheet.identity >= 0).sum()]
    position[sheet.identity >= 0] = sheet.position[: (sheet.identity >= 0).sum()]
    sheet = replace(sheet, position=position)
    rotated = whole_plate_layouts(sheet.format)[0]
    plate = sim.make_plate(nursery, sim.move(sheet, rotated.source))
    findings = found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
    first = next(f for f in findings if f.hold is Hold.PLATE)
    assert first.kind is FindingKind.ROTATED or rotated.words in first.same_as
    assert all(c.kind is not CorrectionKind.EXCLUDE_WELL for f in findings for c in f.corrections)


def test_an_edge_that_failed_is_one_finding():
    nursery = season(63)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    edge = np.isin(plate.rows, [0, 7]) | np.isin(plate.columns, [0, 11])
    findings = found(nursery, [silenced(plate, np.flatnonzero(edge & (plate.identity >= 0)))])
    [f] = [f for f in findings if f.kind is FindingKind.EDGE_FAILED]
    assert set(f.samples) == {plate.samples[w] for w in np.flatnonzero(edge & (plate.identity >= 0))}
    assert not [x for x in findings if x.kind is FindingKind.EMPTY_SAMPLES]


def test_dead_wells_say_nothing_of_markers():
    """One good plate, two dead ones: the good wells carry DNA, whatever the share of the others."""
    rate = np.concatenate([np.full(96, 0.96), np.full(192, 0.05), [0.5, 0.2]])
    assert carries_dna(rate).tolist() == [True] * 96 + [False] * 192 + [True, False]
    assert carries_dna(np.zeros(3)).all()
    assert carries_dna(np.zeros(0)).shape == (0,)
