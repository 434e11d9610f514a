"""Relations as chains of inheritance: which copies a plant carries, and what genotype they make.

A parent plant is *fixed* (an inbred line: both copies alike but for a few markers, and which copy a gamete
carries is a coin at each of these) or *segregating* (an F1: two different copies, and its gametes are
chains). For a segregating parent the two copies are told apart: its genotype is an ordered pair of alleles.

Glossary: `M`, `P` the two parent plants; `component` a way to get a child's two alleles from them, with a
table P(g | M, P): one gamete of each; one gamete of a parent twice (homozygous by descent); two gametes of
one parent. Every relation is a mixture of components, by a `Chain` along each chromosome: in a backcross to
the mother the child is at each marker a mother's self or a hybrid, in an F2 homozygous for the mother's or
the father's allele or a hybrid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from crossproof.inference.linkage import Chain, Descent
from crossproof.inference.pedigree import COPY_RELATIONS, child_of_gametes, gamete_table, union_table
from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import genotype_index

GENERATIONS = (Descent.F2, Descent.F3, Descent.F4, Descent.FIXED)
"""The rows of ADVANCED in `PAIR_RELATIONS`, in their order."""


@dataclass(frozen=True)
class Kinds:
    """Whether the mother and the father are segregating plants."""

    mother: bool = False
    father: bool = False


def copy_gametes(k: int, segregating: bool) -> Floats:
    """Allele of each copy (copy, parent state, allele).

    Fixed parent: one copy, states are genotypes, either allele of a heterozygote with 1/2. Segregating: two
    copies, states are ordered pairs of alleles (first k + second).
    """
    if not segregating:
        return gamete_table(k)[None]
    first, second = np.divmod(np.arange(k * k), k)
    return np.stack([np.eye(k)[first], np.eye(k)[second]])


@cache
def component_tables(k: int, kinds: Kinds) -> Floats:
    """P(child genotype | parents' states) of every component, (component, mother, father, genotype).

    The order: crosses of each copy of the mother with each of the father; then for the mother and for the
    father, fixed: one gamete twice, two gametes; segregating: copies 1 and 1, 1 and 2, 2 and 2.
    """
    mother, father = copy_gametes(k, kinds.mother), copy_gametes(k, kinds.father)
    crosses = [child_of_gametes(m[:, None], f[None]) for m in mother for f in father]
    shape = crosses[0].shape
    of_mother = [np.broadcast_to(t[:, None], shape) for t in _own(mother)]
    of_father = [np.broadcast_to(t[None], shape) for t in _own(father)]
    table = np.stack([*crosses, *of_mother, *of_father])
    table.flags.writeable = False
    return table


def _own(copies: Floats) -> list[Floats]:
    """Children (state, genotype) that have both alleles from one parent."""
    if len(copies) == 1:
        k = copies.shape[2]
        twice = copies[0] @ union_table(k)[np.arange(k), np.arange(k)]
        return [twice, child_of_gametes(copies[0], copies[0])]
    return [child_of_gametes(copies[a], copies[b]) for a, b in ((0, 0), (0, 1), (1, 1))]


@cache
def relation_chains(kinds: Kinds) -> tuple[Chain, ...]:
    """The chain of every row of `PAIR_RELATIONS`; one without descents is its one component everywhere."""
    n_m, n_f = 1 + kinds.mother, 1 + kinds.father
    base_m = n_m * n_f
    base_f = base_m + 2 + kinds.mother
    pick_m = [Descent.GAMETE] if kinds.mother else []
    pick_f = [Descent.GAMETE] if kinds.father else []
    copies_m, copies_f = range(n_m), range(n_f)

    def cross(a: int, b: int) -> int:
        return a * n_f + b

    def twice(base: int, segregating: bool, a: int) -> int:
        return base + 2 * a if segregating else base

    def two(base: int, segregating: bool, a: int, b: int) -> int:
        return base + a + b if segregating else base + 1

    hybrid = Chain((*pick_m, *pick_f), tuple(cross(a, b) for a in copies_m for b in copies_f))
    selfs = [
        Chain((Descent.F2,), (base, base + 1, base + 2)) if segregating else Chain((), (base + 1,))
        for base, segregating in ((base_m, kinds.mother), (base_f, kinds.father))
    ]
    later = [
        Chain(
            (*pick_m, *pick_f, generation),
            tuple(
                c
                for a in copies_m
                for b in copies_f
                for c in (
                    twice(base_m, kinds.mother, a),
                    cross(a, b),
                    twice(base_f, kinds.father, b),
                )
            ),
        )
        for generation in GENERATIONS
    ]
    # the F1's gamete, the gametes that made the F1, and the gamete of the recurrent parent
    to_mother = Chain(
        (*pick_m, *pick_f, *pick_m, Descent.GAMETE),
        tuple(
            c
            for a in copies_m
            for b in copies_f
            for again in copies_m
            for c in (two(base_m, kinds.mother, a, again), cross(again, b))
        ),
    )
    to_father = Chain(
        (*pick_m, *pick_f, *pick_f, Descent.GAMETE),
        tuple(
            c
            for a in copies_m
            for b in copies_f
            for again in copies_f
            for c in (cross(a, again), two(base_f, kinds.father, b, again))
        ),
    )
    return (hybrid, *selfs, *later, to_mother, to_father, hybrid)


@cache
def copy_chains(kinds: Kinds) -> tuple[Chain, ...]:
    """The chain of every row of `COPY_RELATIONS`: the mother's gamete, and one copy of a segregating parent
    from end to end. Rows of a fixed parent are those of a hybrid, and never asked for."""
    n_m, n_f = 1 + kinds.mother, 1 + kinds.father
    pick = (Descent.GAMETE,) if kinds.mother else ()
    out = []
    for side, copy in COPY_RELATIONS:
        if side == 1 or not kinds.mother:
            given = copy if kinds.father and side == 1 else 0
            component = [a * n_f + given for a in range(n_m)]
        else:
            component = [n_m * n_f + a + copy for a in range(n_m)]
        out.append(Chain(pick, tuple(component)))
    return tuple(out)


@cache
def pollen_components(k: int, segregating: bool) -> Floats:
    """Child of a copy of the mother and a pollen allele, (copy, allele, mother's state, genotype)."""
    copies = copy_gametes(k, segregating)
    return np.asarray(np.einsum("csa,abg->cbsg", copies, union_table(k)))


def ordered(k: int) -> Ints:
    """Genotype (k * k,) of each ordered pair of alleles."""
    first, second = np.divmod(np.arange(k * k), k)
    return genotype_index(first, second)


ORDER_DOUBT = 0.01
"""Share by which the order of a heterozygote's alleles is left open, however sure the lines are."""


def order_share(copies: Floats) -> Floats:
    """P(ordered pair | genotype) (m, k * k) from weights of ordered pairs (m, k, k); either order is as
    likely where they tell nothing."""
    k = copies.shape[1]
    other = copies.transpose(0, 2, 1)
    total = copies + other
    share = np.divide(copies, total, out=np.full_like(copies, 0.5), where=total > 0)
    share = (1 - ORDER_DOUBT) * share + ORDER_DOUBT / 2
    share[:, np.arange(k), np.arange(k)] = 1.0
    return np.asarray(share.reshape(len(copies), k * k))


def unordered(k: int) -> Floats:
    """Sums over orders, (k * k, genotype), one-hot."""
    table = np.zeros((k * k, k * (k + 1) // 2))
    table[np.arange(k * k), ordered(k)] = 1.0
    return table


__all__ = [
    "GENERATIONS",
    "Kinds",
    "component_tables",
    "copy_chains",
    "copy_gametes",
    "order_share",
    "ordered",
    "pollen_components",
    "relation_chains",
    "unordered",
]
