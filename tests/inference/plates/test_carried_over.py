"""Tips that carry DNA over from one column to the next; simulated by benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
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
