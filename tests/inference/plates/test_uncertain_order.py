"""Plants that may stand in one another's places, by all orders; plates of benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import uncertain_order
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.disorder import PRIOR_DISORDER
from crossproof.inference.plates.examined_plates import examine_plate, season_evidence
from crossproof.inference.plates.uncertain_order import (
    SHARES,
    OrderDoubt,
    chance_elsewhere,
    log_permanent,
    order_findings,
)
from crossproof.model.findings import Hold

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

N = 7


def permanent(a):
    return sum(np.prod(a[np.arange(len(a)), list(p)]) for p in permutations(range(len(a))))


@pytest.mark.parametrize("seed", range(4))
def test_the_permanent_is_bounded_by_bethes_on_both_sides(seed):
    """Against the sum over all 5,040 orders; Bethe's is at most that, and at least that / sqrt(2)^n."""
    a = np.exp(np.random.default_rng(seed).normal(0, 2, (N, N)))
    log, marginal = log_permanent(a)
    exact = np.log(permanent(a))
    assert exact - N / 2 * np.log(2) <= log <= exact + 1e-6
    assert marginal.sum(axis=0) == pytest.approx(1, abs=0.02)
    assert marginal.sum(axis=1) == pytest.approx(1, abs=0.02)


def test_one_certain_order_holds_the_whole_permanent():
    order = np.array([2, 0, 1, 4, 3, 6, 5])
    a = np.full((N, N), 1e-9)
    a[np.arange(N), order] = [3.0, 0.5, 2.0, 1.0, 4.0, 0.1, 1.0]
    log, marginal = log_permanent(a)
    assert log == pytest.approx(np.log(1.2), abs=1e-6)
    assert marginal[np.arange(N), order] == pytest.approx(1, abs=1e-6)


def cycle(n, gain, wells):
    """Gains of a plate of n tags of one plant each, some wells of which hold one another's plants."""
    out = np.full((n, n), -15.0)
    np.fill_diagonal(out, 0.0)
    out[wells, np.roll(wells, 1)] = gain
    return out


def test_the_chance_to_stand_elsewhere_is_that_of_the_shares_it_may_have():
    """Four wells in a ring are the only other order: its odds can be written down."""
    n, gain, ring = 30, 9.0, [3, 8, 14, 20]
    alike = np.eye(n, dtype=bool)
    chance = chance_elsewhere(cycle(n, gain, ring), alike)
    odds = []
    for share in SHARES:
        labelled = (1 - share) * np.eye(n) + share / n
        off, on = share / n, 1 - share + share / n
        ring_odds = np.exp(4 * gain) * (off / on) ** 4
        odds.append(
            (1 + ring_odds) * on**n / np.exp(log_permanent(labelled)[0]),
        )
    total = PRIOR_DISORDER / len(SHARES) * float(np.sum(odds))
    moved = chance[ring, np.roll(ring, 1)]
    assert moved == pytest.approx(total / (1 + total), rel=0.02)
    assert chance[:, 0].sum() - chance[0, 0] == pytest.approx(0, abs=1e-6)


def test_plants_that_fit_nowhere_else_make_no_chance():
    assert not chance_elsewhere(cycle(30, -15.0, [1, 2, 3]), np.eye(30, dtype=bool)).any()


def scrambled(seed):
    """Eight plants of a plate moved on by one, and a plate of parents; what is found that holds plants."""
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0))
    sheet = sim.make_sheet(nursery)
    plants = np.flatnonzero(sheet.identity >= len(nursery.lines))
    chosen = nursery.rng.choice(plants, 8, replace=False)
    genotype = sheet.genotype.copy()
    genotype[chosen] = sheet.genotype[np.roll(chosen, 1)]
    return nursery, [
        sim.make_plate(nursery, replace(sheet, genotype=genotype)),
        sim.make_parent_plate(nursery, 2),
    ]


@pytest.mark.parametrize("seed", [328, 335])
def test_eight_plants_that_no_single_order_shows_hold_their_plate(seed):
    """The best order is not likely enough on these two; all orders together are."""
    nursery, plates = scrambled(seed)
    found = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    [f] = [f for f in found if f.critical]
    assert (f.kind, f.subject, f.hold, f.corrections) == (FindingKind.UNEXPLAINED, "P1", Hold.PLATE, ())
    assert "in another order than the sheet lists them" in f.evidence


def test_a_pair_of_plants_in_disorder_does_not_hide_the_others():
    """Seven plants moved on by one, two of which fit each other's rows: at odds of 9 to 1 the pair was said
    to be all, and the others stray seed."""
    rates = sim.Rates(swapped_seed=0, classes=(0.4, 0.5, 0.08, 0.02))
    nursery = sim.make_nursery(np.random.default_rng(213056), rates=rates)
    sheet = sim.make_sheet(nursery)
    plants = np.flatnonzero(sheet.identity >= len(nursery.lines))
    chosen = nursery.rng.choice(plants, 7, replace=False)
    genotype = sheet.genotype.copy()
    genotype[chosen] = sheet.genotype[np.roll(chosen, 1)]
    plates = [
        sim.make_plate(nursery, replace(sheet, genotype=genotype)),
        sim.make_parent_plate(nursery, 2),
    ]
    found = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    [f] = [f for f in found if f.critical]
    assert (f.kind, f.hold, f.corrections) == (FindingKind.UNEXPLAINED, Hold.PLATE, ())


def test_odds_of_what_else_was_found_take_their_part_of_the_chance():
    """By hand: with odds T of all orders and W of a pair, T / (1 + T) becomes T / (1 + W + T)."""
    alike = np.eye(30, dtype=bool)
    gain = cycle(30, 9.0, [3, 8, 14, 20])
    alone, beside = (chance_elsewhere(gain, alike, w)[3, 20] for w in (0.0, 50.0))
    assert beside == pytest.approx(1 / (1 / alone + 50 * (1 / alone - 1)), rel=0.05)


@pytest.mark.parametrize(("most", "held"), [(0.06, 2), (0.04, 0)])
def test_plants_that_may_be_hybrids_wait_where_a_well_is_five_in_a_hundred_another(monkeypatch, most, held):
    nursery, plates = scrambled(335)
    tables = sim.season_tables(nursery)
    x = examine_plate(
        plates[0], tables, season_evidence(tables, plates), usual=0.9, background=0.02, min_log10_odds=1.0
    )
    wells = np.flatnonzero(plates[0].identity >= len(nursery.lines))[:3]
    doubt = OrderDoubt(wells, wells, np.array([0.02, 0.003, 0.001]), most)
    monkeypatch.setattr(uncertain_order, "order_doubt", lambda *_: doubt)
    found = order_findings(x, frozenset())
    assert [f.samples for f in found] == ([tuple(plates[0].samples[w] for w in wells[:held])] if held else [])
    assert all(f.hold is Hold.SAMPLES and "6 % likely" in f.evidence for f in found)
