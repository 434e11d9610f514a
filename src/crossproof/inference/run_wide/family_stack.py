"""The family model for several families at once, each under one reading of its parents.

Families with the same markers and equally many plants lie side by side in one set of arrays, plants one
family after another. `MarkerChunk` works on cells (marker, plant) and does not ask whose they are; the
parents and the product over a family's own plants are told apart here. Messages go on from where they rested
the last time, if they did: as long as only numbers have changed a little, they rest again after an exchange
or two, at the fixed point that a fresh start leads to.

Glossary: symbols as in `family_model`; `F` families, `n` plants of each, `N` = F n.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.descents import Kinds
from crossproof.inference.family.emissions import FamilyBlock, MarkerChunk, log_product
from crossproof.inference.family.family_model import (
    DAMP_AFTER,
    EVIDENCE_TOLERANCE,
    MAX_REVIVALS,
    REVIVED,
    TOLERANCE,
)
from crossproof.inference.family.posteriors import FADED, Posterior, likeliest_left_out
from crossproof.inference.family.relation_plan import Fit, plan_relations, route_of
from crossproof.model.arrays import Bools, Floats, Ints

MAX_EXCHANGES = 20
"""Exchanges of messages at most."""


@dataclass(frozen=True)
class StackPriors:
    """Natural-log priors of each plant's relations: `pair` (R, N), `donor` (D, N), -inf where a relation
    cannot be, and `flat` (N,) as in `posteriors.Priors`."""

    pair: Floats
    donor: Floats
    flat: Floats


@dataclass(frozen=True)
class Earlier:
    """Where the same families rested under other estimates: `message` per block (pairs, m, N); posteriors
    `pair` (R, N), `donor` (D, N), by which relations were worth a message."""

    message: tuple[Floats, ...]
    pair: Floats
    donor: Floats


@dataclass(frozen=True)
class Rested:
    """Posteriors `pair` (R, N), `donor` (D, N), `flat` (N,); `log_pair` (R, N), `log_donor` (D, N):
    log P(D_i | r), -inf for pair relations that cannot be; `evidence` (F,), natural log; per block: `mother`,
    `father` (m, F, n_g), `outside` (pairs, m, N) W_-ij, `message` (pairs, m, N); `converged` (F,)."""

    pair: Floats
    donor: Floats
    flat: Floats
    log_pair: Floats
    log_donor: Floats
    evidence: Floats
    mother: tuple[Floats, ...]
    father: tuple[Floats, ...]
    outside: tuple[Floats, ...]
    message: tuple[Floats, ...]
    converged: Bools


class _Chunk(MarkerChunk):
    """All markers of a block, for the plants of several families."""

    def __init__(self, block: FamilyBlock, at: Ints, n_families: int) -> None:
        super().__init__(block, slice(None), Kinds(), at)
        self.shape = self.m, n_families, self.n // n_families

    def begin_at(self, mother: Floats, father: Floats, message: Floats | None) -> None:
        """Put the parents at their priors (m, F, n_g) and, where there are any, earlier messages."""
        left, right = mother.transpose(2, 0, 1), father.transpose(2, 0, 1)
        prior = (left[:, None] * right[None, :]).reshape(-1, *self.shape[:2])
        self.log_prior = np.log(np.maximum(prior, 1e-300))  # pairs, m, F
        self.message = None
        cells = (len(prior), self.m, self.n)
        self.gather(np.ones(cells) if message is None else message, damp=False)

    def gather(self, message: Floats, damp: bool) -> None:
        """New W_-ij from the messages (pairs, m, N) of each family's own plants."""
        if damp and self.message is not None:
            message = np.sqrt(message * self.message)
        self.message = message
        own = message.reshape(len(message), *self.shape)
        total = self.log_prior + log_product(own, 3)
        top = total.max(axis=0)
        self.weight = np.exp(total - top)
        scale = self.weight.sum(axis=0)
        self.log_total = (top + np.log(scale)).sum(axis=0)  # F
        self.weight /= scale
        outside = self.weight[..., None] / own
        outside /= outside.sum(axis=0)
        self.outside = outside.reshape(len(outside), -1)

    def both_parents(self) -> tuple[Floats, Floats]:
        """Posteriors of mothers and fathers (m, F, n_g) given all plants."""
        joint = self.weight.reshape(self.n_g, self.n_g, *self.shape[:2])
        return joint.sum(axis=1).transpose(1, 2, 0), joint.sum(axis=0).transpose(1, 2, 0)


