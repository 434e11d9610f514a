"""The family model: all plants of one cross share the same two parent plants, which are latent.

Glossary (model.md section 4): `M`, `P` genotypes of the actual mother and father plant at marker j; `i`
plant; `r` relation; `L_ij(g)` genotype likelihood; `F_ij(r; M, P) = sum_g L_ij(g) P(g | r, M, P)`; `pi_i(r)`
posterior of plant i's relation; `W_-ij(M, P)` what the prior and the *other* plants say of the parents;
`s_ij(r) = sum_{M,P} W_-ij F_ij(r)`.

The algorithm. Given the relations, markers are independent; given the parents, plants are. So messages run
between them until the class posteriors rest:

1. plant i tells marker j's parents     m_ij(M,P) = sum_r pi_i(r) F_ij(r; M,P) / s_ij(r)
2. the others tell plant i              W_-ij(M,P) ~ P(M) P(P) prod_{l != i} m_lj(M,P)
3. and so                               log P(D_i | r) = sum_j log s_ij(r)
4.                                      pi_i(r) ~ prior(r) P(D_i | r)

Division by s_ij(r) in step 1 takes marker j's own evidence out of pi_i(r) before it is used at marker j:
without it a plant's call at a marker would be counted twice there, once through pi_i. These are the messages
of belief propagation on the graph plants - markers, so the sum of `log_evidence` is its Bethe approximation,
by which readings of a parent tube are compared. Relations that do not involve this mother and father send the
constant pi_i(r): F_ij(r)/s_ij(r) = 1.

Everything is in natural logarithms; likelihoods are floored upstream, so no s is 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.pedigree import maternal_pair_tables, pair_tables, pollen_table

Floats = NDArray[np.float64]

TOLERANCE = 1e-4
EVIDENCE_TOLERANCE = 0.05
"""Natural-log evidence may still move by this when the posteriors have come to rest."""
MAX_ROUNDS = 50
DAMP_AFTER = 8
"""Round from which messages are averaged with the last ones, so that a family cannot swing for ever."""
CHUNK_CELLS = 3000
"""Cells (marker x plant) handled at a time: keeps the working arrays in cache, whatever the family."""
ACTIVE_DONORS = 6
"""Most pollen donors that take part in the messages; all of them are weighed before and after."""


@dataclass(frozen=True)
class FamilyBlock:
    """Evidence of a family at markers of k alleles and one inheritance.

    `like` (m, n, n_g); `donors` (m, D, k): gametes of every possible pollen donor, the last one the pool's.
    """

    k: int
    maternal: bool
    like: Floats
    donors: Floats


@dataclass(frozen=True)
class Priors:
    """Natural-log priors of the relations: `pair` (R,), `donor` (D,), and `flat` (n,), the log of the summed
    prior x likelihood of all relations that do not involve this mother and father."""

    pair: Floats
    donor: Floats
    flat: Floats


@dataclass(frozen=True)
class Solution:
    """`pair` (R, n) and `donor` (D, n): log P(D_i | r); `mother`, `father`: parent posteriors (m, n_g) per
    block; `outside` per block (pairs, m, n): W_-ij, kept only on request."""

    pair: Floats
    donor: Floats
    mother: tuple[Floats, ...]
    father: tuple[Floats, ...]
    log_evidence: float
    rounds: int
    converged: bool
    outside: tuple[Floats, ...]


class _Chunk:
    """Some markers of a block; arrays keep the cells (marker, plant) last and contiguous."""

    def __init__(self, block: FamilyBlock, pick: slice, rows: NDArray[np.int64]) -> None:
        self.pick = pick
        like = np.ascontiguousarray(np.moveaxis(block.like[pick], 2, 0))  # g, m, n
        n_g, m, n = like.shape
        self.n_g, self.m, self.n = n_g, m, n
        tables = (maternal_pair_tables(block.k) if block.maternal else pair_tables(block.k))[rows]
        self.f = (tables.reshape(-1, n_g) @ like.reshape(n_g, -1)).reshape(*tables.shape[:2], m, n)
        if block.maternal:
            self.pollen = np.repeat(like[:, None], block.k, axis=1)
        else:
            table = pollen_table(block.k).reshape(-1, n_g)  # (M, a), g
            self.pollen = (table @ like.reshape(n_g, -1)).reshape(n_g, block.k, m, n)
        self.donors = np.ascontiguousarray(block.donors[pick].transpose(1, 2, 0))  # D, a, m

    def begin(self, mother: Floats, father: Floats) -> None:
        """Forget all messages; the parent plants are known by their priors (block marker, n_g) alone."""
        prior = (mother[self.pick].T[:, None] * father[self.pick].T[None, :]).reshape(-1, self.m)
        self.log_prior = np.log(np.maximum(prior, 1e-300))
        self.outside: Floats = np.repeat(prior[:, :, None], self.n, axis=2)
        self.log_total = np.zeros(self.m)
        self.log_m: Floats | None = None

    def pair_fit(self) -> Floats:
        """log P(D | relation) (R, n) of this chunk; keeps s for the next messages."""
        self.s_pair = np.einsum("pmn,rpmn->rmn", self.outside, self.f)
        return np.asarray(np.log(self.s_pair).sum(axis=1))

    def donor_fit(self, which: NDArray[np.int64]) -> Floats:
        """log P(D | outcross by donor) (donor, n); keeps s for the next messages."""
        mother = self.outside.reshape(self.n_g, self.n_g, self.m, self.n).sum(axis=1)
        by_allele = np.einsum("gmn,gamn->amn", mother, self.pollen)
        self.s_donor = np.einsum("dam,amn->dmn", self.donors[which], by_allele)
        return np.asarray(np.log(self.s_donor).sum(axis=1))

    def send(self, pair: Floats, donor: Floats, which: NDArray[np.int64], flat: Floats) -> Floats:
        """Messages m_ij (pairs, m, n) of posteriors pair (R, n), donor (donor, n), flat (n,)."""
        message = np.einsum("rmn,rpmn->pmn", pair[:, None] / self.s_pair, self.f)
        pollen = np.einsum("dmn,dam->amn", donor[:, None] / self.s_donor, self.donors[which])
        through = np.einsum("amn,gamn->gmn", pollen, self.pollen)
        message += np.repeat(through, self.n_g, axis=0)
        message += flat
        return np.asarray(message)

    def gather(self, message: Floats, damp: bool) -> None:
        """New W_-ij from the messages."""
        log_m = np.log(message)
        if damp and self.log_m is not None:
            log_m = 0.5 * (log_m + self.log_m)
        self.log_m = log_m
        total = self.log_prior + log_m.sum(axis=2)  # pairs, m
        top = total.max(axis=0)
        self.log_total = top + np.log(np.exp(total - top).sum(axis=0))
        outside = total[:, :, None] - log_m
        outside -= outside.max(axis=0)
        np.exp(outside, out=outside)
        outside /= outside.sum(axis=0)
        self.outside = outside

    def parents(self) -> tuple[Floats, Floats]:
        """Posteriors of the mother and the father (m, n_g) given all plants."""
        total = self.log_prior if self.log_m is None else self.log_prior + self.log_m.sum(axis=2)
        joint = np.exp(total - total.max(axis=0))
        joint /= joint.sum(axis=0)
        joint = joint.reshape(self.n_g, self.n_g, self.m)
        return joint.sum(axis=1).T, joint.sum(axis=0).T


class Family:
    """All plants of one family, to be judged under one or several readings of its two parent tubes."""

    def __init__(self, blocks: tuple[FamilyBlock, ...], priors: Priors) -> None:
        self.blocks = blocks
        self.n = blocks[0].like.shape[1]
        # Relations that cannot occur here are left out of the sums and come back as -inf.
        self.rows = np.flatnonzero(np.isfinite(priors.pair))
        self.n_pair = len(priors.pair)
        self.priors = replace(priors, pair=priors.pair[self.rows])
        self.chunks: list[tuple[int, _Chunk]] = []
        for b, block in enumerate(blocks):
            m = block.like.shape[0]
            step = max(1, CHUNK_CELLS // max(self.n, 1))
            for start in range(0, m, step):
                self.chunks.append((b, _Chunk(block, slice(start, min(start + step, m)), self.rows)))

    def solve(
        self,
        mother: tuple[Floats, ...],
        father: tuple[Floats, ...],
        *,
        max_rounds: int = MAX_ROUNDS,
        coherent_start: bool = False,
        keep_outside: bool = False,
    ) -> Solution:
        """Judge all plants under one reading of the parents.

        `mother`, `father`: prior (m, n_g) of the parent plant per block, (1-h) consensus + h pool. With
        `max_rounds` 0 the plants are independent of each other and judged with that prior alone.
        `coherent_start` takes every plant for a hybrid or a self in the first message: the start for a
        reading under which a parent's genotype has to be learned from the progeny.
        """
        chunks, priors = self.chunks, self.priors
        for b, chunk in chunks:
            chunk.begin(mother[b], father[b])
        every = np.arange(len(priors.donor))
        pair, donor = self._fit(every)
        active = _active_donors(pair, donor, priors)
        posterior = _posterior(pair, donor[active], active, priors)
        rounds, converged = 0, True
        if self.n > 1 and max_rounds > 0:
            converged, evidence = False, np.inf
            self._fit(active)
            if coherent_start:
                posterior = _hybrid_or_self(pair, priors, len(active))
            for rounds in range(1, max_rounds + 1):
                before = posterior
                for _, chunk in chunks:
                    chunk.gather(chunk.send(before[0], before[1], active, before[2]), rounds > DAMP_AFTER)
                pair, donor = self._fit(active)
                posterior = _posterior(pair, donor, active, priors)
                moved = max(
                    float(np.abs(a - b).max(initial=0.0)) for a, b in zip(posterior, before, strict=True)
                )
                # The evidence is that of the messages only once they and the fits made from them agree.
                known, evidence = evidence, self._evidence(pair, donor, active)
                if moved < TOLERANCE and abs(evidence - known) < EVIDENCE_TOLERANCE:
                    converged = True
                    break
            if not converged:
                alone = self.solve(mother, father, max_rounds=0, keep_outside=keep_outside)
                return replace(alone, rounds=rounds, converged=False)
            pair, donor = self._fit(every)
        evidence = self._evidence(pair, donor, every)
        parents = [(b, *chunk.parents()) for b, chunk in chunks]
        full = np.full((self.n_pair, self.n), -np.inf)
        full[self.rows] = pair
        every_block = range(len(self.blocks))
        return Solution(
            full,
            donor,
            tuple(_joined([m for b, m, _ in parents if b == i], self.blocks[i]) for i in every_block),
            tuple(_joined([p for b, _, p in parents if b == i], self.blocks[i]) for i in every_block),
            evidence,
            rounds,
            converged,
            tuple(
                np.concatenate([c.outside for b, c in chunks if b == i] or [np.empty((0, 0, self.n))], axis=1)
                for i in every_block
            )
            if keep_outside
            else (),
        )

    def _evidence(self, pair: Floats, donor: Floats, which: NDArray[np.int64]) -> float:
        """Bethe approximation of log P(all data of the family), under the last messages."""
        priors = self.priors
        scores = [priors.pair[:, None] + pair, priors.donor[which][:, None] + donor, priors.flat[None]]
        plants = np.logaddexp.reduce(np.concatenate(scores), axis=0)
        return float(plants.sum() + sum(float(c.log_total.sum()) for _, c in self.chunks))

    def _fit(self, which: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Log likelihoods of all pair relations and of these donors, summed over the chunks."""
        pair = np.zeros((len(self.rows), self.n))
        donor = np.zeros((len(which), self.n))
        for _, chunk in self.chunks:
            pair += chunk.pair_fit()
            donor += chunk.donor_fit(which)
        return pair, donor


