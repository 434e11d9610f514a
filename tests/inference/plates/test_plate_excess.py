"""Plates part of which is not what the sheet says; simulated by benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.plate_excess import OddPlants, _pods, log10_excess
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Hold, held_samples
from crossproof.model.part_layouts import part_layout
from crossproof.model.plates import PLATE_FORMATS

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)


def season(seed: int, **options):
    return sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0), **options)


def found(nursery, plates):
    findings = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    return [f for f in findings if f.critical]


@pytest.mark.parametrize(("x", "n", "base"), [(0, 10, 0.02), (4, 80, 0.005), (9, 12, 0.03)])
def test_odds_of_an_excess_are_the_ratio_of_two_integrals(x, n, base):
    """By numerical integration (scipy.integrate.quad) of the binomial over shares above the base."""
    above, _ = quad(lambda p: binom.pmf(x, n, p), base, 1, epsabs=1e-14)
    expected = np.log10(above / (1 - base) / binom.pmf(x, n, base))
    assert log10_excess(x, n, base) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_scrambled_plants_hold_the_plate_without_a_proposal(share):
    nursery = season(70)
    sheet = sim.make_sheet(nursery)
    plants = np.flatnonzero(sheet.identity >= len(nursery.lines))
    chosen = nursery.rng.choice(plants, round(share * len(plants)), replace=False)
    genotype = sheet.genotype.copy()
    genotype[chosen] = sheet.genotype[nursery.rng.permutation(chosen)]
    plate = sim.make_plate(nursery, replace(sheet, genotype=genotype))
    [f] = found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
    assert (f.kind, f.subject, f.hold, f.corrections) == (FindingKind.UNEXPLAINED, "P1", Hold.PLATE, ())
    assert "in another order than the sheet lists them" in f.evidence
    assert len(set(f.samples) & {plate.samples[w] for w in chosen}) >= 0.9 * len(f.samples)


def test_a_seventh_of_the_plants_in_disorder_holds_the_plate_and_chance_does_not():
    """Plants change places across families on ten plates, and on ten others nothing does."""
    held = alarms = 0
    for seed in range(800, 810):
        nursery = season(seed)
        sheet = sim.make_sheet(nursery)
        plants = np.flatnonzero(sheet.identity >= len(nursery.lines))
        chosen = nursery.rng.choice(plants, round(0.15 * len(plants)), replace=False)
        genotype = sheet.genotype.copy()
        genotype[chosen] = sheet.genotype[np.roll(chosen, 3)]
        parents = sim.make_parent_plate(nursery, 2)
        for lying, count in ((True, 1), (False, 0)):
            plate = sim.make_plate(nursery, replace(sheet, genotype=genotype) if lying else sheet)
            plates_held = [f for f in found(nursery, [plate, parents]) if f.hold is Hold.PLATE]
            held += bool(plates_held) and count
            alarms += bool(plates_held) and 1 - count
    assert held >= 9
    assert alarms == 0


@pytest.mark.parametrize(
    "detail",
    [
        "halves left and right exchanged",
        "bottom half rotated",
        "shifted from C4 on, one well later along columns",
        "shifted from E3 on, one well earlier along columns",
    ],
)
def test_parts_are_named_with_the_row_that_mends_them(detail):
    nursery = season(71)
    sheet = sim.make_sheet(nursery, by_columns=True)
    moved = sim.move(sheet, part_layout(sheet.format, detail, NONE, []).source)
    f = found(nursery, [sim.make_plate(nursery, moved), sim.make_parent_plate(nursery, 2)])[0]
    assert f.corrections[0].kind is CorrectionKind.PART
    assert f.corrections[0].detail == detail or detail in f.same_as
    assert f.hold is Hold.PLATE


def test_quadrants_of_384_wells_are_named():
    nursery = season(72, lines=16, crosses=24)
    sheet = sim.make_sheet(nursery, format=PLATE_FORMATS[1], blanks=4)
    for detail in ("quadrant 2 rotated", "quadrants 1 and 4 exchanged"):
        moved = sim.move(sheet, part_layout(sheet.format, detail, NONE, []).source)
        f = found(nursery, [sim.make_plate(nursery, moved), sim.make_parent_plate(nursery, 2)])[0]
        assert (f.kind, f.corrections[0].detail) == (FindingKind.PART_MOVED, detail)


def test_a_sheet_sorted_as_text_is_named():
    nursery = season(73)
    sheet = sim.make_sheet(nursery, by_columns=True)
    plants = np.flatnonzero(sheet.identity >= len(nursery.lines))
    # plants T1, T2 ... stand at random; the sheet was sorted as text
    shuffled = nursery.rng.permutation(plants)
    genotype, identity, names = sheet.genotype.copy(), sheet.identity.copy(), list(sheet.plants)
    genotype[plants] = sheet.genotype[shuffled]
    by_text = sorted(range(len(plants)), key=lambda i: f"T{i + 1}")
    for w, i in zip(plants, by_text, strict=True):
        identity[w], names[w] = sheet.identity[shuffled[i]], f"T{i + 1}"
    sheet = replace(sheet, genotype=genotype, identity=identity, plants=names)
    f = found(nursery, [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)])[0]
    assert f.kind is FindingKind.SORTED
    assert f.corrections[0].detail.startswith("filled in the order of plant names by number along columns")


def test_sibs_on_other_plates_wait_with_a_held_plate():
    """The plants of a cross are judged together, whatever plate they stand on."""
    nursery = season(74)
    first, second = (
        sim.make_sheet(nursery, crosses=crosses, prefix=prefix)
        for crosses, prefix in (([0, 1, 2, 3, 4, 5], "A"), ([5, 6, 7, 8, 9], "B"))
    )
    rotated = sim.move(first, part_layout(first.format, "halves left and right exchanged", NONE, []).source)
    plates = [sim.make_plate(nursery, rotated, "P1"), sim.make_plate(nursery, second, "P2")]
    f = found(nursery, [*plates, sim.make_parent_plate(nursery, 2)])[0]
    n = len(nursery.lines)
    sibs = {s for s, i in zip(plates[1].samples, plates[1].identity, strict=True) if i == n + 5}
    assert set(f.sibs) == sibs
    assert held_samples((f,)) == sibs
    assert f"Also held: {len(sibs)} plants" in f.evidence


def test_a_pod_whose_plants_fit_nothing_counts_once_and_stray_plants_by_the_cross_they_fit():
    """Counted by hand: plants 0 and 1 of pod A fit nothing, 2 of it fits cross 21, 3 of pod B nothing."""
    identity = np.array([20, 20, 20, 20, 21])
    plate = SimpleNamespace(pods=("A", "A", "A", "B", "C"))
    odd = OddPlants(
        wells=np.arange(5),
        stray=np.array([False, False, True, False, False]),
        odd=np.array([True, True, True, True, False]),
        fits=np.array([21, 22, 21, 23, 21]),
    )
    assert _pods(plate, identity, odd, odd.odd) == 3
    assert _pods(plate, identity, odd, odd.stray) == 1
