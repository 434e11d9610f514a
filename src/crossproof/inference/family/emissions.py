"""What the plants of a family say at some markers, given the parents as the other plants show them.

The family model's arithmetic at single markers, symbols as in `family_model`: emissions of the components
that relations are made of, messages back to the parents, and the parents' joint weights. What runs along
chromosomes is in `relation_plan`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.descents import (
    Kinds,
    component_tables,
    order_share,
    ordered,
    pollen_components,
    unordered,
)
from crossproof.inference.pedigree import maternal_pair_tables
from crossproof.model.arrays import Floats, Ints


@dataclass(frozen=True)
class FamilyBlock:
    """Evidence of a family at markers of k alleles and one inheritance.

    `like` (m, n, n_g); `donors` (m, D, k): gametes of every possible pollen donor, the last one the pool's.
    `chromosome` (m,) number, -1 for a marker without a place, and `morgan` (m,) position on it; None: no
    marker has a place. `mother_copies`, `father_copies` (m, k, k): weights of ordered pairs of alleles on the
    two copies of a segregating parent, by which a heterozygote's alleles are told apart; None for a fixed
    parent; the same for all nuclear blocks of a family.
    """

    k: int
    maternal: bool
    like: Floats
    donors: Floats
    chromosome: Ints | None = None
    morgan: Floats | None = None
    mother_copies: Floats | None = None
    father_copies: Floats | None = None


def log_product(values: Floats, axis: int) -> Floats:
    """log of the product over an axis of likelihoods of at least 1e-4, with few logarithms.

    Sixteen factors of that size cannot underflow, so logs are taken of products of sixteen.
    """
    before, m, after = values.shape[:axis], values.shape[axis], values.shape[axis + 1 :]
    if m <= 16:
        return np.asarray(np.log(np.multiply.reduce(values, axis=axis)))
    whole = m // 16 * 16
    every = (slice(None),) * axis
    grouped = np.multiply.reduce(
        values[(*every, slice(whole))].reshape(*before, whole // 16, 16, *after), axis=axis + 1
    )
    total = np.add.reduce(np.log(grouped), axis=axis)
    if whole < m:
        total = total + np.log(np.multiply.reduce(values[(*every, slice(whole, m))], axis=axis))
    return np.asarray(total)


class MarkerChunk:
    """Some markers of a block; arrays keep the cells (marker, plant) last and contiguous.

    A sum over genotypes of L_ij(g) P(g | c, M, P) is formed from the tables and the messages first and meets
    the likelihoods last, so that F_c(M, P) is never stored. Components of a maternal block are its relations.
    A *pair* is a state of the mother and one of the father: genotypes, or ordered pairs of alleles of a
    segregating parent.
    """

    def __init__(self, block: FamilyBlock, pick: slice, kinds: Kinds, at: Ints) -> None:
        self.pick, self.at = pick, at  # at: places on the route
        n_g = block.like.shape[2]
        self.m, self.n, self.n_g, self.k = *block.like[pick].shape[:2], n_g, block.k
        self.maternal = block.maternal
        self.like = np.ascontiguousarray(block.like[pick].reshape(-1, n_g).T)  # g, cell
        if block.maternal:
            self.tables = maternal_pair_tables(block.k)
            pollen = np.repeat(np.eye(n_g)[:, None], block.k, axis=1).transpose(1, 0, 2)[None]
            self.order: tuple[Floats | None, Floats | None] = (None, None)
        else:
            table = component_tables(block.k, kinds)
            self.tables = table.reshape(len(table), -1, n_g)  # component, pair, g
            pollen = pollen_components(block.k, kinds.mother)
            copies = (block.mother_copies, block.father_copies)
            orders = [None if c is None else order_share(c[pick]) for c in copies]
            self.order = (orders[0], orders[1])
        self.states = [n_g if o is None else block.k**2 for o in self.order]
        self.copies, self.k = pollen.shape[0], block.k
        states = pollen.shape[2]
        self.by_pollen = np.ascontiguousarray(pollen.transpose(0, 1, 3, 2)).reshape(-1, states)
        self.by_mother = np.ascontiguousarray(pollen.transpose(2, 3, 0, 1)).reshape(states * n_g, -1)
        self.donors = block.donors[pick]  # m, D, a
        self.by_donor: Floats = np.empty((0, 0, 0))  # m, donor, n: of a fixed mother, as last asked for

    def begin(
        self, mother: Floats, father: Floats, within: tuple[Floats, Floats] | None, share: float
    ) -> None:
        """Forget all messages; the parent plants are known by their priors (block marker, n_g) alone.

        `within`: those priors over a stretch in which a parent is not as its line, `share` the share of such
        stretches; None where that is not asked.
        """
        prior = self._joint_prior(mother, father)
        self.priors: Floats | None = None  # as the line and within a stretch, (2, pairs, m)
        if within is not None:
            self.priors = np.stack([prior, self._joint_prior(*within)])
            prior = np.tensordot([1 - share, share], self.priors, axes=1)
        self.log_prior = np.log(np.maximum(prior, 1e-300))
        self.outside: Floats = np.repeat(prior, self.n, axis=1)  # pairs, cell
        self.log_total = np.zeros(self.m)
        self.total: Floats = self.log_prior
        self.message: Floats | None = None

    def _joint_prior(self, mother: Floats, father: Floats) -> Floats:
        left, right = (
            x[self.pick].T if o is None else (x[self.pick][:, ordered(self.k)] * o).T
            for x, o in zip((mother, father), self.order, strict=True)
        )
        return np.asarray((left[:, None] * right[None, :]).reshape(-1, self.m))

    def emissions(self, components: Ints) -> Floats:
        """P(D_ij | component) (component, m, n), over the parents as the others show them."""
        tables = self.tables[components].transpose(0, 2, 1).reshape(-1, len(self.outside))  # (c, g), pairs
        child = (tables @ self.outside).reshape(len(components), self.n_g, -1)
        out = np.einsum("cgx,gx->cx", child, self.like)
        return np.asarray(out.reshape(len(components), self.m, self.n))

    def pollen_emissions(self) -> None:
        """Find P(D_ij | copy of the mother, pollen allele), `by_allele` (m, copy, allele, n)."""
        mother = self.outside.reshape(self.states[0], self.states[1], -1).sum(axis=1)
        child = (self.by_pollen @ mother).reshape(self.copies * self.k, self.n_g, -1)
        by_allele = np.einsum("agx,gx->ax", child, self.like)
        shape = self.copies, self.k, self.m, self.n
        self.by_allele = np.ascontiguousarray(by_allele.reshape(shape).transpose(2, 0, 1, 3))

    def of_donors(self, which: Ints) -> Floats:
        """P(D_ij | copy of the mother, donor) (m, donor, copy, n)."""
        donors = self.donors if len(which) == self.donors.shape[1] else self.donors[:, which]
        return np.asarray(np.matmul(donors[:, None], self.by_allele).transpose(0, 2, 1, 3))

    def send(self, components: Ints, weights: Floats, pollen: Floats, flat: Floats) -> Floats:
        """Messages m_ij (pairs, m, n) from weights of components (component, m, n) and of pollen (m, copy,
        allele, n), each posterior x cavity weight / s, and flat (n,)."""
        tables = self.tables[components].transpose(1, 2, 0).reshape(-1, len(components))  # (pairs, g), c
        n_m, n_p = self.states
        child = (tables @ weights.reshape(len(components), -1)).reshape(n_m, n_p, self.n_g, -1)
        pollen = pollen.transpose(1, 2, 0, 3).reshape(self.copies * self.k, -1)
        child += (self.by_mother @ pollen).reshape(n_m, 1, self.n_g, -1)
        message = np.einsum("mpgx,gx->mpx", child, self.like).reshape(-1, self.m, self.n)
        message += flat
        return np.asarray(message)

    def gather(self, message: Floats, damp: bool) -> None:
        """New W_-ij from the messages: all of them together, divided by plant i's own."""
        if damp and self.message is not None:
            message = np.sqrt(message * self.message)
        self.message = message
        if self.priors is not None:
            self.said = log_product(message, 2)  # pairs, m
            return
        self.total = self.log_prior + log_product(message, 2)  # pairs, m
        top = self.total.max(axis=0)
        weight = np.exp(self.total - top)
        self.log_total = top + np.log(weight.sum(axis=0))
        # A pair whose weight underflows here cannot come back by leaving one plant out: messages lie between
        # the floor of the likelihoods and its inverse.
        outside = weight[:, :, None] / message
        outside /= outside.sum(axis=0)
        self.outside = outside.reshape(len(outside), -1)

    def stretch_emissions(self) -> tuple[Floats, Floats]:
        """P(what the other plants say | as the line, within a stretch), (m, 2, n + 1), the last column of all
        plants; and the log of each column's scale (m,), the same for all columns of a marker."""
        assert self.priors is not None
        assert self.message is not None
        top = self.said.max(axis=0)
        weight = np.exp(self.said - top)
        rest = np.concatenate([weight[:, :, None] / self.message, weight[:, :, None]], axis=2)
        self.rest = rest  # pairs, m, n + 1
        return np.einsum("spm,pmx->msx", self.priors, rest), top

    def mix(self, weights: Floats) -> None:
        """New W_-ij where states have these weights by the other markers (m, 2, n + 1)."""
        assert self.priors is not None
        prior = np.einsum("spm,msx->pmx", self.priors, weights)
        outside = self.rest * prior
        with np.errstate(divide="ignore"):
            self.total = np.maximum(np.log(prior[:, :, -1]), -690.0) + self.said
        outside = outside[:, :, :-1] / outside[:, :, :-1].sum(axis=0)
        self.outside = outside.reshape(len(outside), -1)

    def parents(self) -> tuple[Floats, Floats]:
        """Posteriors of the mother and the father (m, n_g) given all plants."""
        joint = np.exp(self.total - self.total.max(axis=0))
        joint /= joint.sum(axis=0)
        joint = self._by_genotype(joint.reshape(*self.states, self.m))
        return joint.sum(axis=1).T, joint.sum(axis=0).T

    def joint(self) -> Floats:
        """W_-ij of the parents' genotypes (pairs, m, n)."""
        outside = self._by_genotype(self.outside.reshape(*self.states, -1))
        return outside.reshape(-1, self.m, self.n)

    def _by_genotype(self, joint: Floats) -> Floats:
        """Ordered pairs of alleles summed to genotypes, (mother, father, ...)."""
        if self.order[0] is not None:
            joint = np.tensordot(unordered(self.k).T, joint, axes=(1, 0))
        if self.order[1] is not None:
            joint = np.tensordot(unordered(self.k).T, joint, axes=(1, 1)).swapaxes(0, 1)
        return joint


def cut_to_chunks(
    blocks: Sequence[FamilyBlock], kinds: Kinds, order: Ints, at_a_time: int
) -> list[tuple[int, MarkerChunk]]:
    """Chunks of the markers with their blocks' numbers, each of at most `at_a_time` numbers (mother x father
    x child genotype x marker x plant); `order` (marker,): nuclear marker of each place on the route."""
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    chunks: list[tuple[int, MarkerChunk]] = []
    done = 0
    for b, block in enumerate(blocks):
        m, n, n_g = block.like.shape
        states = n_g * (1 + kinds.mother) * (1 + kinds.father)
        step = max(1, at_a_time // (max(n, 1) * n_g**2 * states))
        for start in range(0, m, step):
            pick = slice(start, min(start + step, m))
            at = np.empty(0, dtype=np.int64) if block.maternal else place[done:][pick]
            chunks.append((b, MarkerChunk(block, pick, kinds, at)))
        done += 0 if block.maternal else m
    return chunks
