"""A hybrid that is as its two parents but for one stretch of a chromosome.

A plant of a fixed line can be heterozygous over a stretch still, and a gamete of it carries the other copy
there or does not. The family model takes such departures marker by marker, each at its own cost, and so takes
for a backcross what is a hybrid everywhere but at a few neighbouring markers. With C the chromosomes, s a
stretch of neighbouring markers of one of them, at which a parent's allele is that of its other copy,

    P(D_i | stretch) = P(D_i | hybrid) x mean over parents, copies, C and s of prod_{j in s} a_ij / h_ij

where h_ij is the likelihood of a hybrid at marker j, the parents being as the family shows them, and a_ij
that of one with the other copy of this parent. The other copy is what the family shows of it, or the pool's,
either way as likely. Every stretch of a chromosome counts alike: its length is not known beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.gathering import Prepared
from crossproof.inference.family.parent_hypotheses import Fault, Readings
from crossproof.inference.family.solution import Solution
from crossproof.inference.lines.panel import Panel
from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import genotype_alleles

STRETCH_SHARE = 0.05
"""* Prior share of hybrids that carry a stretch at which a parent plant was not as its line. No source: of
the gametes of a line that is heterozygous at 2 % of its genome, more have one."""
ODD = 0.95
"""Posterior of hybrid and self together, parents as typed, below which a plant is looked at."""
HYBRID_ROW = 0


def with_stretches(prepared: Prepared, panel: Panel, readings: Readings) -> Readings:
    """The readings with a stretch allowed for in the hybrids of both lines, for plants that are odd without.

    Left as they are where a parent segregates: its chains say which copy a gamete carries.
    """
    odd = np.flatnonzero(readings.plain.sum(axis=1) < ODD)
    family = prepared.family
    if not len(odd) or panel.segregates(family.mother) or panel.segregates(family.father):
        return readings
    blocks = [replace(b, like=b.like[:, odd]) for b in prepared.blocks]
    known: dict[int, Floats] = {}

    def allowed(solution: Solution, mother: int | None, father: int | None) -> Solution:
        """The solution with the hybrids of these versions allowed a stretch."""
        if mother is None or father is None:
            return solution
        if id(solution) not in known:
            gametes, other = [], []
            for b, place, *posteriors in zip(
                prepared.panel_blocks, prepared.places, solution.mother, solution.father, strict=True
            ):
                gametes.append([posterior @ gamete_table(b.k) for posterior in posteriors])
                other.append(
                    [
                        other_copy(posterior, b.gametes[place, v].argmax(axis=1), b.k)
                        for posterior, v in zip(posteriors, (mother, father), strict=True)
                    ]
                )
            known[id(solution)] = log_gain(blocks, gametes, other)
        pair = solution.pair.copy()
        pair[HYBRID_ROW, odd] += np.logaddexp(
            np.log1p(-STRETCH_SHARE), np.log(STRETCH_SHARE) + known[id(solution)]
        )
        return replace(solution, pair=pair)

    as_typed = next((r for r in readings.readings if r.fault is Fault.NONE), None)
    of_lines = (Fault.NONE, Fault.HETEROGENEOUS)
    return replace(
        readings,
        solutions=tuple(
            allowed(s, r.mother, r.father) if r.fault in of_lines else s
            for r, s in zip(readings.readings, readings.solutions, strict=True)
        ),
        typed=readings.typed
        if as_typed is None
        else tuple(allowed(s, as_typed.mother, as_typed.father) for s in readings.typed),
    )


def other_copy(posterior: Floats, allele: Ints, k: int) -> Floats:
    """Alleles (m, k) of the other copy of a parent, one copy being `allele` (m,).

    `posterior` (m, n_g) of the parent; where a genotype has no such allele, either copy may be the other one.
    """
    out = np.zeros((len(posterior), k))
    for g, (a, b) in enumerate(genotype_alleles(k).tolist()):
        share_b = np.where(allele == a, 1.0, np.where(allele == b, 0.0, 0.5))
        out[:, b] += posterior[:, g] * share_b
        out[:, a] += posterior[:, g] * (1 - share_b)
    return out


def log_gain(
    blocks: Sequence[FamilyBlock], gametes: Sequence[Sequence[Floats]], other: Sequence[Sequence[Floats]]
) -> Floats:
    """log of P(D_i | a hybrid but for one stretch) / P(D_i | hybrid), (n,).

    Per block, of mother and father: `gametes`, alleles (m, k) of their gametes, and `other`, those of the
    other copy as the family shows it; the pool's are the last donor of a block. A marker without a place is
    a chromosome of its own; maternal markers say nothing.
    """
    ratios, chromosome, morgan = [], [], []
    for block, (seed, pollen), (other_seed, other_pollen) in zip(blocks, gametes, other, strict=True):
        if block.maternal or not len(block.like):
            continue
        pool = block.donors[:, -1]
        ways = [(seed, pollen), (pool, pollen), (other_seed, pollen), (seed, pool), (seed, other_pollen)]
        children = np.stack([child_of_gametes(*way) for way in ways], axis=2)
        log_fit = np.log(block.like @ children)  # m, n, way
        ratios.append(log_fit[:, :, 1:] - log_fit[:, :, :1])
        m = len(block.like)
        chromosome.append(np.full(m, -1) if block.chromosome is None else block.chromosome)
        morgan.append(np.zeros(m) if block.morgan is None else block.morgan)
    if not ratios:
        return np.zeros(blocks[0].like.shape[1])
    ratio = np.concatenate(ratios)
    pieces = _chromosomes(np.concatenate(chromosome).tobytes(), np.concatenate(morgan).tobytes())
    gains = _mean_stretches(ratio, pieces)  # chromosome, n, way
    total = np.logaddexp.reduce(np.logaddexp.reduce(gains, axis=0), axis=1)
    return np.asarray(total - np.log(len(pieces) * ratio.shape[2]))


@lru_cache(maxsize=64)
def _chromosomes(chromosomes: bytes, morgans: bytes) -> list[Ints]:
    """Markers of every chromosome in their order, kept for families with the same markers."""
    chromosome, morgan = np.frombuffer(chromosomes, dtype=np.int64), np.frombuffer(morgans)
    alone = np.where(chromosome < 0, chromosome.max(initial=0) + 1 + np.arange(len(chromosome)), chromosome)
    order = np.lexsort((morgan, alone))
    return [p for p in np.split(order, np.flatnonzero(np.diff(alone[order])) + 1) if len(p)]


def _mean_stretches(ratio: Floats, pieces: Sequence[Ints]) -> Floats:
    """log of the mean over all stretches of neighbouring markers of prod exp(ratio), (chromosome, ...).

    `ratio` (m, ...); `pieces`: the markers of each chromosome in their order.
    """
    size = np.array([len(piece) for piece in pieces])
    longest_first = np.argsort(-size, kind="stable").tolist()
    total = np.full((len(pieces), *ratio.shape[1:]), -np.inf)
    ending = total.copy()
    for step in range(len(pieces[longest_first[0]])):
        # the chromosomes that go on are the first ones
        going_on = [pieces[c][step] for c in longest_first if step < len(pieces[c])]
        ends, done = ending[: len(going_on)], total[: len(going_on)]
        # of the stretches that end here one begins here, the others go on
        np.logaddexp(ends, 0.0, out=ends)
        ends += ratio[going_on]
        np.logaddexp(done, ends, out=done)
    shape = (-1,) + (1,) * (ratio.ndim - 1)
    in_order = total[np.argsort(longest_first)]
    return np.asarray(in_order - np.log(size * (size + 1) / 2).reshape(shape))
