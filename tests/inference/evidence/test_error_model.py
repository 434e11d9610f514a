"""Genotype likelihoods against hand-worked values and published shares of lost heterozygotes."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.inference.evidence.error_model import (
    apply_floor,
    call_error_matrix,
    likelihood_from_calls,
    likelihood_from_depths,
    likelihood_from_phred,
)
from crossproof.model.genotypes import (
    genotype_alleles,
    genotype_index,
    n_genotypes,
    observation_codes,
)

SHARED = Path(os.environ.get("CROSSPROOF_SHARED", Path(__file__).parents[4] / "shared"))


def test_error_matrix_of_a_snp_is_the_one_of_the_model_description():
    # model.md section 1, written out: f .01, d .04, e .002
    expected = [[0.988, 0.01, 0.002], [0.02, 0.96, 0.02], [0.002, 0.01, 0.988]]
    np.testing.assert_allclose(call_error_matrix(2, 0.01, 0.04, 0.002), expected, rtol=1e-12)


def test_error_matrix_of_three_alleles_by_hand():
    # Order 00 01 11 02 12 22. A 0/0 becomes 0/1 or 0/2 with f/2 each, the three others share e.
    matrix = call_error_matrix(3, 0.01, 0.04, 0.003)
    np.testing.assert_allclose(matrix[0], [0.987, 0.005, 0.001, 0.005, 0.001, 0.001], rtol=1e-12)
    # A 0/1 loses either allele with d/2; 0/2, 1/2 and 2/2 share e.
    np.testing.assert_allclose(matrix[1], [0.02, 0.957, 0.02, 0.001, 0.001, 0.001], rtol=1e-12)


@given(st.integers(1, 8), st.floats(0, 0.3), st.floats(0, 0.3), st.floats(0, 0.1))
def test_error_matrix_rows_are_distributions(k, f, d, e):
    matrix = call_error_matrix(k, f, d, e)
    assert matrix.min() >= 0
    np.testing.assert_allclose(matrix.sum(axis=1), 1, rtol=1e-12)


def test_likelihood_of_calls_by_hand():
    # One marker, calls 0/1, 0/0, missing, half-missing 0/. with f .01, d .04, e .002.
    calls = np.array([[[0, 1], [0, 0], [-1, -1], [0, -1]]], dtype=np.int8)
    like = likelihood_from_calls(observation_codes(calls, 2), 2, 0.01, 0.04, 0.002)
    het = np.array([0.01, 0.96, 0.01])
    hom = np.array([0.988, 0.02, 0.002])
    # One allele 0 seen: a copy drawn at random, misread with e.
    one = np.array([0.998, 0.5, 0.002])
    np.testing.assert_allclose(like[0, 0], het / het.sum(), rtol=1e-12)
    np.testing.assert_allclose(like[0, 1], hom / hom.sum(), rtol=1e-12)
    np.testing.assert_allclose(like[0, 2], [1 / 3] * 3, rtol=1e-12)
    np.testing.assert_allclose(like[0, 3], one / one.sum(), rtol=1e-12)


def test_haploid_call_says_what_a_half_missing_one_says():
    calls = np.array([[[1, -1], [1, -2]]], dtype=np.int8)
    like = likelihood_from_calls(observation_codes(calls, 2), 2, 0.01, 0.04, 0.002)
    np.testing.assert_array_equal(like[0, 0], like[0, 1])


def test_error_rates_are_those_of_each_marker():
    codes = np.array([[1], [1]], dtype=np.uint8)
    like = likelihood_from_calls(codes, 2, np.array([0.005, 0.5]), 0.02, 0.002)
    assert like[0, 0, 1] > 0.98
    assert like[1, 0, 1] < 0.5


def test_depth_likelihood_by_hand():
    # Two reads of 0, one of 1, e .01, no overdispersion: binomial terms, the coefficient cancels.
    expected = np.array([0.99**2 * 0.01, 0.5**3, 0.01**2 * 0.99])
    like = likelihood_from_depths(np.array([2, 1]), 0.01, 0.0)
    np.testing.assert_allclose(like, expected / expected.sum(), rtol=1e-9)


def test_overdispersed_depth_likelihood_by_hand():
    # Beta-binomial with concentration (1-rho)/rho = 9: rising factorials of 9 p.
    def rising(a, n):
        return np.prod([a + i for i in range(n)]) if n else 1.0

    shares = ((0.99, 0.01), (0.5, 0.5), (0.01, 0.99))
    expected = np.array([rising(9 * p, 3) * rising(9 * q, 1) for p, q in shares])
    like = likelihood_from_depths(np.array([3, 1]), 0.01, 0.1)
    np.testing.assert_allclose(like, expected / expected.sum(), rtol=1e-9)


def test_no_reads_say_nothing():
    np.testing.assert_allclose(likelihood_from_depths(np.zeros((2, 3, 2), dtype=int), 0.01, 0.02), 1 / 3)


@pytest.mark.parametrize("depth", [2, 3, 4, 5])
def test_lost_heterozygotes_by_depth(depth):
    path = SHARED / "reference" / "depth_het.csv"
    if not path.exists():
        pytest.skip("published values are not beside this repository")
    with path.open() as lines:
        published = {int(r["depth"]): r for r in csv.DictReader(lines)}[depth]
    # Ros-Freixedes et al. 2018, Genet Sel Evol 50:64, Table 5: a heterozygote shows one allele in 2(1/2)^d
    # of cases. All reads alike have likelihood 1 for that homozygote without errors: the ratio is the share.
    like = likelihood_from_depths(np.array([depth, 0]), 1e-12, 0.0)
    lost = 200 * like[1] / like[0]
    assert lost == pytest.approx(float(published["expected_pct_het_called_hom"]), rel=1e-6)
    # Observed shares are somewhat higher, as overdispersion makes them.
    spread = likelihood_from_depths(np.array([depth, 0]), 1e-12, 0.05)
    assert lost < 200 * spread[1] / spread[0] < 1.2 * float(published["observed_pct"])


def test_phred_by_hand():
    like = likelihood_from_phred(np.array([[0, 10, 20]], dtype=np.uint8))
    np.testing.assert_allclose(like[0], np.array([1, 0.1, 0.01]) / 1.11, rtol=1e-12)


def test_floor_keeps_any_marker_from_deciding():
    like = apply_floor(np.array([1.0, 0.0, 0.0]), 0.005)
    np.testing.assert_allclose(like, [0.995 + 0.005 / 3, 0.005 / 3, 0.005 / 3], rtol=1e-12)


@given(st.integers(2, 5), st.randoms(use_true_random=False))
def test_alleles_renamed_is_genotypes_renamed(k, random):
    order = list(range(k))
    random.shuffle(order)
    depths = np.array([random.randint(0, 6) for _ in range(k)])
    pairs = genotype_alleles(k)
    renamed = genotype_index(np.array(order)[pairs[:, 0]], np.array(order)[pairs[:, 1]])
    new = np.zeros(k, dtype=int)
    new[order] = depths
    like = likelihood_from_depths(depths, 0.01, 0.02)
    np.testing.assert_allclose(likelihood_from_depths(new, 0.01, 0.02)[renamed], like, rtol=1e-9)
    assert len(like) == n_genotypes(k)


def test_depths_of_three_alleles_by_hand():
    # e .03: of a 0/1 a read shows 0 or 1 with .5 each way: .97 / 2 + .015 / 2; it shows 2 with .015
    depths = np.array([2, 1, 1])
    half = 0.97 / 2 + 0.015 / 2
    expected = {
        (0, 0): 0.97**2 * 0.015 * 0.015, (0, 1): half**3 * 0.015, (1, 1): 0.015**2 * 0.97 * 0.015,
        (0, 2): half**3 * 0.015, (1, 2): 0.015**2 * half**2, (2, 2): 0.015**2 * 0.015 * 0.97,
    }  # fmt: skip
    found = likelihood_from_depths(depths, 0.03, 0.0)
    for pair, value in expected.items():
        assert found[genotype_index(*pair)] == pytest.approx(value / sum(expected.values()), rel=1e-9)


def test_deep_and_shallow_wells_side_by_side():
    """A well of ten thousand reads does not drown its neighbour of two; no reads say nothing."""
    depths = np.array([[[10_000, 0], [1, 1], [0, 0]], [[0, 3], [5000, 5000], [2, 0]]])
    found = likelihood_from_depths(depths, 0.01, 0.0)
    np.testing.assert_allclose(found.sum(axis=-1), 1, rtol=1e-12)
    for place in np.ndindex(2, 3):
        np.testing.assert_allclose(found[place], likelihood_from_depths(depths[place], 0.01, 0.0), rtol=1e-9)
    np.testing.assert_allclose(found[0, 2], 1 / 3, rtol=1e-12)
    assert found[0, 0].argmax() == 0
    assert found[1, 1].argmax() == 1


def test_each_well_s_phred_is_scaled_by_itself():
    phred = np.array([[[0, 10, 20], [20, 0, 20]]], dtype=np.uint8)
    found = likelihood_from_phred(phred)
    np.testing.assert_allclose(found[0, 0], np.array([1, 0.1, 0.01]) / 1.11, rtol=1e-12)
    np.testing.assert_allclose(found[0, 1], np.array([0.01, 1, 0.01]) / 1.02, rtol=1e-12)


def test_one_allele_seen_of_three_by_hand():
    # e .004, shared by the two other alleles: 0 seen of 0/0 .996, of 0/1 or 0/2 (.996 + .002) / 2, else .002
    calls = np.array([[[0, -1]]], dtype=np.int8)
    like = likelihood_from_calls(observation_codes(calls, 3), 3, 0.01, 0.04, 0.004)[0, 0]
    expected = np.array([0.996, 0.499, 0.002, 0.499, 0.002, 0.002])
    np.testing.assert_allclose(like, expected / expected.sum(), rtol=1e-12)


def test_the_floor_is_of_each_plant_by_itself():
    likelihood = np.array([[[1.0, 0.0], [0.25, 0.75]]])
    np.testing.assert_allclose(apply_floor(likelihood, 0.1), [[[0.95, 0.05], [0.275, 0.725]]], rtol=1e-12)
