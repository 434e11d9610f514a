"""Plants in one another's places; plates simulated by benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import permutations
from math import factorial, log, log10
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import unfit_plates
from crossproof.inference.plates.arrays import line_evidence
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.disorder import PRIOR_DISORDER, Disorder, disorder
from crossproof.inference.plates.examined_plates import examine_plate, season_evidence
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.inference.plates.well_pairs import count_called, loose_plants

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def season(seed: int):
    rates = sim.Rates(classes=(1.0, 0.0, 0.0, 0.0), swapped_seed=0, failed_wells=0)
    return sim.make_nursery(np.random.default_rng(seed), rates=rates)


def cycled(nursery, sheet, cycles):
    """The sheet, and genotypes of its plants moved on within each of the cycles of crosses."""
    genotype, n, moved = sheet.genotype.copy(), len(nursery.lines), []
    for number, cycle in enumerate(cycles):
        wells = [int(np.flatnonzero(sheet.identity == n + c)[number]) for c in cycle]
        genotype[wells] = sheet.genotype[np.roll(wells, 1)]
        moved += wells
    return replace(sheet, genotype=genotype), moved


def unrelated_crosses(nursery, number):
    """Crosses without a parent in common, so that a plant of one fits no other."""
    out, used = [], set()
    for c, pair in enumerate(zip(nursery.mother.tolist(), nursery.father.tolist(), strict=True)):
        if not used & set(pair):
            out.append(c)
            used |= set(pair)
    assert len(out) >= number
    return out[:number]


def test_odds_of_a_disorder_are_those_of_the_best_of_all_orders():
    """Against every permutation of six wells, one after the other, and factorials by `math`."""
    nursery = season(31)
    a, b, c = unrelated_crosses(nursery, 3)
    sheet, moved = cycled(nursery, sim.make_sheet(nursery), [(a, b, c)])
    plate = sim.make_plate(nursery, sheet)
    tables = sim.season_tables(nursery)
    plates = [plate, sim.make_parent_plate(nursery, 2)]
    x = examine_plate(
        plate, tables, line_evidence(tables, plates), usual=0.9, background=0.02, as_labelled=True
    )
    scores, matrix, identity = x.scores, x.search.matrix, plate.identity
    loose = loose_plants(scores, matrix, identity)
    others = [w for w in loose if w not in moved][:3]
    wells = np.sort(np.array([*moved, *others]))
    free = np.zeros(len(plate), dtype=bool)
    free[wells] = True

    n = count_called(scores, identity)
    tags = tag_scores(scores, matrix, identity, wells)
    tag = identity[wells] - len(nursery.lines)
    stays = np.flatnonzero(~np.isin(wells, moved))
    fit = tags.under(tags.stray(tag, n - 3, scores.strays_elsewhere, stays))
    fit = fit[:, np.searchsorted(tags.crosses, tag)]
    best = -np.inf
    for order in permutations(range(len(wells))):
        away = [i for i in range(len(wells)) if tag[order[i]] != tag[i]]
        gain = sum(fit[i, order[i]] - fit[i, i] for i in away)
        if away and gain - len(away) * log(n) > best:
            best, held, total = gain - len(away) * log(n), away, gain
    ways = factorial(n) // factorial(n - len(held))
    found = disorder(scores, matrix, identity, free)
    assert sorted(found.wells) == sorted(moved) == sorted(wells[held])
    assert found.log10_odds == pytest.approx(total / log(10) - log10(ways) + log10(PRIOR_DISORDER / n))


def held(nursery, sheet):
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    found = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    return [f for f in found if f.critical]


@pytest.mark.parametrize("seed", [31, 32])
def test_plants_that_fit_another_cross_wait_with_two_swapped_wells(seed):
    """One of them is left out by the rows proposed; with two nothing is proposed."""
    nursery = season(seed)
    a, b, c, d = unrelated_crosses(nursery, 4)
    sheet = sim.make_sheet(nursery)
    alone, _ = cycled(nursery, sheet, [(a, b)])
    [f] = held(nursery, alone)
    assert f.kind is FindingKind.WELLS_SWAPPED
    assert len(f.samples) == 2
    assert len(f.corrections) == 1
    # More plants, of a cross that nobody fits in turn: seed of a wrong bag, or more wells in disorder.
    genotype, n = alone.genotype.copy(), len(nursery.lines)
    plate = sim.make_plate(nursery, sheet)
    odd = np.flatnonzero(sheet.identity == n + c)[3:5]
    for count, kinds in ((1, ["swap wells", "exclude well"]), (2, [])):
        genotype[odd[:count]] = sheet.genotype[np.flatnonzero(sheet.identity == n + d)[3]]
        [f] = held(nursery, replace(alone, genotype=genotype))
        assert f.kind is FindingKind.WELLS_SWAPPED
        assert len(f.samples) == 2
        assert f.sibs == tuple(plate.samples[w] for w in odd[:count])
        assert [x.kind.value for x in f.corrections] == kinds
        assert [x.target for x in f.corrections[1:]] == [plate.place(int(w)) for w in odd[:count] if kinds]


@pytest.mark.parametrize(("moved", "odds", "held"), [(5, -1.5, True), (4, -1.5, False), (3, -0.9, True)])
def test_the_more_plants_the_lower_the_odds_that_hold_a_plate(monkeypatch, moved, odds, held):
    nursery = season(31)
    plate, tables = sim.make_plate(nursery, sim.make_sheet(nursery)), sim.season_tables(nursery)
    evidence = season_evidence(tables, [plate])
    x = examine_plate(plate, tables, evidence, usual=0.9, background=0.02, min_log10_odds=1.0)
    monkeypatch.setattr(unfit_plates, "disorder", lambda *_: Disorder(np.arange(moved), odds))
    assert (unfit_plates._in_disorder(x, np.ones(len(plate), dtype=bool)) is not None) == held
