"""Two wells swapped against two odd plants; tubes and what they make of a line."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logsumexp

sys.path.insert(0, str(Path(__file__).parent))
from test_plate_checks import BENCHMARKS, found, load, season, sim

from crossproof.inference.evidence.error_model import apply_floor, likelihood_from_calls
from crossproof.inference.plates import duplicates as duplicates_check
from crossproof.inference.plates.arrays import WellBlock, line_evidence
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.family_tables import FamilyTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.stray_seed import STRAY_SHARE, STRAY_WEIGHT, TagScores
from crossproof.inference.plates.tag_scores import tag_scores

sys.path.insert(0, str(BENCHMARKS))
LAYOUTS = {
    FindingKind.ROTATED,
    FindingKind.MIRRORED,
    FindingKind.SHIFTED,
    FindingKind.REFILLED,
    FindingKind.WELLS_SWAPPED,
    FindingKind.ROWS_SWAPPED,
    FindingKind.COLUMNS_SWAPPED,
    FindingKind.ROW_REVERSED,
    FindingKind.COLUMN_REVERSED,
}


def scores_of(nursery, plate):
    tables = sim.season_tables(nursery)
    return PlateScores(plate, tables, line_evidence(tables, [plate]), usual=0.9, background=0.02)


def test_log_sum_is_that_of_scipy():
    x = np.random.default_rng(1).normal(size=(4, 5, 3)) * 300
    x[0, :, 1] = -np.inf
    for axis in (0, 1, 2):
        np.testing.assert_allclose(log_sum(x, axis=axis), logsumexp(x, axis=axis), rtol=1e-12)
    assert float(log_sum(x)) == pytest.approx(float(logsumexp(x)), rel=1e-12)


def test_a_tag_by_hand():
    # Two crosses; P(data | anything of the cross) 0.8 and 0.1 for one well, 0.2 and 0.6 for another.
    tags = TagScores(np.array([3, 7]), np.array([0, 1]), np.log([[0.8, 0.1], [0.2, 0.6]]))
    t = np.exp(tags.under(0.1))
    assert t[0, 0] == pytest.approx(0.9 * 0.8 + 0.1 * (0.8 + 0.1) / 2)
    assert t[1, 0] == pytest.approx(0.9 * 0.2 + 0.1 * (0.2 + 0.6) / 2)
    # A well is stray with s x mean / ((1 - s) own + s x mean).
    first = 0.1 * 0.45 / (0.9 * 0.8 + 0.1 * 0.45)
    second = 0.1 * 0.40 / (0.9 * 0.2 + 0.1 * 0.40)
    assert tags.strays(np.array([0, 0]), 0.1) == pytest.approx(first + second)


def test_share_of_stray_seed_solves_its_equation():
    rng = np.random.default_rng(4)
    full = np.log(rng.uniform(1e-6, 1.0, (30, 5)))
    tag = rng.integers(0, 5, 30)
    tags = TagScores(np.arange(30), np.arange(5), full)
    share = tags.stray(tag, 90, (4.0, 1000.0))
    expected = (STRAY_SHARE * STRAY_WEIGHT + tags.strays(tag, share) + 4.0) / (STRAY_WEIGHT + 90 + 1000)
    assert share == pytest.approx(expected, rel=0.02)
    # No odd well at all: the prior mean, watered down by the plants that are in order.
    fits = TagScores(np.arange(30), np.arange(5), np.where(tag[:, None] == np.arange(5), 0.0, -300.0))
    assert fits.stray(tag, 90, (0.0, 0.0)) == pytest.approx(STRAY_SHARE * 400 / 490, rel=0.02)


def test_what_a_tag_can_be_adds_up_to_its_parts():
    """F of a well by brute force over its relations, donors and lines, each by its own table."""
    nursery = season(9, crosses=4, lines=6)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    scores = scores_of(nursery, plate)
    matrix = scores.matrix(plate.identity)
    wells = np.flatnonzero(plate.identity >= 6)[[0, 20]]
    tags = tag_scores(scores, matrix, plate.identity, wells)
    state = scores.lines_under(plate.identity, more=np.arange(6))
    cross = 2
    mother, father = nursery.mother[[cross]], nursery.father[[cross]]
    kinds = scores.relation_scores(mother, father, wells, state)[:, 0]
    h, s, o, x = scores.season.class_prior
    terms = [kinds[:, i] + np.log(w) for i, w in enumerate((h, s, 0.3 * o, 0.25 * x, 0.15 * x, 0.15 * x))]
    for line in range(6):
        hybrid = scores.relation_scores(mother, np.array([line]), wells, state)[:, 0, 0]
        terms.append(hybrid + np.log(0.7 * o / 6))
        terms.append(scores.line_scores(np.array([line]), wells, state)[:, 0] + np.log(0.3 * x / 6))
    terms.append(scores.pool[wells] + np.log(0.15 * x))
    np.testing.assert_allclose(tags.full[:, cross], logsumexp(terms, axis=0), rtol=1e-9)


def test_tables_of_a_family_at_once_are_those_one_by_one():
    nursery = season(12, crosses=3, lines=5)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    scores = scores_of(nursery, plate)
    wells = np.flatnonzero(plate.identity == 5 + 1)
    family = FamilyTables(scores, 1, wells, scores.lines_under(plate.identity))
    for place in range(len(wells)):
        one, own = family.tables(place), family.relation[place]
        np.testing.assert_allclose(family.all_tables()[0][:, :, place], one[0], rtol=1e-9)
        np.testing.assert_allclose(family.kinds()[0][:, place], one[0][own], rtol=1e-9)


@pytest.mark.parametrize("tubes", [1, 2])
def test_two_identical_lines_are_no_swapped_tubes(tubes):
    for seed in range(5):
        nursery = season(seed)
        nursery.lines[3] = nursery.lines[7]
        assert not [f for f in found(nursery, [sim.make_parent_plate(nursery, tubes)]) if f.kind in LAYOUTS]


@pytest.mark.parametrize("filled", [1.0, 0.7, 0.3])
@pytest.mark.parametrize("rates", [(0.005, 0.02), (0.9, 0.02), (0.5, 0.5)])
def test_a_season_heterozygous_throughout_says_nothing_of_places(filled, rates):
    nursery = season(11)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, filled=filled))
    codes = np.ones_like(plate.blocks[0].codes)
    likelihood = apply_floor(likelihood_from_calls(codes, 2, *rates, 0.002), 0.005).astype(np.float32)
    findings = found(nursery, [replace(plate, blocks=(WellBlock(2, likelihood, codes),))])
    assert {f.kind for f in findings} <= {FindingKind.BLANK_CALLS, FindingKind.SAME_LINE}


@pytest.mark.parametrize("seed", [300, 301, 355])
def test_plants_of_one_foreign_donor_are_no_mixtures(seed):
    """Three plants of a family by one unknown inbred donor: each is covered by its mother and a neighbour."""
    nursery = season(seed)
    sheet = sim.make_sheet(nursery, by_columns=False)
    n = len(nursery.lines)
    cross = int(np.bincount(sheet.identity[sheet.identity >= n] - n).argmax())
    donor = 2 * (nursery.rng.random(nursery.lines.shape[1]) < nursery.pool).astype(np.int64)
    mine = np.flatnonzero(sheet.identity == n + cross)[:3]
    for w in mine:
        mother = nursery.mother_plant[cross]
        sheet.genotype[w] = sim.gamete(nursery.rng, mother) + sim.gamete(nursery.rng, donor)
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    mixed = {f.subject for f in found(nursery, plates) if f.kind is FindingKind.MIXED_DNA}
    assert not mixed & {plates[0].samples[w] for w in mine}


@pytest.mark.parametrize("seed", [21_209, 21_238, 21_615])
def test_a_departing_parent_plant_does_not_move_a_tube(seed):
    """A mother plant departs from her line's only tube at up to 8 markers: another consensus would fit."""
    bench = load("plate_faults")
    assert bench.faultless(bench.season(seed, 60)).found