def _joined(parts: list[Floats], block: FamilyBlock) -> Floats:
    return np.concatenate(parts) if parts else np.empty((0, block.like.shape[2]))


def _hybrid_or_self(pair: Floats, priors: Priors, n_donors: int) -> tuple[Floats, Floats, Floats]:
    """Posteriors with every plant a hybrid or a self (the first two pair relations)."""
    n = pair.shape[1]
    scores = priors.pair[:2, None] + pair[:2]
    weights = np.exp(scores - scores.max(axis=0))
    both = np.zeros_like(pair)
    both[:2] = weights / weights.sum(axis=0)
    return both, np.zeros((n_donors, n)), np.zeros(n)


def _posterior(
    pair: Floats, donor: Floats, which: NDArray[np.int64], priors: Priors
) -> tuple[Floats, Floats, Floats]:
    """Posteriors of the pair relations (R, n), donors (donor, n) and all other relations together (n,)."""
    scores = np.concatenate(
        [priors.pair[:, None] + pair, priors.donor[which][:, None] + donor, priors.flat[None]]
    )
    scores -= scores.max(axis=0)
    weights = np.exp(scores)
    weights /= weights.sum(axis=0)
    r = len(pair)
    return weights[:r], weights[r:-1], weights[-1]


def _active_donors(pair: Floats, donor: Floats, priors: Priors) -> NDArray[np.int64]:
    """Donors worth a place in the messages: the likeliest of every plant, and always the pool."""
    score = (priors.donor[:, None] + donor) - (priors.pair[:, None] + pair).max(axis=0)
    best = score.max(axis=1)
    best[-1] = np.inf
    return np.sort(np.argsort(-best, kind="stable")[:ACTIVE_DONORS])
