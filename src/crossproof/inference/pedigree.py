"""Relations as distributions of a child's genotype, tabulated for any number of alleles.

Glossary: `M`, `P` genotypes of the mother and father plant; `pair = M n_g + P`; `g` the child's genotype;
`a`, `b` alleles. Every table's last axis sums to 1. Tables are made once per number of alleles, read-only.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from crossproof.model.arrays import Floats
from crossproof.model.genotypes import allele_dosage, genotype_alleles, genotype_index, n_genotypes
from crossproof.model.results import Relation


def _frozen(table: Floats) -> Floats:
    table.flags.writeable = False
    return table


def gamete_table(k: int) -> Floats:
    """P(allele | parent genotype), (genotype, allele): a gamete carries either copy with probability 1/2."""
    return allele_dosage(k)


@cache
def union_table(k: int) -> Floats:
    """Genotype made by two gametes, (allele, allele, genotype), one-hot."""
    table = np.zeros((k, k, n_genotypes(k)))
    a, b = np.indices((k, k))
    table[a, b, genotype_index(a, b)] = 1
    return _frozen(table)


def child_of_gametes(left: Floats, right: Floats) -> Floats:
    """Child's genotype distribution (..., genotype) from two gamete distributions (..., allele)."""
    k = left.shape[-1]
    if k == 2:  # written out: the same bits as by the table
        out = np.empty((*np.broadcast_shapes(left.shape[:-1], right.shape[:-1]), 3))
        first, second = left[..., 0], left[..., 1]
        np.multiply(first, right[..., 0], out=out[..., 0])
        np.add(first * right[..., 1], second * right[..., 0], out=out[..., 1])
        np.multiply(second, right[..., 1], out=out[..., 2])
        return out
    both = left[..., :, None] * right[..., None, :]
    return np.asarray(both.reshape(*both.shape[:-2], k * k) @ union_table(k).reshape(k * k, -1))


@cache
def self_table(k: int) -> Floats:
    """Progeny of one selfing, (parent genotype, child genotype)."""
    gametes = gamete_table(k)
    return _frozen(child_of_gametes(gametes, gametes))


@cache
def fixed_table(k: int) -> Floats:
    """Limit of selfing for ever, (parent genotype, child genotype): either copy becomes fixed."""
    table = np.zeros((n_genotypes(k), n_genotypes(k)))
    homozygous = genotype_index(np.arange(k), np.arange(k))
    table[:, homozygous] = gamete_table(k)
    return _frozen(table)


@cache
def pollen_table(k: int) -> Floats:
    """Child of a mother genotype and a pollen allele, (mother genotype, pollen allele, child genotype)."""
    gametes = gamete_table(k)
    return _frozen(np.einsum("ma,abg->mbg", gametes, union_table(k)))


@cache
def hybrid_table(k: int) -> Floats:
    """Child of mother x father, (mother genotype, father genotype, child genotype)."""
    gametes = gamete_table(k)
    return _frozen(child_of_gametes(gametes[:, None], gametes[None, :]))


PAIR_RELATIONS: tuple[tuple[Relation, float], ...] = (
    (Relation.HYBRID, 1.0),
    (Relation.SELF, 1.0),
    (Relation.FATHER_SELFED, 1.0),
    (Relation.ADVANCED, 0.25),
    (Relation.ADVANCED, 0.25),
    (Relation.ADVANCED, 0.25),
    (Relation.ADVANCED, 0.25),
    (Relation.BACKCROSS_MOTHER, 1.0),
    (Relation.BACKCROSS_FATHER, 1.0),
    (Relation.RECIPROCAL, 1.0),
)
"""Relations to this mother and father, one row of `pair_tables` each, with the row's share of its relation.
The four rows of ADVANCED are F2, F3, F4 and fixed lines: a plant belongs to one generation at all markers."""

COPY_RELATIONS: tuple[tuple[int, int], ...] = ((0, 0), (0, 1), (1, 0), (1, 1))
"""Further rows where a parent (0 mother, 1 father) is an F1 of typed lines: pollen of the line of its copy
(0 first, 1 second), the plant of the line being as the one that the F1 was made of."""


@cache
def pair_tables(k: int) -> Floats:
    """P(child genotype | mother, father) for every pair relation, (relation, pair, genotype)."""
    n = n_genotypes(k)
    gametes = gamete_table(k)
    f1 = hybrid_table(k)
    selfing = self_table(k)
    of_f1 = (gametes[:, None] + gametes[None, :]) / 2  # gametes of the F1 of each pair
    mother = np.broadcast_to(gametes[:, None], of_f1.shape)
    father = np.broadcast_to(gametes[None, :], of_f1.shape)
    f2 = f1 @ selfing
    f3 = f2 @ selfing
    f4 = f3 @ selfing
    tables = [
        f1,
        np.broadcast_to(selfing[:, None], f1.shape),
        np.broadcast_to(selfing[None, :], f1.shape),
        f2,
        f3,
        f4,
        f1 @ fixed_table(k),
        child_of_gametes(mother, of_f1),
        child_of_gametes(father, of_f1),
        f1,
    ]
    return _frozen(np.stack(tables).reshape(len(tables), n * n, n))


@cache
def maternal_pair_tables(k: int) -> Floats:
    """The same for a marker inherited from the mother only (chloroplast): the child is its mother's copy.

    A backcross to the father has the F1 or the father as its mother, either way as likely. Rows are those of
    `PAIR_RELATIONS`, then those of `COPY_RELATIONS`.
    """
    n = n_genotypes(k)
    of_mother = np.broadcast_to(np.eye(n)[:, None], (n, n, n))
    of_father = np.broadcast_to(np.eye(n)[None, :], (n, n, n))
    either = (of_mother + of_father) / 2
    by_relation = {
        Relation.FATHER_SELFED: of_father,
        Relation.RECIPROCAL: of_father,
        Relation.BACKCROSS_FATHER: either,
    }
    tables = [by_relation.get(relation, of_mother) for relation, _ in PAIR_RELATIONS]
    tables += [of_mother] * len(COPY_RELATIONS)
    return _frozen(np.stack(tables).reshape(len(tables), n * n, n))


def pool_genotypes(q: Floats, inbreeding: float) -> Floats:
    """Genotype distribution (..., genotype) of a plant of the pool with allele frequencies q (..., allele).

    (1-F) HWE(q) + F homozygous(q), F = `inbreeding`.
    """
    k = q.shape[-1]
    pairs = genotype_alleles(k).astype(np.int64)
    a, b = pairs[:, 0], pairs[:, 1]
    same = a == b
    hwe = np.where(same, 1.0, 2.0) * q[..., a] * q[..., b]
    return np.asarray((1 - inbreeding) * hwe + inbreeding * np.where(same, q[..., a], 0.0))
