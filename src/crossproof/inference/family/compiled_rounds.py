"""One family by compiled loops: arrays made ready for them, and taken back.

For a family of two fixed parents whose markers are one nuclear block.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import Any

import numpy as np

from crossproof.inference.descents import Kinds, component_tables, pollen_components
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.kernel_arrays import Cells, Fits, Limits, Relations, State, Weights
from crossproof.inference.family.posteriors import Priors, Start, hybrids_or_selfs
from crossproof.inference.family.relation_plan import plan_relations, route_of
from crossproof.inference.family.solution import Solution
from crossproof.inference.linkage import Route
from crossproof.model.arrays import Floats, Ints


@cache
def loops() -> Callable[..., Any] | None:
    """`kernel_solve.solve`, loaded when it is first needed; None where nothing is compiled."""
    try:
        from crossproof.inference.family import kernel_solve
    except ImportError:
        return None
    return kernel_solve.solve


def load() -> None:
    """Have the loops ready by judging two plants at one marker, for processes forked from this one."""
    if loops() is None:
        return
    flat = np.full((1, 3), 1 / 3)
    block = FamilyBlock(2, False, np.full((1, 2, 3), 1 / 3), np.full((1, 1, 2), 1 / 2))
    rounds = CompiledRounds((block,), route_of([block]), np.arange(2), 2)
    priors = Priors(np.zeros(2), np.zeros(1), np.zeros(2))
    limits = Limits(0.0, 0.0, 0, 0, 0.0, 0, 0.0, 0, 0.0)
    rounds.solve((flat,), (flat,), priors, Start.ALONE, limits, None, False)


@lru_cache(maxsize=256)
def relations_of(rows: tuple[int, ...], route: Route) -> tuple[Ints, Relations]:
    """Components of these rows of `PAIR_RELATIONS`, and how the relations are made of them."""
    plan = plan_relations(rows, Kinds(), route)
    linked = np.concatenate([np.empty(0, dtype=np.int64), *(numbers for numbers, _ in plan.groups)])
    most = max((chains.component.shape[1] for _, chains in plan.groups), default=1)
    component = np.zeros((len(linked), most), dtype=np.int64)
    weights = np.zeros((len(linked), most))
    steps = np.zeros((len(route.r), len(linked), most, most))
    done = 0
    for numbers, chains in plan.groups:
        here, own = slice(done, done + len(numbers)), chains.component.shape[1]
        component[here] = chains.component[:, :1]
        component[here, :own] = chains.component
        weights[here, :own] = chains.weights
        steps[:, here, :own, :own] = chains.steps
        done += len(numbers)
    # the states of a chain end with one that occurs
    states = most - (weights[:, ::-1] > 0).argmax(axis=1)
    made = Relations(plan.of_relation, plan.single, linked, states, component, weights, steps, route.start)
    return plan.components, made


@cache
def _tables(k: int) -> tuple[Floats, Floats, Floats]:
    """`tables`, `by_pollen` and `by_mother` of `Cells` for markers of k alleles, all components."""
    tables, pollen = component_tables(k, Kinds()), pollen_components(k, False)[0]  # a, mother, g
    n_g = tables.shape[-1]
    by_mother = np.ascontiguousarray(pollen.transpose(1, 2, 0)).reshape(n_g * n_g, k)
    return tables.reshape(len(tables), n_g * n_g, n_g), np.ascontiguousarray(pollen), by_mother


class CompiledRounds:
    """A family's plants at its markers, all in one of its blocks, and the relations that can occur, `rows` of
    the `n_pair` pair relations."""

    def __init__(self, blocks: tuple[FamilyBlock, ...], route: Route, rows: Ints, n_pair: int) -> None:
        self.blocks, self.rows, self.n_pair = blocks, rows, n_pair
        self.order, self.at = route.order, np.argsort(route.order)
        self.filled = next(b for b, block in enumerate(blocks) if len(block.like))
        block = blocks[self.filled]
        components, self.relations = relations_of(tuple(rows.tolist()), route)
        tables, by_pollen, by_mother = _tables(block.k)
        like = block.like[route.order].reshape(-1, block.like.shape[2])
        donors = np.ascontiguousarray(block.donors[route.order].transpose(0, 2, 1))  # m, a, d
        self.cells = Cells(np.ascontiguousarray(like.T), donors, tables[components], by_pollen, by_mother)

    def solve(
        self,
        mother: tuple[Floats, ...],
        father: tuple[Floats, ...],
        priors: Priors,
        start: Start,
        limits: Limits,
        active: Ints | None,
        keep_outside: bool,
    ) -> Solution:
        """Judge all plants as `Family.solve` does."""
        cells, own = self.cells, Weights(priors.pair, priors.donor, priors.flat)
        if active is not None:
            cells = cells._replace(donors=np.take(cells.donors, active, axis=2))
            own = own._replace(donor=priors.donor[active])
        left, right = (np.ascontiguousarray(x[self.filled][self.order].T) for x in (mother, father))
        prior = (left[:, None] * right[None, :]).reshape(-1, len(self.order))
        state, fits, log_plants, heard, rounds, converged = self._run(cells, prior, own, start, limits)
        if not converged:
            limits = limits._replace(rounds=0)
            state, fits, log_plants, heard, *_ = self._run(cells, prior, own, start, limits)
        n = len(log_plants)
        pair, donor = np.full((self.n_pair, n), -np.inf), fits.donor
        pair[self.rows] = fits.pair
        if active is not None:
            donor = np.full((len(priors.donor), n), -np.inf)
            donor[active] = fits.donor
            heard = active[heard] if limits.rounds > 0 and n > 1 else active
        at = self.at
        total = state.total[:, at]
        joint = np.exp(total - np.maximum.reduce(total))
        joint /= np.add.reduce(joint)
        joint = joint.reshape(len(left), -1, len(at))
        shared = float(np.add.reduce(state.log_total[at]))
        return Solution(
            pair,
            donor,
            heard,
            self._by_block(np.add.reduce(joint, axis=1).T),
            self._by_block(np.add.reduce(joint, axis=0).T),
            float(np.add.reduce(log_plants) + shared),
            shared,
            rounds,
            converged,
            self._outside(state) if keep_outside else (),
        )

    def _run(
        self, cells: Cells, prior: Floats, priors: Weights, start: Start, limits: Limits
    ) -> tuple[State, Fits, Floats, Ints, int, bool]:
        """`kernel_solve.solve` under a prior (p, m) of the parents; what it writes and gives."""
        n, n_x, n_d = len(priors.flat), cells.like.shape[1], len(priors.donor)
        log_prior = np.log(np.maximum(prior, 1e-300))
        outside = np.repeat(prior, n, axis=1)
        state = State(log_prior, outside, np.ones_like(outside), log_prior.copy(), np.zeros(len(self.order)))
        linked, most = self.relations.component.shape
        fits = Fits(
            np.empty((len(cells.tables), n_x)),
            np.empty((linked, len(self.order), most, n)),
            np.empty((len(self.rows), n)),
            np.empty((n_d, n)),
            np.empty((0, cells.donors.shape[1], n_x)),
            np.empty((0, n_x)),
        )
        posterior = Weights(np.zeros((len(self.rows), n)), np.zeros((n_d, n)), np.zeros(n))
        log_plants = np.empty(n)
        solve = loops()
        assert solve is not None
        begun = start is not Start.ALONE and limits.rounds > 0 and n > 1
        if begun:
            first = limits._replace(rounds=0)
            solve(cells, self.relations, state, fits, priors, posterior, log_plants, first, False)
            own = Priors(priors.pair, priors.donor, priors.flat)
            posterior = Weights(*hybrids_or_selfs(fits.pair, own, n_d, start))
        ended = solve(cells, self.relations, state, fits, priors, posterior, log_plants, limits, begun)
        return state, fits, log_plants, *ended

    def _by_block(self, values: Floats) -> tuple[Floats, ...]:
        """Parent posteriors (m, n_g) per block, those without markers with none."""
        return tuple(
            values if b == self.filled else np.empty((0, block.like.shape[2]))
            for b, block in enumerate(self.blocks)
        )

    def _outside(self, state: State) -> tuple[Floats, ...]:
        """W_-ij (pairs, m, n) per block."""
        outside = state.outside.reshape(len(state.outside), len(self.at), -1)
        none = np.empty((0, 0, outside.shape[2]))
        return tuple(outside[:, self.at] if b == self.filled else none for b in range(len(self.blocks)))
