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
from crossproof.inference.family.kernel_arrays import Limits, Relations, Sums
from crossproof.inference.family.posteriors import Priors, Start, hybrids_or_selfs
from crossproof.inference.family.relation_plan import plan_relations, route_of
from crossproof.inference.family.solution import Solution
from crossproof.inference.linkage import Route
from crossproof.inference.pedigree import maternal_pair_tables
from crossproof.inference.short_axes import sum_of_last
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


@cache
def screen_loop() -> Callable[..., Any] | None:
    """`kernel_screen.clearly_best`, likewise."""
    try:
        from crossproof.inference.family import kernel_screen
    except ImportError:
        return None
    return kernel_screen.clearly_best


def load() -> None:
    """Have the loops ready by judging two plants at one marker, for processes forked from this one."""
    screen = screen_loop()
    if loops() is None or screen is None:
        return
    one, none = np.zeros((1, 1), dtype=np.float32), np.zeros(1, dtype=np.int64)
    screen(np.zeros((1, 1, 3), dtype=np.float32), one, one, none, none, np.zeros(1, dtype=bool), 1)
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

    `orders`: per block, its markers in the order in which the loops take them; `numbers`, `values`: arrays
    as `kernel_solve` takes them; `room` (3,): numbers that a family is worked with in all, for each plant,
    and for each plant and donor.
    """

    orders: tuple[Ints, ...]
    numbers: Ints
    values: Floats
    room: tuple[int, int, int]


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
    before = np.cumsum([[0] * len(taken[0]), *taken[:-1]], axis=0, dtype=np.int64)
    sums = [_put_together(each) for each in zip(*parts, strict=True)]
    at = [np.argsort(order) for order in orders]
    numbers, values = _packed(
        [
            np.array(sizes, dtype=np.int64), before, np.concatenate(spots), np.array(rows, dtype=np.int64),
            np.concatenate(at), relations.of_relation, relations.single, relations.linked, relations.states,
            relations.component, relations.start, *(x for each in sums for x in (each.start, each.place)),
        ],
        [*(each.share for each in sums), relations.weights, relations.steps],
    )  # fmt: skip
    pairs = sum(m * n_g**2 for m, _, n_g, _, _ in sizes)
    markers, maternal_markers = sum(m for m, *_ in sizes), sum(m for m, _, maternal in shapes if maternal)
    states = len(components) + relations.component.size
    of_plant = 2 * pairs + states * (markers - maternal_markers) + len(rows) * (3 + maternal_markers) + 2
    return Layout(tuple(orders), numbers, values, (2 * pairs + markers, of_plant, 2))


def _packed(numbers: Sequence[Ints], values: Sequence[Floats]) -> tuple[Ints, Floats]:
    """Arrays end to end, whole numbers and real ones; the first begin with the places where all begin."""
    first = len(numbers) + len(values) + 2
    starts = np.cumsum([first, *(part.size for part in numbers)])
    of_values = np.cumsum([0, *(part.size for part in values)])
    return (
        np.concatenate([starts, of_values, *map(np.ravel, numbers)]),
        np.concatenate(list(map(np.ravel, values))),
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
        self.layout = layout_of(shapes, tuple(rows.tolist()), route)
        ordered = list(zip(own, self.layout.orders, strict=True))
        self.like = end_to_end(
            [block.like[order].reshape(-1, block.like.shape[2]).T for block, order in ordered]
        )
        # m, a, d
        self.donors = end_to_end([block.donors[order].transpose(0, 2, 1) for block, order in ordered])
        self.every = np.arange(own[0].donors.shape[1])

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
        prior = self._prior(mother, father)
        log_prior = np.log(np.maximum(prior, 1e-300))
        weighed = self.every if active is None else active
        n = len(priors.flat)
        moving = limits.rounds > 0 and n > 1
        in_all, of_plant, of_donor = self.layout.room
        work = np.empty(in_all + n * (of_plant + of_donor * len(weighed)))

        def run(limits: Limits, begun: Floats) -> tuple[Any, ...]:
            """What the loops give."""
            solve = loops()
            assert solve is not None
            made = self.layout
            return solve(  # type: ignore[no-any-return]
                made.numbers, made.values, self.like, self.donors, prior, log_prior, priors.pair,
                priors.donor, priors.flat, weighed, np.array(limits), self.n_pair, work, begun,
            )  # fmt: skip

        begun = np.empty((0, n))
        if moving and start is not Start.ALONE:
            fit = run(limits._replace(rounds=0), begun)[0][self.rows]
            begun = hybrids_or_selfs(fit, priors, len(weighed), start)[0]
        pair, donor, heard, weights, totals, log_plants, outside, rounds, converged = run(limits, begun)
        if active is not None:
            heard = active[heard] if moving and converged else active
        mothers, fathers, shared = self._parents(weights, totals)
        return Solution(
            pair,
            donor,
            heard,
            mothers,
            fathers,
            float(np.add.reduce(log_plants) + shared),
            shared,
            rounds,
            converged,
            self._outside(outside.copy(), n) if keep_outside else (),
        )

    def _prior(self, mother: tuple[Floats, ...], father: tuple[Floats, ...]) -> Floats:
        """Prior of both parents (pairs, m), block after block, markers as the loops take them."""
        parts = []
        for b, order in zip(self.filled, self.layout.orders, strict=True):
            left, right = mother[b].take(order, axis=0).T, father[b].take(order, axis=0).T
            both = np.empty((len(left), *right.shape))
            parts.append(np.multiply(left[:, None], right, out=both))
        return end_to_end(parts)

    def _parents(
        self, weights: Floats, totals: Floats
    ) -> tuple[tuple[Floats, ...], tuple[Floats, ...], float]:
        """Posteriors (m, n_g) of mother and father per block, those without markers with none, and the log
        evidence that is shared by all plants."""
        mothers = [np.empty((0, block.like.shape[2])) for block in self.blocks]
        fathers, shared = mothers.copy(), 0.0
        pairs = markers = 0
        for b in self.filled:
            n_m, _, n_g = self.blocks[b].like.shape
            joint = np.exp(weights[pairs : pairs + n_g**2 * n_m]).reshape(n_m, n_g**2)
            joint /= np.add.reduce(joint, axis=1, keepdims=True)
            both = joint.reshape(n_m, n_g, n_g)
            mothers[b], fathers[b] = sum_of_last(both), sum_of_last(both.swapaxes(1, 2))
            shared += float(np.add.reduce(totals[markers : markers + n_m]))
            pairs, markers = pairs + n_g**2 * n_m, markers + n_m
        return tuple(mothers), tuple(fathers), shared

    def _outside(self, outside: Floats, n: int) -> tuple[Floats, ...]:
        """W_-ij (pairs, m, n) per block."""
        out = [np.empty((0, 0, n)) for _ in self.blocks]
        done = 0
        for b, order in zip(self.filled, self.layout.orders, strict=True):
            n_m, _, n_g = self.blocks[b].like.shape
            size = n_g**2 * n_m * n
            out[b] = outside[done : done + size].reshape(n_g**2, n_m, n)[:, np.argsort(order)]
            done += size
        return tuple(out)
