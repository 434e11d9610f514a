"""Calls that stand twice in the file; plates of benchmarks/plate_simulator.py, invented."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.copied_calls import copied_calls
from crossproof.model.findings import Hold
from crossproof.model.sentinels import NO_CALL_CODE

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def plates_of(seed, **rates):
    """A nursery and two of its plates."""
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=sim.Rates(**rates))
    crosses = list(range(len(nursery.mother)))
    sheets = [sim.make_sheet(nursery, filled=0.7, crosses=c) for c in (crosses[:5], crosses[5:])]
    return nursery, [sim.make_plate(nursery, s, f"P{i + 1}") for i, s in enumerate(sheets)]


def written_over(plate, wells, source, origin):
    """The plate with the calls of wells of another written over these."""
    blocks = []
    for block, other in zip(plate.blocks, origin.blocks, strict=True):
        codes, likelihood = block.codes.copy(), block.likelihood.copy()
        codes[:, wells], likelihood[:, wells] = other.codes[:, source], other.likelihood[:, source]
        blocks.append(replace(block, codes=codes, likelihood=likelihood))
    return replace(plate, blocks=tuple(blocks))


def with_missing(plate, missing):
    """The plate with just these calls missing, (marker, well)."""
    blocks, start = [], 0
    for block in plate.blocks:
        here = missing[start : (start := start + len(block.codes))]
        codes = np.where(here, NO_CALL_CODE, np.where(block.codes == NO_CALL_CODE, 0, block.codes))
        blocks.append(replace(block, codes=codes.astype(block.codes.dtype)))
    return replace(plate, blocks=tuple(blocks))


def column(plate, number):
    wells = np.flatnonzero(plate.columns == number)
    return wells[np.argsort(plate.rows[wells])]


@pytest.mark.parametrize("seed", range(60, 66))
def test_a_column_written_over_its_neighbour_waits_whatever_the_plants_are(seed):
    """All plants selfs: they are alike, and only the missing calls tell."""
    _nursery, (plate, other) = plates_of(seed, classes=(0.0, 1.0, 0.0, 0.0), swapped_seed=0, failed_wells=0)
    source, wells = column(plate, 4), column(plate, 5)
    copied = written_over(plate, wells, source, plate)
    [f] = copied_calls([copied, other], 1.0)
    assert f.hold is Hold.SAMPLES
    assert not f.corrections
    assert f.log10_odds > 3
    # Also those without a missing call, which say nothing themselves.
    assert set(f.samples) == {plate.samples[w] for w in (*source, *wells)}
    assert not copied_calls([plate, other], 1.0)


def test_a_plate_written_over_another_waits_as_a_whole():
    _nursery, (plate, other) = plates_of(71)
    both = np.intersect1d(plate.position, other.position)
    to, source = (p.well_of_position[both] for p in (other, plate))
    copied = written_over(other, to, source, plate)
    [f] = copied_calls([plate, copied], 1.0)
    assert f.plates == ("P1", "P2")
    assert len(f.samples) > 1.5 * len(both)  # failed wells and those without a missing call say nothing


def test_the_checks_hold_the_plants_of_both_places_and_those_of_a_tube():
    nursery, (plate, other) = plates_of(61, classes=(0.0, 1.0, 0.0, 0.0), swapped_seed=0, failed_wells=0)
    season = sim.season_tables(nursery)
    tube = int(np.flatnonzero((other.identity >= 0) & (other.identity < season.n_lines))[0])
    plant = int(np.flatnonzero(other.identity >= season.n_lines)[0])
    codes = np.concatenate([b.codes for b in other.blocks])
    missing = codes == NO_CALL_CODE
    missing[:, plant] = np.random.default_rng(1).random(len(codes)) < 0.3
    copied = with_missing(other, missing)
    copied = written_over(copied, [tube], [plant], copied)
    found = examine_plates([plate, copied], season, CheckSettings(remarks=False))
    [f] = [f for f in found if f.kind is FindingKind.CALLS_COPIED]
    assert set(f.samples) == {other.samples[tube], other.samples[plant]}
    line = int(other.identity[tube])
    made = np.flatnonzero((season.mother == line) | (season.father == line)) + season.n_lines
    of_line = {p.samples[w] for p in (plate, other) for w in np.flatnonzero(np.isin(p.identity, made))}
    assert of_line <= {*f.sibs, *f.samples}


@pytest.mark.parametrize("null_markers", [6, 12])
def test_alleles_that_assays_do_not_see_are_no_copy(null_markers):
    """All plants of a cross miss the same markers, and few others: many have the same calls."""
    found = 0
    for seed in range(80, 100):
        _nursery, (plate, other) = plates_of(seed, classes=(0.0, 1.0, 0.0, 0.0), swapped_seed=0)
        rng = np.random.default_rng(seed)
        both = []
        for p in (plate, other):
            missing = rng.random((p.n_markers, len(p))) < 0.02
            for identity in np.unique(p.identity):
                null = rng.choice(p.n_markers, null_markers, replace=False)
                half = rng.random(len(p)) < 0.5
                missing[np.ix_(null, np.flatnonzero((p.identity == identity) & half))] = True
            both.append(with_missing(p, missing))
        found += len(copied_calls(both, 1.0))
    assert found == 0


def test_poor_wells_in_which_the_weak_assays_fail_first_are_no_copy():
    """Wells of rising quality, an assay calling where its strength is above the well's need."""
    found = 0
    for seed in range(100, 120):
        _nursery, (plate, other) = plates_of(seed, classes=(0.0, 1.0, 0.0, 0.0), swapped_seed=0)
        rng = np.random.default_rng(seed)
        both = []
        for p in (plate, other):
            strength = rng.normal(1.0, 1.0, p.n_markers)[:, None]
            noise = rng.normal(0.0, 0.15, (p.n_markers, len(p)))
            both.append(with_missing(p, strength + noise < rng.normal(-0.5, 0.7, len(p))))
        found += len(copied_calls(both, 1.0))
    assert found == 0
