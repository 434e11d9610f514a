"""One family by compiled loops: arrays made ready for them, and taken back.

For a family of two fixed parents.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np

from crossproof.inference.descents import Kinds, component_tables, pollen_components
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.kernel_arrays import (
    GENOTYPES,
    MARKERS,
    OF_MARKERS,
    OF_PAIRS,
    Blocks,
    Fits,
    Limits,
    Relations,
    State,
    Sums,
    Weights,
)
from crossproof.inference.family.posteriors import Priors, Start, hybrids_or_selfs
from crossproof.inference.family.relation_plan import plan_relations, route_of
from crossproof.inference.family.solution import Solution
from crossproof.inference.linkage import Route
from crossproof.inference.pedigree import maternal_pair_tables
from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import n_genotypes


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
def _tables(k: int, maternal: bool) -> tuple[Floats, Floats]:
    """P(g | pair) of all components (c, p, g), or of all relations where markers are of the mother's line
    alone, and P(g | mother, pollen allele) (a, mother, g)."""
    n_g = n_genotypes(k)
    if maternal:
        return maternal_pair_tables(k), np.broadcast_to(np.eye(n_g), (k, n_g, n_g))
    tables = component_tables(k, Kinds())
    return tables.reshape(len(tables), n_g * n_g, n_g), pollen_components(k, False)[0]


def sums_of(tables: Floats, axes: tuple[int, int, int]) -> Sums:
    """Sums over the last of three axes, with a row for each place on the other two; what is 0 is left out."""
    tables = np.ascontiguousarray(tables.transpose(axes))
    rows, places = np.nonzero(tables.reshape(-1, tables.shape[2]))
    start = np.searchsorted(rows, np.arange(tables.shape[0] * tables.shape[1] + 1))
    return Sums(start, places, tables[tables != 0])


def _put_together(sums: Sequence[Sums]) -> Sums:
    """Sums of several blocks as one, all with one more row for their ends."""
    before = np.cumsum([0, *(len(one.place) for one in sums)])
    return Sums(
        np.concatenate([one.start + done for one, done in zip(sums, before.tolist(), strict=False)]),
        np.concatenate([one.place for one in sums]),
        np.concatenate([one.share for one in sums]),
    )


@dataclass(frozen=True)
class Layout:
    """What families have in common that have the same markers and relations, block after block.

    `orders`, `at`: per block, its markers in the order in which the loops take them, and back; the rest as in
    `Blocks`.
    """

    relations: Relations
    n_components: int
    orders: tuple[Ints, ...]
    at: tuple[Ints, ...]
    sizes: Ints
    before: Ints
    spot: Ints
    sums: tuple[Sums, ...]


@lru_cache(maxsize=256)
def layout_of(shapes: tuple[tuple[int, int, bool], ...], rows: tuple[int, ...], route: Route) -> Layout:
    """The layout of blocks with so many markers, alleles, and inherited from the mother alone or not."""
    components, relations = relations_of(rows, route)
    place = np.argsort(route.order)  # of each nuclear marker on the route
    orders, spots, sizes, taken, parts = [], [np.empty(0, dtype=np.int64)], [], [], []
    done = 0
    for m, k, maternal in shapes:
        tables, pollen = _tables(k, maternal)
        tables = tables[list(rows) if maternal else components]
        own = np.arange(m) if maternal else place[done : done + m]
        orders.append(np.argsort(own))
        if not maternal:
            spots.append(own[orders[-1]])
            done += m
        n_g = tables.shape[2]
        sizes.append((m, k, n_g, len(tables), int(maternal)))
        parts.append([sums_of(table, axes) for table in (tables, pollen) for axes in ((0, 2, 1), (1, 2, 0))])
        rows_of = [len(sums.start) for sums in parts[-1]]
        taken.append((m, m * n_g, m * k, m * n_g**2, *rows_of, m * (not maternal), m * maternal))
    return Layout(
        relations,
        len(components),
        tuple(orders),
        tuple(np.argsort(order) for order in orders),
        np.array(sizes, dtype=np.int64),
        np.cumsum([[0] * len(taken[0]), *taken[:-1]], axis=0, dtype=np.int64),
        np.concatenate(spots),
        tuple(_put_together(each) for each in zip(*parts, strict=True)),
    )


def end_to_end(parts: Sequence[Floats]) -> Floats:
    """Arrays of any shape as one of one axis."""
    return np.ravel(parts[0]) if len(parts) == 1 else np.concatenate([np.ravel(part) for part in parts])


class CompiledRounds:
    """A family's plants at its markers and the relations that can occur, `rows` of the `n_pair` pair
    relations."""

    def __init__(self, blocks: tuple[FamilyBlock, ...], route: Route, rows: Ints, n_pair: int) -> None:
        self.blocks, self.rows, self.n_pair = blocks, rows, n_pair
        self.filled = [b for b, block in enumerate(blocks) if len(block.like)]
        own = [blocks[b] for b in self.filled]
        shapes = tuple((len(block.like), block.k, block.maternal) for block in own)
        self.layout = made = layout_of(shapes, tuple(rows.tolist()), route)
        ordered = list(zip(own, made.orders, strict=True))
        like = [block.like[order].reshape(-1, block.like.shape[2]).T for block, order in ordered]
        # m, a, d
        self.donors = [np.ascontiguousarray(b.donors[order].transpose(0, 2, 1)) for b, order in ordered]
        self.arrays = Blocks(
            made.sizes, made.before, made.spot, end_to_end(self.donors), end_to_end(like), *made.sums
        )

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
        arrays, own = self.arrays, Weights(priors.pair, priors.donor, priors.flat)
        if active is not None:
            chosen = [np.take(donors, active, axis=2) for donors in self.donors]
            arrays = arrays._replace(donors=end_to_end(chosen))
            own = own._replace(donor=priors.donor[active])
        prior = []
        for b, order in zip(self.filled, self.layout.orders, strict=True):
            left, right = (np.ascontiguousarray(x[b][order].T) for x in (mother, father))
            prior.append((left[:, None] * right[None, :]).reshape(-1, len(order)))
        states, fits, log_plants, heard, rounds, converged = self._run(arrays, prior, own, start, limits)
        if not converged:
            limits = limits._replace(rounds=0)
            states, fits, log_plants, heard, *_ = self._run(arrays, prior, own, start, limits)
        n = len(log_plants)
        pair, donor = np.full((self.n_pair, n), -np.inf), fits.donor
        pair[self.rows] = _of_pairs(fits)
        if active is not None:
            donor = np.full((len(priors.donor), n), -np.inf)
            donor[active] = fits.donor
            heard = active[heard] if limits.rounds > 0 and n > 1 else active
        parents = [self._parents(states, i) for i in range(len(self.filled))]
        shared = float(sum(x for _, _, x in parents))
        return Solution(
            pair,
            donor,
            heard,
            self._by_block([m for m, _, _ in parents]),
            self._by_block([f for _, f, _ in parents]),
            float(np.add.reduce(log_plants) + shared),
            shared,
            rounds,
            converged,
            self._outside(states, n) if keep_outside else (),
        )

    def _run(
        self, arrays: Blocks, prior: Sequence[Floats], priors: Weights, start: Start, limits: Limits
    ) -> tuple[State, Fits, Floats, Ints, int, bool]:
        """`kernel_solve.solve` under priors (p, m) of the parents per block; what it writes and gives."""
        n, n_d, n_r = len(priors.flat), len(priors.donor), len(self.rows)
        relations, markers = self.layout.relations, int(arrays.sizes[:, MARKERS].sum())
        nuclear = len(arrays.spot)
        log_prior = end_to_end([np.log(np.maximum(p, 1e-300)) for p in prior])
        outside = end_to_end([np.repeat(p, n, axis=1) for p in prior])
        states = State(log_prior, outside, np.ones_like(outside), log_prior.copy(), np.zeros(markers))
        linked, most = relations.component.shape
        fits = Fits(
            np.empty((self.layout.n_components, nuclear * n)),
            np.empty((linked, nuclear, most, n)),
            np.empty((n_r, n)),
            np.empty((n_d, n)),
            np.empty(n_r * (markers - nuclear) * n),
            np.zeros((n_r, n)),
            np.empty(0),
            np.empty(0),
        )
        posterior = Weights(np.zeros((n_r, n)), np.zeros((n_d, n)), np.zeros(n))
        log_plants = np.empty(n)
        solve = loops()
        assert solve is not None
        begun = start is not Start.ALONE and limits.rounds > 0 and n > 1
        if begun:
            first = limits._replace(rounds=0)
            solve(arrays, relations, states, fits, priors, posterior, log_plants, first, False)
            own = Priors(priors.pair, priors.donor, priors.flat)
            posterior = Weights(*hybrids_or_selfs(_of_pairs(fits), own, n_d, start))
        ended = solve(arrays, relations, states, fits, priors, posterior, log_plants, limits, begun)
        return states, fits, log_plants, *ended

    def _parents(self, states: State, i: int) -> tuple[Floats, Floats, Floats]:
        """Posteriors (m, n_g) of mother and father at one of the filled blocks, and its log evidence."""
        at, n_g = self.layout.at[i], int(self.layout.sizes[i, GENOTYPES])
        before = self.layout.before[i]
        total = _part(states.total, before[OF_PAIRS], (n_g**2, len(at)))[:, at]
        joint = np.exp(total - np.maximum.reduce(total))
        joint /= np.add.reduce(joint)
        joint = joint.reshape(n_g, n_g, len(at))
        evidence = np.add.reduce(_part(states.log_total, before[OF_MARKERS], (len(at),))[at])
        return np.add.reduce(joint, axis=1).T, np.add.reduce(joint, axis=0).T, evidence

    def _by_block(self, filled: list[Floats]) -> tuple[Floats, ...]:
        """Parent posteriors (m, n_g) per block, those without markers with none."""
        return tuple(
            filled[self.filled.index(b)] if b in self.filled else np.empty((0, block.like.shape[2]))
            for b, block in enumerate(self.blocks)
        )

    def _outside(self, states: State, n: int) -> tuple[Floats, ...]:
        """W_-ij (pairs, m, n) per block."""
        out = [np.empty((0, 0, n)) for _ in self.blocks]
        for b, at, size, before in zip(
            self.filled, self.layout.at, self.layout.sizes, self.layout.before, strict=True
        ):
            shape = (size[GENOTYPES] ** 2, len(at), n)
            out[b] = _part(states.outside, before[OF_PAIRS] * n, shape)[:, at]
        return tuple(out)


def _part(values: Floats, start: int, shape: tuple[int, ...]) -> Floats:
    """The array of this shape that begins at `start` of those that lie end to end."""
    return values[start : start + int(np.prod(shape))].reshape(shape)


def _of_pairs(fits: Fits) -> Floats:
    """log P(D | r) (r, i) at all markers."""
    return fits.pair + fits.of_maternal if len(fits.maternal) else fits.pair
