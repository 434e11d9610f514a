"""Mendelian tables: hand-worked crosses, symmetries, and published exclusion power."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from crossproof.inference.pedigree import (
    PAIR_RELATIONS,
    child_of_gametes,
    hybrid_table,
    maternal_pair_tables,
    pair_tables,
    pollen_table,
    pool_genotypes,
)
from crossproof.model.genotypes import genotype_alleles, genotype_index
from crossproof.model.results import Relation

ROWS = {
    "hybrid": 0,
    "self": 1,
    "father selfed": 2,
    "F2": 3,
    "F3": 4,
    "F4": 5,
    "fixed": 6,
    "to mother": 7,
    "to father": 8,
    "reciprocal": 9,
}


@pytest.mark.parametrize("k", range(1, 9))
def test_tables_are_distributions(k):
    for table in (pair_tables(k), maternal_pair_tables(k), pollen_table(k)):
        assert table.min() >= 0
        np.testing.assert_allclose(table.sum(axis=-1), 1, rtol=1e-12)


@pytest.mark.parametrize(
    ("relation", "mother", "father", "child"),
    [
        # Mendel by hand; genotypes 0/0, 0/1, 1/1 are 0, 1, 2
        ("hybrid", 0, 2, [0, 1, 0]),
        ("hybrid", 1, 2, [0, 1 / 2, 1 / 2]),
        ("self", 1, 2, [1 / 4, 1 / 2, 1 / 4]),
        ("father selfed", 0, 2, [0, 0, 1]),
        ("F2", 0, 2, [1 / 4, 1 / 2, 1 / 4]),
        ("F3", 0, 2, [3 / 8, 1 / 4, 3 / 8]),
        ("F4", 0, 2, [7 / 16, 1 / 8, 7 / 16]),
        ("fixed", 0, 2, [1 / 2, 0, 1 / 2]),
        # The F1 of 0/1 x 1/1 is half 0/1, half 1/1: selfed, 1/8, 1/4, 1/8 + 1/2
        ("F2", 1, 2, [1 / 8, 1 / 4, 5 / 8]),
        ("to mother", 0, 2, [1 / 2, 1 / 2, 0]),
        ("to father", 0, 2, [0, 1 / 2, 1 / 2]),
        ("reciprocal", 0, 2, [0, 1, 0]),
    ],
)
def test_relations_by_hand(relation, mother, father, child):
    np.testing.assert_allclose(pair_tables(2)[ROWS[relation], mother * 3 + father], child, atol=1e-15)


def test_pollen_by_hand():
    np.testing.assert_allclose(pollen_table(2)[1, 0], [1 / 2, 1 / 2, 0])
    np.testing.assert_allclose(pollen_table(2)[0, 1], [0, 1, 0])


def test_maternal_markers_follow_the_mother_alone():
    tables = maternal_pair_tables(2)
    for row, (relation, _) in enumerate(PAIR_RELATIONS):
        child = tables[row, 0 * 3 + 2]
        if relation in (Relation.FATHER_SELFED, Relation.RECIPROCAL):
            expected = [0, 0, 1]
        elif relation is Relation.BACKCROSS_FATHER:
            expected = [0.5, 0, 0.5]
        else:
            expected = [1, 0, 0]
        np.testing.assert_allclose(child, expected)


@pytest.mark.parametrize("k", [2, 3, 4])
def test_allele_names_do_not_matter(k):
    pairs = genotype_alleles(k)
    n = len(pairs)
    for order in itertools.permutations(range(k)):
        new = genotype_index(np.array(order)[pairs[:, 0]], np.array(order)[pairs[:, 1]])
        tables = pair_tables(k).reshape(-1, n, n, n)
        np.testing.assert_allclose(tables[:, new][:, :, new][:, :, :, new], tables, atol=1e-14)


def test_pool_by_hand():
    q = np.array([0.2, 0.8])
    np.testing.assert_allclose(pool_genotypes(q, 0.0), [0.04, 0.32, 0.64], rtol=1e-12)
    np.testing.assert_allclose(pool_genotypes(q, 1.0), [0.2, 0, 0.8], rtol=1e-12)
    np.testing.assert_allclose(pool_genotypes(q, 0.5), [0.12, 0.16, 0.72], rtol=1e-12)


@pytest.mark.parametrize(
    ("loci", "pairs_only", "with_one_parent"), [(3, 0.3064, 0.1104), (6, 0.9861, 0.9131)]
)
def test_exclusion_power_of_the_tables(loci, pairs_only, with_one_parent):
    # Vandeputte 2012, Genet Sel Evol 44:36, Table 1: the power to assign a child among 10 x 10 parents with 5
    # equally frequent alleles. Q1 excludes a false partner of a true parent, Q3 a pair of false parents, over
    # all loci: equation 2 takes all 99 other pairs for false on both sides, Q3^99; equation 7 is Q1^18 Q3^81.
    k = 5
    child = hybrid_table(k)
    random = pool_genotypes(np.full(k, 1 / k), 0.0)
    possible = (child > 0).astype(float)
    one_false = np.einsum("a,b,c,abg,acg->", random, random, random, child, possible)
    both_false = np.einsum("a,b,c,d,abg,cdg->", *[random] * 4, child, possible)
    q1, q3 = 1 - one_false**loci, 1 - both_false**loci
    assert q3**99 == pytest.approx(pairs_only, abs=1e-4)
    assert q1**18 * q3**81 == pytest.approx(with_one_parent, abs=1.1e-4)


def test_a_child_of_any_gametes_by_hand() -> None:
    # gametes of 3 in 4 allele 0 from the one, 1 in 5 from the other: 0/0, 0/1, 1/1
    left, right = np.array([3 / 4, 1 / 4]), np.array([1 / 5, 4 / 5])
    child = child_of_gametes(left, right)
    np.testing.assert_allclose(child, [3 / 20, 3 / 4 * 4 / 5 + 1 / 4 / 5, 1 / 5], rtol=1e-12)
    many = child_of_gametes(np.stack([left, right])[:, None], np.stack([left, right])[None, :])
    assert many.shape == (2, 2, 3)
    np.testing.assert_allclose(many[0, 1], child, rtol=1e-12)
    np.testing.assert_allclose(many[1, 0], child, rtol=1e-12)
    np.testing.assert_allclose(many[0, 0], [9 / 16, 6 / 16, 1 / 16], rtol=1e-12)


def test_tables_that_all_share_cannot_be_written() -> None:
    for table in (pair_tables(2), maternal_pair_tables(2), pollen_table(2), hybrid_table(2)):
        with pytest.raises(ValueError, match="read-only"):
            table[0] = 0
