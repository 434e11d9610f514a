"""Scores of wells, worked out by hand for one marker and a handful of wells; all data invented."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom

from crossproof.inference.plates.arrays import (
    EMPTY,
    Plate,
    SeasonBlock,
    SeasonTables,
    WellBlock,
    line_evidence,
)
from crossproof.inference.plates.call_rate_model import beta_binomial_log, call_rate_log
from crossproof.inference.plates.line_checks import clusters, compare
from crossproof.inference.plates.mixtures import SHARES, depth_table, union_calls
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.plates import PLATE_FORMATS
from crossproof.model.sentinels import NO_CALL_CODE


def one_marker(codes: list[int], identity: list[int]) -> tuple[Plate, SeasonTables]:
    """Wells A1, A2, ... of a plate with one marker; lines Ada and Bea, cross C1 = Ada x Bea; certain
    calls."""
    likelihood = np.full((1, len(codes), 3), 1 / 3, dtype=np.float32)
    for w, c in enumerate(codes):
        if c != NO_CALL_CODE:
            likelihood[0, w] = 1e-6
            likelihood[0, w, c] = 1.0
    block = WellBlock(2, likelihood, np.array([codes], dtype=np.uint8))
    n = len(codes)
    plate = Plate(
        "P1",
        "B1",
        PLATE_FORMATS[0],
        np.zeros(n, dtype=np.int64),
        np.arange(n),
        tuple(f"s{w}" for w in range(n)),
        tuple("" if i < 2 else f"p{w}" for w, i in enumerate(identity)),
        np.array(identity),
        (block,),
    )
    season = SeasonTables(
        ("Ada", "Bea"),
        ("C1",),
        np.array([0]),
        np.array([1]),
        (SeasonBlock(2, ("m1",), np.array([[0.5, 0.5]]), np.array([False])),),
        np.ones(2),
        departure=0.0,
    )
    return plate, season


def scores_of(plate: Plate, season: SeasonTables) -> PlateScores:
    return PlateScores(plate, season, line_evidence(season, [plate]), usual=0.9, background=0.02)


def test_score_under_a_cross_is_the_prior_weighted_mean_over_relations():
    # Ada 0/0, Bea 1/1, plant 0/1. Hybrid 1; self 0; outcross 1/2 (pool q = 1/2); of the off-pedigree share of
    # 0.02: father selfed 0, F2 1/2, fixed 0. Hand: 0.6 + 0.08 x 0.5 + 0.02 x 0.4 x 0.5 = 0.644.
    plate, season = one_marker([0, 2, 1], [0, 1, 2])
    scores = scores_of(plate, season)
    s = scores.plain(plate.identity, scores.lines_under(plate.identity))
    assert np.exp(s[2]) == pytest.approx(0.644, rel=1e-3)


def test_a_tube_is_judged_by_the_other_tubes_of_its_line():
    # The only tube of Bea: its line is unknown without it, so P(1/1) = q = 1/2 for an inbred line of the
    # pool.
    # Ada's two tubes agree: P = 1 (prior odds 1:1, the other tube certain).
    plate, season = one_marker([0, 0, 2], [0, 0, 1])
    scores = scores_of(plate, season)
    s = np.exp(scores.plain(plate.identity, scores.lines_under(plate.identity)))
    assert s.tolist() == pytest.approx([1.0, 1.0, 0.5], rel=1e-4)


def test_consensus_follows_the_layout():
    # Swapping the tubes on the sheet swaps what the cross' self (mother 1/1) would look like.
    plate, season = one_marker([0, 2, 2], [0, 1, 2])
    scores = scores_of(plate, season)
    swapped = np.array([1, 0, 2])
    as_labelled = np.exp(scores.plain(plate.identity, scores.lines_under(plate.identity)))[2]
    as_swapped = np.exp(scores.plain(swapped, scores.lines_under(swapped)))[2]
    # Hand: labelled, father selfed 0.008, F2 0.008 / 4, fixed 0.004 / 2; swapped, self 0.3 and outcross
    # 0.08 / 2,
    # F2 0.002 and fixed 0.002.
    assert as_labelled == pytest.approx(0.012, rel=1e-3)
    assert as_swapped == pytest.approx(0.344, rel=1e-3)


def test_matrix_agrees_with_scores_one_by_one():
    plate, season = one_marker([0, 0, 2, 1, 1, 0, NO_CALL_CODE], [0, 0, 1, 2, 2, 2, EMPTY])
    scores = scores_of(plate, season)
    matrix = scores.matrix(plate.identity)
    one_by_one = scores.plain(plate.identity, scores.lines_under(plate.identity))
    column = matrix.column(plate.identity)
    kept = [0, 1, 3, 4, 5]
    assert matrix.plain[kept, column[kept]] == pytest.approx(one_by_one[kept], rel=1e-9)


def test_beta_binomial_against_scipy():
    x = np.array([0, 3, 57, 60])
    assert beta_binomial_log(x, 60, 0.9, 20.0) == pytest.approx(betabinom.logpmf(x, 60, 18.0, 2.0), rel=1e-9)


def test_few_calls_speak_for_a_blank_and_many_for_a_sample():
    sample, blank = call_rate_log(np.array([1, 55]), 60, 0.92, 0.02)
    assert blank[0] - sample[0] > 5
    assert sample[1] - blank[1] > 5


def test_union_of_two_plants():
    table = union_calls(2)
    assert table[0, 0].tolist() == [1, 0, 0]
    assert table[0, 2].tolist() == [0, 1, 0]
    assert table[1, 2].tolist() == [0, 1, 0]
    # Three alleles 0, 1, 2 present: each heterozygote one third (VCF order 0/0 0/1 1/1 0/2 1/2 2/2).
    assert union_calls(3)[1, 5].tolist() == pytest.approx([0, 1 / 3, 0, 1 / 3, 1 / 3, 0])


def test_reads_of_a_tenth_of_contamination():
    # 36 reads of one allele, 4 of the other, own plant 0/0 and contaminant 1/1: the share that explains it
    # is 0.1.
    table = depth_table(np.array([[36, 4]]))[0]
    assert SHARES[int(np.argmax(table[:, 0, 2]))] == 0.1
    assert table[0, 0, 2] < table[2, 0, 2]


def test_comparison_of_two_wells_by_hand():
    # Prior 1/4, 1/2, 1/4. Equal homozygotes: P(both) = 1/4 against 1/16: log10 4. Different: (almost)
    # impossible.
    prior = [np.array([[0.25, 0.5, 0.25]])]
    hom, other = [np.array([[1.0, 0.0, 0.0]])], [np.array([[1e-4, 0.0, 1.0]])]
    same = compare(hom, hom, prior)
    assert (same.shared, same.differing) == (1, 0)
    assert same.log10_same == pytest.approx(np.log10(4), rel=1e-6)
    assert compare(hom, other, prior).differing == 1
    assert compare(hom, other, prior).log10_same < -3


def test_groups_that_agree():
    agree = np.eye(5, dtype=bool)
    for i, j in [(0, 3), (3, 4)]:
        agree[i, j] = agree[j, i] = True
    assert clusters(agree) == [[0, 3, 4], [1], [2]]
