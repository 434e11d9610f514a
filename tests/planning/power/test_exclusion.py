"""Exclusion against published values and against hand-worked ones."""

import numpy as np
import pytest

from crossproof.planning.power.exclusion import combined, fits_own_alone, marker_exclusion


@pytest.mark.parametrize(
    ("loci", "strangers", "shared"),
    [(3, 0.3064, 0.1104), (6, 0.9861, 0.9131)],
)
def test_ten_by_ten_with_five_equal_alleles(loci, strangers, shared):
    # Vandeputte 2012, Genet Sel Evol 44:36, Table 1: 10 x 10 parents, 5 equal alleles (eq. 2 and eq. 7).
    q_one, q_pair = marker_exclusion(np.full((loci, 5), 0.2), inbreeding=0.0)
    one, pair = combined(q_one), combined(q_pair)
    assert fits_own_alone(one, pair, 10, 10, shared_parents=False) == pytest.approx(strangers, abs=5e-5)
    # .913200 for six loci where the table prints .9131: one unit of its last digit.
    assert fits_own_alone(one, pair, 10, 10) == pytest.approx(shared, abs=1.01e-4)


def test_inbred_lines_two_equal_alleles_by_hand():
    # Lines AA or BB, half each. Child AA or BB (1/4 each): a random pair fits with 1/4; AB (1/2): with 1/2.
    # Pair excluded: 1/2 * 3/4 + 1/2 * 1/2 = 5/8. With the mother known only the father's allele counts: 1/2.
    q_one, q_pair = marker_exclusion(np.array([[0.5, 0.5]]), inbreeding=1.0)
    assert q_pair[0] == pytest.approx(5 / 8, rel=1e-12)
    assert q_one[0] == pytest.approx(1 / 2, rel=1e-12)


def test_a_marker_without_variation_excludes_nothing():
    q_one, q_pair = marker_exclusion(np.array([[1.0, 0.0]]), inbreeding=0.5)
    assert q_one[0] == pytest.approx(0.0, abs=1e-15)
    assert q_pair[0] == pytest.approx(0.0, abs=1e-15)