@pytest.mark.parametrize("seed", [21_010, 21_042, 21_043, 21_046])
def test_rows_and_columns_with_parent_tubes_in_them_are_named(seed):
    """Tubes of few plants (21010, 21043) and rows that look like a shift (21042, 21046)."""
    bench = load("plate_faults")
    trial = bench.FAULTS["row or column reversed, or two swapped"][2](bench.season(seed, 60))
    assert trial.found
    assert trial.others == 0


def test_all_pairs_of_candidates_are_compared(monkeypatch):
    monkeypatch.setattr(duplicates_check, "BLOCK", 7)
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 3, (40, 50))
    codes[31] = codes[2]
    codes[39, :48] = codes[38, :48]  # 96 %
    codes[12, :46] = codes[11, :46]  # 92 % or so
    known = rng.random(codes.shape) > 0.1
    data = np.where(known[..., None], np.eye(3)[codes] + 0.01, 1.0).astype(np.float32)
    entries = [duplicates_check._Entry(None, w, 0.0, [], [data[w]]) for w in range(40)]
    both = known[:, None] & known[None]
    equal = (both & (codes[:, None] == codes[None])).sum(axis=2)
    wanted = np.argwhere(np.triu((equal >= 0.95 * both.sum(axis=2)) & (both.sum(axis=2) >= 10), 1))
    assert len(wanted) >= 2
    np.testing.assert_array_equal(duplicates_check._similar(entries), wanted)


def test_plants_left_uncompared_are_said(monkeypatch):
    nursery = season(5)
    nursery.lines[:, ::2] = (
        1  # parents heterozygous at every other marker: every plant could show a duplicate
    )
    nursery.mother_plant[:], nursery.father_plant[:] = (
        nursery.lines[p] for p in (nursery.mother, nursery.father)
    )
    plates = [sim.make_plate(nursery, sim.make_sheet(nursery)), sim.make_parent_plate(nursery, 2)]
    tables = replace(sim.season_tables(nursery), inbreeding=np.zeros(14))
    monkeypatch.setattr(duplicates_check, "MAX_WELLS", 4)
    remarks = [f for f in examine_plates(plates, tables, CheckSettings(remarks=False)) if f.note]
    assert len(remarks) == 1
    assert "plants were not compared with the others" in remarks[0].evidence
    assert remarks[0].kind is FindingKind.CANNOT_SEE
