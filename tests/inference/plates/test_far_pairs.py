"""Two plants of two plates that changed places; plates of benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import far_pairs as module
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.model.findings import Hold

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def two_plates(seed):
    """Sheets of two half-filled plates of five crosses each, hybrids alone."""
    rates = sim.Rates(classes=(1.0, 0.0, 0.0, 0.0), swapped_seed=0, failed_wells=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates)
    crosses = list(range(len(nursery.mother)))
    return nursery, [sim.make_sheet(nursery, filled=0.6, crosses=c) for c in (crosses[:5], crosses[5:])]


def examined(nursery, sheets):
    plates = [sim.make_plate(nursery, s, f"P{i + 1}") for i, s in enumerate(sheets)]
    everything = [*plates, sim.make_parent_plate(nursery, 2)]
    return plates, examine_plates(everything, sim.season_tables(nursery), CheckSettings(remarks=False))


def unrelated_wells(nursery, sheets):
    """A well of each plate, of two crosses without a parent in common."""
    n = len(nursery.lines)
    parents = [{int(nursery.mother[c]), int(nursery.father[c])} for c in range(len(nursery.mother))]
    for a in range(5):
        for b in range(5, 10):
            if not parents[a] & parents[b]:
                return [
                    int(np.flatnonzero(s.identity == n + c)[1]) for s, c in zip(sheets, (a, b), strict=True)
                ]
    raise AssertionError("all crosses have parents in common")


@pytest.mark.parametrize("seed", [41, 42, 43, 44])
def test_two_plants_of_two_plates_that_changed_places_are_typed_again(seed):
    nursery, sheets = two_plates(seed)
    wells = unrelated_wells(nursery, sheets)
    moved = [s.genotype.copy() for s in sheets]
    for i in (0, 1):
        moved[i][wells[i]] = sheets[1 - i].genotype[wells[1 - i]]
    plates, found = examined(nursery, [replace(s, genotype=g) for s, g in zip(sheets, moved, strict=True)])
    samples = tuple(p.samples[w] for p, w in zip(plates, wells, strict=True))
    [f] = [f for f in found if f.kind is FindingKind.WELLS_SWAPPED]
    assert (f.hold, f.samples, f.corrections) == (Hold.SAMPLES, samples, ())
    assert f.wells == tuple(p.place(w) for p, w in zip(plates, wells, strict=True))
    assert not [g for g in found if g is not f and g.critical and set(samples) & set(g.samples)]


@pytest.mark.parametrize("seed", [41, 42, 43, 44])
def test_one_plant_on_another_plate_is_no_pair(seed):
    """A stray seed of a cross on the other plate, where nothing is odd."""
    nursery, sheets = two_plates(seed)
    wells = unrelated_wells(nursery, sheets)
    genotype = sheets[0].genotype.copy()
    genotype[wells[0]] = sheets[1].genotype[wells[1]]
    _, found = examined(nursery, [replace(sheets[0], genotype=genotype), sheets[1]])
    assert not [f for f in found if f.kind is FindingKind.WELLS_SWAPPED]


def test_pairs_are_not_looked_for_among_very_many_odd_plants(monkeypatch):
    nursery, sheets = two_plates(41)
    wells = unrelated_wells(nursery, sheets)
    moved = [s.genotype.copy() for s in sheets]
    for i in (0, 1):
        moved[i][wells[i]] = sheets[1 - i].genotype[wells[1 - i]]
    monkeypatch.setattr(module, "MOST_ODD", 1)
    _, found = examined(nursery, [replace(s, genotype=g) for s, g in zip(sheets, moved, strict=True)])
    assert not [f for f in found if f.kind is FindingKind.WELLS_SWAPPED]
