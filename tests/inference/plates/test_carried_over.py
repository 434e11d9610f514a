"""Tips that carry DNA over from one column to the next; simulated by benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import carried_over
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.mixtures import union_calls
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.spills import one_plant
from crossproof.model.findings import Hold

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def carried(nursery, plate, column, share):
    """Homozygous calls that differ from the well a column before read heterozygous at a share of markers."""
    codes = plate.blocks[0].codes.copy()
    at = {(int(r), int(c)): w for w, (r, c) in enumerate(zip(plate.rows, plate.columns, strict=True))}
    for r in range(8):
        w, v = at[r, column], at[r, column - 1]
        here, there = plate.blocks[0].codes[:, w], plate.blocks[0].codes[:, v]
        shows = np.isin(here, [0, 2]) & (there <= 2) & (here != there)
        codes[shows & (nursery.rng.random(len(here)) < share), w] = 1
    return replace(plate, blocks=(sim.well_block(codes),))


@pytest.mark.parametrize(("seed", "share"), [(31, 0.6), (4073, 0.5), (4076, 0.5)])
def test_a_column_that_shows_the_one_before_is_held_and_a_sound_plate_is_not(seed, share):
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0))
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True))
    parents = sim.make_parent_plate(nursery, 2)
    tables = sim.season_tables(nursery)

    def spilled(first):
        found = examine_plates([first, parents], tables, CheckSettings(remarks=False))
        return [f for f in found if f.kind is FindingKind.SPILLED]

    assert spilled(plate) == []
    [f] = spilled(carried(nursery, plate, 6, share))
    column = {plate.samples[w] for w in np.flatnonzero(plate.columns == 6)}
    assert set(f.samples) <= column
    assert len(f.samples) >= 6  # a well that failed, or beside one that did, is left out
    assert "column 7 of plate P1 show alleles of the wells beside them in column 6" in f.evidence
    assert f.hold is Hold.SAMPLES


def test_with_nothing_carried_over_a_well_is_explained_as_one_plant_is():
    """The two stories differ only in the carry-over: without it `_call_gains` has the sums of `one_plant`."""
    nursery = sim.make_nursery(np.random.default_rng(5))
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    season = sim.season_tables(nursery)
    evidence = tuple(np.zeros((season.n_lines, *b.likelihood.shape[::2])) for b in plate.blocks)
    for tubes in (plate, sim.make_parent_plate(nursery, 2)):
        for w in np.flatnonzero((tubes.identity >= 0) & (tubes.identity < season.n_lines)):
            for e, block in zip(evidence, tubes.blocks, strict=True):
                e[tubes.identity[w]] += np.log(block.likelihood[:, w])
    scores = PlateScores(plate, season, evidence, usual=0.92, background=0.02)
    identity = plate.identity
    matrix, state = scores.matrix(identity), scores.lines_under(identity)
    wells = np.flatnonzero(identity >= season.n_lines)
    one, by_line = one_plant(scores, matrix, identity, wells, state.lines, state)
    nothing = [
        np.stack([x[:, wells]] * len(carried_over.SHOWN), 1).astype(np.float64) for x in scores.likelihood
    ]

    mothers = season.mother[identity[wells] - season.n_lines]
    kinds = [
        (carried_over._mixed(scores, identity, wells, nothing, state), scores.plain(identity, state)[wells]),
        (carried_over._mixed_outcross(scores, mothers, nothing, state), log_sum(by_line, axis=1)),
        (carried_over._mixed_anything(scores, matrix, nothing, state), matrix.anything[wells]),
    ]
    for mixed, alone in kinds:
        np.testing.assert_allclose(mixed, np.repeat(alone[:, None], mixed.shape[1], axis=1), rtol=1e-9)
    whole = np.logaddexp(np.logaddexp(kinds[0][0], kinds[1][0]), kinds[2][0])
    np.testing.assert_allclose(whole[:, 0], one, rtol=1e-9)


def test_two_plants_of_two_alleles_written_out_are_those_of_the_table():
    rng = np.random.default_rng(3)
    own, beside = rng.dirichlet(np.ones(3), size=(2, 5, 4))
    by_table = np.einsum("mpg,xyg,mpy->mpx", own, union_calls(2), beside)
    np.testing.assert_allclose(carried_over._of_both(own, beside, 2), by_table, rtol=1e-14)