class FamilyStack:
    """Families with fixed parents at the same nuclear markers, as many plants in each."""

    def __init__(self, blocks: Sequence[FamilyBlock], n_families: int, priors: StackPriors) -> None:
        """`blocks`: evidence of all plants (N); their donors are those of every family."""
        self.n_families, self.priors = n_families, priors
        self.rows = np.flatnonzero(np.isfinite(priors.pair).any(axis=1))
        self.route = route_of(blocks)
        place = np.empty(len(self.route.order), dtype=np.int64)
        place[self.route.order] = np.arange(len(place))
        ends = np.cumsum([len(b.like) for b in blocks])
        self.chunks = [
            _Chunk(b, place[end - len(b.like) : end], n_families) for b, end in zip(blocks, ends, strict=True)
        ]

    def rest(
        self,
        mother: Sequence[Floats],
        father: Sequence[Floats],
        earlier: Earlier | None = None,
    ) -> Rested:
        """Exchange messages until every family's posteriors and evidence rest.

        `mother`, `father`: priors (m, F, n_g) of the parent plants per block; `earlier`: to go on from.
        """
        for i, chunk in enumerate(self.chunks):
            chunk.begin_at(mother[i], father[i], None if earlier is None else earlier.message[i])
        all_pairs, every = np.arange(len(self.rows)), np.arange(len(self.priors.donor))
        converged = np.zeros(self.n_families, dtype=bool)
        if len(self.priors.flat) == self.n_families:  # a plant alone tells itself nothing of its parents
            return self._rested(*self._weigh(all_pairs, every), ~converged)
        if earlier is None:
            posterior, evidence = self._weigh(all_pairs, every)
            live, heard = _worth_a_message(posterior[0], posterior[1])
            posterior = posterior[0][live], posterior[1][heard], posterior[2]
        else:
            live, heard = _worth_a_message(earlier.pair[self.rows], earlier.donor)
            posterior, evidence = self._weigh(live, heard)
        exchanges, left_out = 0, False
        for _ in range(MAX_REVIVALS):
            while exchanges < MAX_EXCHANGES:
                exchanges += 1
                self._send(live, heard, posterior, exchanges > DAMP_AFTER)
                before, known = posterior, evidence
                posterior, evidence = self._weigh(live, heard)
                converged = self._moved(before, posterior) < TOLERANCE
                converged &= np.abs(evidence - known) < EVIDENCE_TOLERANCE
                if converged.all():
                    break
            posterior, evidence = self._weigh(all_pairs, every)
            back = likeliest_left_out(posterior[0], all_pairs, live)
            back += likeliest_left_out(posterior[1], every, heard)
            left_out = back >= REVIVED
            if not left_out or exchanges >= MAX_EXCHANGES:
                break
            live, heard = all_pairs, every
        return self._rested(posterior, evidence, converged & (not left_out))

    def _rested(self, posterior: Posterior, evidence: Floats, converged: Bools) -> Rested:
        pair, log_pair = np.zeros_like(self.priors.pair), np.full_like(self.priors.pair, -np.inf)
        pair[self.rows], log_pair[self.rows] = posterior[0], self._done.relations
        parents = [c.both_parents() for c in self.chunks]
        messages = [c.message for c in self.chunks if c.message is not None]
        return Rested(
            pair,
            posterior[1],
            posterior[2],
            log_pair,
            self._log_donor,
            evidence,
            tuple(m for m, _ in parents),
            tuple(f for _, f in parents),
            tuple(c.joint() for c in self.chunks),
            tuple(messages),
            converged,
        )

    def _weigh(self, live: Ints, heard: Ints) -> tuple[Posterior, Floats]:
        """Posteriors of these pair relations and donors by the messages as they are; log evidence (F,)."""
        plan = plan_relations(tuple(self.rows[live].tolist()), Kinds(), self.route)
        n = len(self.priors.flat)
        emission = np.empty((len(self.route.r), len(plan.components), n))
        donor = np.zeros((len(heard), n))
        for chunk in self.chunks:
            chunk.pollen_emissions()
            emission[chunk.at] = chunk.emissions(plan.components).transpose(1, 0, 2)
            chunk.by_donor = chunk.of_donors(heard)[:, :, 0]
            donor += log_product(chunk.by_donor, 0)
        self._log_donor = donor
        prior = self.priors.pair[self.rows[live]]
        self._done: Fit = plan.fit(emission, prior, np.full(n, -np.inf), None)
        scores = np.concatenate(
            [prior + self._done.relations, self.priors.donor[heard] + donor, self.priors.flat[None]]
        )
        top = scores.max(axis=0)
        weights = np.exp(scores - top)
        total = weights.sum(axis=0)
        weights /= total
        by_family = (top + np.log(total)).reshape(self.n_families, -1).sum(axis=1)
        evidence = by_family + sum(c.log_total for c in self.chunks)
        return (weights[: len(live)], weights[len(live) : -1], weights[-1]), evidence

    def _moved(self, before: Posterior, now: Posterior) -> Floats:
        """Largest change of a posterior in each family (F,)."""
        moved = np.zeros(len(before[2]))
        for a, b in zip(before, now, strict=True):
            moved = np.maximum(moved, np.abs(a - b).reshape(-1, len(moved)).max(axis=0, initial=0.0))
        return np.asarray(moved.reshape(self.n_families, -1).max(axis=1))

    def _send(self, live: Ints, heard: Ints, posterior: Posterior, damp: bool) -> None:
        """Messages of all plants under these posteriors, and the parents as they then have them."""
        pair, donor, flat = posterior
        plan = plan_relations(tuple(self.rows[live].tolist()), Kinds(), self.route)
        emission, passes = self._done.emission, self._done.passes
        if self._done.plan is not plan:
            emission, passes = emission[:, np.searchsorted(self._done.plan.components, plan.components)], []
        weights = plan.weights(emission, pair, passes)
        for chunk in self.chunks:
            own = chunk.by_donor
            own = own if own.shape[1] == len(heard) else own[:, heard]
            pollen = np.matmul(chunk.donors[:, heard].transpose(0, 2, 1), donor / own)[:, None]
            share = np.ascontiguousarray(weights[chunk.at].transpose(1, 0, 2))
            chunk.gather(chunk.send(plan.components, share, pollen, flat), damp)


def _worth_a_message(pair: Floats, donor: Floats) -> tuple[Ints, Ints]:
    """Pair relations and donors that are worth a message by some plant's posterior, (R, N) and (D, N): hybrid
    and self always, and the pool."""
    likely = donor.max(axis=1) >= FADED
    likely[-1] = True
    return np.flatnonzero((pair.max(axis=1) >= FADED) | (np.arange(len(pair)) < 2)), np.flatnonzero(likely)
