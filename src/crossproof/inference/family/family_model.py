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
without it (on 25 enumerated families, test_family.py, the largest error of a posterior is
0.0002 on average with it and 0.006 without) a plant's call at a marker would be counted twice there, once
through pi_i. These are the messages of belief propagation on the graph plants - markers, so the sum of
`log_evidence` is its Bethe approximation, by which readings of a parent tube are compared. Relations that do
not involve this mother and father send the constant pi_i(r): F_ij(r)/s_ij(r) = 1.

Along a chromosome. F_ij(r; M, P) = sum_c w_ij(r, c) F_c(M, P) over the components c of the relation
(`descents`), and w_ij(r, c) are the cavity weights of its chain along the chromosome (`linkage`): what plant
i's *other* markers say of the copies it carries at marker j. Markers without a place, or far apart, have the
chain's own frequencies for weights, and are independent. With s_ij(r) = sum_{M,P} W_-ij F_ij(r; M,P) steps 1,
2 and 4 stay as they are, and log P(D_i | r) in step 3 is the chain's likelihood.

Everything is in natural logarithms; likelihoods are floored upstream, so no s is 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.descents import Kinds
from crossproof.inference.family.compiled_rounds import CompiledRounds, loops
from crossproof.inference.family.emissions import FamilyBlock, cut_to_chunks, log_product
from crossproof.inference.family.kernel_arrays import Limits
from crossproof.inference.family.parent_stretches import STRETCHES, along_stretches
from crossproof.inference.family.posteriors import (
    ACTIVE_DONORS,
    FADED,
    Posterior,
    Priors,
    Start,
    hybrids_or_selfs,
    likeliest_left_out,
    weighed,
    worth_a_message,
)
from crossproof.inference.family.relation_plan import NEGLIGIBLE, Fit, RelationPlan, plan_relations, route_of
from crossproof.inference.family.solution import Solution
from crossproof.inference.linkage import Chain, Chains, Descent
from crossproof.model.arrays import Floats, Ints

TOLERANCE = 1e-4
EVIDENCE_TOLERANCE = 0.05
"""Natural-log evidence may still move by this when the posteriors have come to rest."""
MAX_ROUNDS = 50
DAMP_AFTER = 8
"""Round from which messages are averaged with the last ones, so that a family cannot swing for ever."""
CHUNK_NUMBERS = 80_000
"""Numbers (mother x father x child genotype x marker x plant) at a time: keeps working arrays in cache."""
COMPILED_NUMBERS = 1_500_000
"""Most of these numbers that a family may have to be judged by compiled loops, which take all at a time."""
REVIVED = 1e-4
"""Posterior at the end at or above which a relation that had been left out is taken back."""
MAX_REVIVALS = 3
"""How often relations may be taken back before the posteriors stand."""


@dataclass(frozen=True)
class _Weighing:
    """Log likelihoods `pair` (live, n) and `donor` (donor, n), the posteriors that they give, and the log of
    the summed prior x likelihood (n,)."""

    pair: Floats
    donor: Floats
    posterior: Posterior
    log_plants: Floats


