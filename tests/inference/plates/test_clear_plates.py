"""Bounds of what wells can say for DNA of another well or line, held against the full comparison."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import carried_over
from crossproof.inference.plates.arrays import line_evidence
from crossproof.inference.plates.clear_plates import SLACK, may_be_spilled, most_carried, whatever
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.spills import known_lines, spill_scores, spill_state
from crossproof.inference.plates.two_allele_calls import calls_of

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def examined(seed, share=0.0, **rates):
    """Scores of a plate half of whose columns show a share of the column before, its matrix and plants."""
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(**rates))
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True))
    codes, at = plate.blocks[0].codes.copy(), plate.well_of_position
    for w, v in zip(at[1::2], at[::2], strict=True):
        shows = (codes[:, w] <= 2) & (codes[:, v] <= 2) & (codes[:, w] != codes[:, v])
        codes[shows & (nursery.rng.random(len(codes)) < share), w] = 1
    plate, tables = replace(plate, blocks=(sim.well_block(codes),)), sim.season_tables(nursery)
    evidence = line_evidence(tables, [plate, sim.make_parent_plate(nursery, 2)])
    scores = PlateScores(plate, tables, evidence, usual=0.92, background=0.02)
    called = plate.n_called >= 0.3 * plate.n_markers
    plants = np.flatnonzero(called & (plate.identity >= tables.n_lines))
    return scores, scores.matrix(plate.identity), called, plants


@pytest.mark.parametrize(("seed", "share"), [(1, 0.0), (2, 0.4), (3, 0.9)])
def test_no_plant_says_more_for_the_well_beside_it_than_its_bound(seed, share):
    scores, matrix, called, plants = examined(seed, share, classes=(0.4, 0.2, 0.3, 0.1))
    identity = scores.plate.identity
    state = scores.lines_under(identity)
    one = carried_over._one_plant(scores, matrix, identity, plants, state)
    strips = carried_over._strips_of_plants(scores, identity, called)
    every, beside = (np.concatenate([s[i] for s in strips]) for i in (2, 3))
    gains = carried_over._call_gains(scores, matrix, identity, every, beside, state, one)
    calls = calls_of(scores, matrix, identity)
    most = most_carried(scores, matrix, calls, identity, (every, beside), state, carried_over.SHOWN)
    assert (gains < most).all()
    first = whatever(calls, every, beside, carried_over.SHOWN[:1]) - calls.low[every][:, None]
    assert (gains < first).all()
    as_tagged = ~one.odd[every] & (one.log_p[every] - calls.low[every] < 0.01)
    assert as_tagged.sum() > 50
    within = most[as_tagged] - gains[as_tagged]
    assert np.median(within) == pytest.approx(SLACK, abs=0.005)  # the same sums, where no more is bounded


@pytest.mark.parametrize(("seed", "share"), [(4, 0.0), (5, 0.4), (6, 0.9)])
def test_plants_that_speak_for_a_line_are_not_passed_over(seed, share):
    scores, matrix, _, plants = examined(seed, share, classes=(0.4, 0.2, 0.3, 0.1))
    identity = scores.plate.identity
    calls, state = calls_of(scores, matrix, identity), spill_state(scores, identity)
    found = spill_scores(scores, matrix, identity, plants)
    told = []
    for nats in (-30.0, -10.0, -3.0, -1.0, 1.0, 30.0):
        for least in (1, 3, 10, 30):
            there_are = ((found.spilled > nats) & ~found.own).sum(axis=0).max() >= least
            may_be = may_be_spilled(
                scores, calls, identity, known_lines(state), state, least=least, nats=nats
            )
            assert may_be or not there_are
            told.append((there_are, may_be))
    assert {(True, True), (False, False)} <= set(told)


def test_reads_and_markers_of_more_alleles_are_looked_at_in_full():
    scores, matrix, _, _ = examined(7)
    assert calls_of(scores, matrix, scores.plate.identity) is not None
    block = scores.plate.blocks[0]
    depths = np.ones((*block.codes.shape, 2), dtype=np.int64)
    scores.plate = replace(scores.plate, blocks=(replace(block, depths=depths),))
    assert calls_of(scores, matrix, scores.plate.identity) is None
    scores.plate = replace(scores.plate, blocks=(block,))
    scores.likelihood = [np.ones((2, len(scores.plate), 6), dtype=np.float32)]
    assert calls_of(scores, matrix, scores.plate.identity) is None