class Family:
    """A family's plants, under some readings of its parent tubes; `compiled`: by loops where that can be."""

    def __init__(self, blocks: tuple[FamilyBlock, ...], priors: Priors, *, compiled: bool = False) -> None:
        self.blocks = blocks
        self.n = blocks[0].like.shape[1]
        # Relations that cannot occur here are left out of the sums and come back as -inf.
        self.rows = np.flatnonzero(np.isfinite(priors.pair))
        self.n_pair = len(priors.pair)
        self.priors = replace(priors, pair=priors.pair[self.rows])
        nuclear = [b for b in blocks if not b.maternal]
        self.kinds = Kinds(
            any(b.mother_copies is not None for b in nuclear),
            any(b.father_copies is not None for b in nuclear),
        )
        self.route = route_of(nuclear)
        self._compiled = self._loops() if compiled else None
        self.chunks = (
            []
            if self._compiled is not None
            else cut_to_chunks(blocks, self.kinds, self.route.order, CHUNK_NUMBERS)
        )
        self._log_all: dict[int, tuple[Solution, Floats]] = {}
        self._plans: dict[bytes, RelationPlan] = {}
        self._first: Fit | None = None
        self._pollen: Chains | None = None
        if self.kinds.mother:
            self._pollen = Chains([Chain((Descent.GAMETE,), (0, 1))], self.route)
        if self.kinds != Kinds():
            self._stretches = Chains([STRETCHES], self.route)

    def _loops(self) -> CompiledRounds | None:
        """Compiled loops for this family, where there are some for such a family."""
        if not len(self.route.r) or self.kinds != Kinds() or loops() is None:
            return None
        if sum(b.like.size * b.like.shape[2] ** 2 for b in self.blocks) > COMPILED_NUMBERS:
            return None
        return CompiledRounds(self.blocks, self.route, self.rows, self.n_pair)

    def log_all(self, solution: Solution) -> Floats:
        """log of prior x likelihood (n,) of all relations under a solution, with the family's own priors."""
        if id(solution) not in self._log_all:
            pair = self.priors.pair[:, None] + solution.pair[self.rows]
            scores = [pair, self.priors.donor[:, None] + solution.donor, self.priors.flat[None]]
            self._log_all[id(solution)] = solution, np.logaddexp.reduce(np.concatenate(scores), axis=0)
        return self._log_all[id(solution)][1]

    def plan(self, live: Ints) -> RelationPlan:
        """How the pair relations of these rows are judged, made once for each set of them."""
        key = live.tobytes()
        if key not in self._plans:
            self._plans[key] = plan_relations(tuple(self.rows[live].tolist()), self.kinds, self.route)
        return self._plans[key]

    def solve(
        self,
        mother: tuple[Floats, ...],
        father: tuple[Floats, ...],
        *,
        max_rounds: int = MAX_ROUNDS,
        start: Start = Start.ALONE,
        active: Ints | None = None,
        priors: Priors | None = None,
        keep_outside: bool = False,
        within: tuple[tuple[Floats, ...], tuple[Floats, ...]] | None = None,
    ) -> Solution:
        """Judge all plants under one reading of the parents.

        `mother`, `father`: prior (m, n_g) of the parent plant per block, (1-h) consensus + h pool. With
        `max_rounds` 0 the plants are independent of each other and judged with that prior alone.
        `start`: HYBRID_OR_SELF for a reading under which a parent's genotype has to be learned from the
        progeny, HYBRIDS to look for a second solution. With `active` only these
        donors are weighed (the rest come back as -inf): enough to see whether a reading is worth more.
        `priors`: in place of the family's own, `pair` for the relations that can occur only (`rows`).
        `within`: priors of mother and father over a stretch of a chromosome in which one of them is not as
        its line; None where they depart marker by marker alone.
        """
        priors = self.priors if priors is None else priors
        if self._compiled is not None:
            limits = Limits(
                TOLERANCE, EVIDENCE_TOLERANCE, max_rounds, DAMP_AFTER, FADED, ACTIVE_DONORS, REVIVED,
                MAX_REVIVALS, NEGLIGIBLE,
            )  # fmt: skip
            return self._compiled.solve(mother, father, priors, start, limits, active, keep_outside)
        self._begin(mother, father, within)
        every = np.arange(len(priors.donor)) if active is None else active
        all_pairs = np.arange(len(self.rows))
        fit = self._weigh(all_pairs, every, priors)
        rounds, converged, heard = 0, True, active
        if self.n > 1 and max_rounds > 0:
            if start is not Start.ALONE:
                fit = replace(fit, posterior=hybrids_or_selfs(fit.pair, priors, len(every), start))
            fit, heard, rounds, converged = self._at_rest(every, fit, max_rounds, priors)
            if not converged:
                alone = self.solve(
                    mother,
                    father,
                    max_rounds=0,
                    active=active,
                    priors=priors,
                    keep_outside=keep_outside,
                    within=within,
                )
                return replace(alone, rounds=rounds, converged=False)
        if heard is None:
            heard = every[worth_a_message(all_pairs, fit.posterior)[1]]
        full = np.full((self.n_pair, self.n), -np.inf)
        full[self.rows] = fit.pair
        donors = np.full((len(priors.donor), self.n), -np.inf)
        donors[every] = fit.donor
        parents = self._parents()
        evidence = self._evidence(fit.log_plants)
        return Solution(
            full,
            donors,
            heard,
            *parents,
            evidence,
            float(sum(float(c.log_total.sum()) for _, c in self.chunks)),
            rounds,
            converged,
            self._outside() if keep_outside else (),
        )

    def _begin(
        self,
        mother: tuple[Floats, ...],
        father: tuple[Floats, ...],
        within: tuple[tuple[Floats, ...], tuple[Floats, ...]] | None,
    ) -> None:
        """Put every marker's parents at their priors, before any message (see `solve`)."""
        for b, chunk in self.chunks:
            stretch = None if within is None or chunk.maternal else (within[0][b], within[1][b])
            chunk.begin(mother[b], father[b], stretch, STRETCHES.share)
        self._first = None

    def _at_rest(
        self, every: Ints, fit: _Weighing, max_rounds: int, priors: Priors
    ) -> tuple[_Weighing, Ints, int, bool]:
        """Exchange messages from the posteriors of `fit` on until no relation left out of them comes back.

        `every`: donors that are weighed. All relations as they are weighed at the end, the donors in the
        messages, rounds, and whether the messages came to rest.
        """
        rounds, converged = 0, True
        all_pairs = np.arange(len(self.rows))
        live, heard = all_pairs, every
        for _ in range(MAX_REVIVALS):
            keep, place = worth_a_message(live, fit.posterior)
            live, heard = live[keep], heard[place]
            pair, donor, flat = fit.posterior
            start = pair[keep], donor[place], flat
            rounds, converged = self._exchange(live, heard, start, rounds, max_rounds, priors)
            fit = self._weigh(all_pairs, every, priors, final=True)
            back = likeliest_left_out(fit.posterior[0], all_pairs, live)
            back += likeliest_left_out(fit.posterior[1], every, heard)
            if not converged or back < REVIVED:
                break
            live, heard = all_pairs, every
        return fit, heard, rounds, converged

    def _parents(self) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
        """Posteriors (m, n_g) of mother and father per block, as the last messages have them."""
        parents = [(b, *chunk.parents()) for b, chunk in self.chunks]
        blocks = list(enumerate(self.blocks))
        return (
            tuple(_joined([m for b, m, _ in parents if b == i], block) for i, block in blocks),
            tuple(_joined([p for b, _, p in parents if b == i], block) for i, block in blocks),
        )

    def _outside(self) -> tuple[Floats, ...]:
        """W_-ij (pairs, m, n) per block."""
        return tuple(
            np.concatenate(
                [c.joint() for b, c in self.chunks if b == i] or [np.empty((0, 0, self.n))],
                axis=1,
            )
            for i in range(len(self.blocks))
        )

    def _exchange(
        self,
        live: Ints,
        heard: Ints,
        posterior: Posterior,
        rounds: int,
        max_rounds: int,
        priors: Priors,
    ) -> tuple[int, bool]:
        """Pass messages of these pair relations and donors until posteriors and evidence rest."""
        evidence = np.inf
        while rounds < max_rounds:
            rounds += 1
            before = posterior
            self._send(live, heard, before, rounds > DAMP_AFTER)
            fit = self._weigh(live, heard, priors)
            posterior = fit.posterior
            moved = max(float(np.abs(a - b).max(initial=0.0)) for a, b in zip(posterior, before, strict=True))
            # The evidence is that of the messages only once they and the fits made from them agree.
            known, evidence = evidence, self._evidence(fit.log_plants)
            if moved < TOLERANCE and abs(evidence - known) < EVIDENCE_TOLERANCE:
                return rounds, True
        return rounds, False

    def _evidence(self, log_plants: Floats) -> float:
        """Bethe approximation of log P(all data of the family), under the last messages."""
        return float(log_plants.sum() + sum(float(c.log_total.sum()) for _, c in self.chunks))

    def _weigh(self, live: Ints, which: Ints, priors: Priors, *, final: bool = False) -> _Weighing:
        """Judge these pair relations and donors by the messages as they are.

        `final`: chains that cannot matter are known by an upper bound only, from the first weighing of all.
        """
        pair, donor = self._fit(live, which, (self._first, priors) if final and self._first else None)
        self._first = self._first or self._done
        return _Weighing(pair, donor, *weighed(pair, donor, live, which, priors))

    def _fit(
        self, live: Ints, which: Ints, compare: tuple[Fit, Priors] | None = None
    ) -> tuple[Floats, Floats]:
        """Log likelihoods of these pair relations and donors; keeps the fit for the next messages.

        With `compare`, an `earlier` fit of the same relations and their priors, chains that cannot matter are
        known by an upper bound only.
        """
        plan = self.plan(live)
        emission: Floats = np.empty((len(self.route.r), len(plan.components), self.n))
        pair = np.zeros((len(live), self.n))
        donor = np.zeros((len(which), self.n))
        for _, chunk in self.chunks:
            chunk.pollen_emissions()
            if chunk.maternal:
                pair += log_product(chunk.emissions(self.rows[live]), 1)
            else:
                emission[chunk.at] = chunk.emissions(plan.components).transpose(1, 0, 2)
            if chunk.maternal or self._pollen is None:
                chunk.by_donor = chunk.of_donors(which)[:, :, 0]
                donor += log_product(chunk.by_donor, 0)
        if self._pollen is not None:
            for d, one in enumerate(which):
                donor[d] += self._pollen.fit(self._donor_emission(one))[0][0]
        leading, earlier, prior = np.full(self.n, -np.inf), None, pair
        if compare is not None:
            earlier, priors = compare
            prior = priors.pair[live][:, None] + pair
            leading = np.maximum((priors.donor[which][:, None] + donor).max(axis=0), priors.flat)
        self._done = plan.fit(emission, prior, leading, earlier)
        pair += self._done.relations
        return pair, donor

    def _donor_emission(self, one: int) -> Floats:
        """P(D_ij | copy of the mother, this donor) (marker, copy, n) in the order of the route."""
        out = np.empty((len(self.route.r), 2, self.n))
        for _, chunk in self.chunks:
            if not chunk.maternal:
                out[chunk.at] = chunk.of_donors(np.array([one]))[:, 0]
        return out

    def _send(
        self,
        live: Ints,
        heard: Ints,
        posterior: Posterior,
        damp: bool,
    ) -> None:
        """Messages of all plants under these posteriors, and the parents as they then have them."""
        pair, donor, flat = posterior
        plan = self.plan(live)
        emission, passes = self._done.emission, self._done.passes
        if self._done.plan is not plan:
            emission, passes = emission[:, np.searchsorted(self._done.plan.components, plan.components)], []
        weights = plan.weights(emission, pair, passes)
        linked = np.empty((0, 0, 0))
        if self._pollen is not None:
            linked = np.empty((len(self.route.r), 2, len(heard), self.n))
            for d, one in enumerate(heard):
                linked[:, :, d] = self._pollen.cavity(self._donor_emission(one), donor[d][None])
        for _, chunk in self.chunks:
            if chunk.maternal:
                rows = self.rows[live]
                share = pair[:, None] / chunk.emissions(rows)
            else:
                rows = plan.components
                share = weights[chunk.at].transpose(1, 0, 2)
            if chunk.maternal or self._pollen is None:
                own = (
                    chunk.by_donor
                    if chunk.by_donor.shape[1] == len(heard)
                    else chunk.of_donors(heard)[:, :, 0]
                )
                of_donor = (donor / own)[:, None]  # m, copy, donor, n
            else:
                of_donor = linked[chunk.at]
            pollen = np.matmul(chunk.donors[:, heard].transpose(0, 2, 1)[:, None], of_donor)
            chunk.gather(chunk.send(rows, np.ascontiguousarray(share), pollen, flat), damp)
        stretched = [chunk for _, chunk in self.chunks if chunk.priors is not None]
        if stretched:
            along_stretches(self._stretches, stretched)


def _joined(parts: list[Floats], block: FamilyBlock) -> Floats:
    return np.concatenate(parts) if parts else np.empty((0, block.like.shape[2]))
