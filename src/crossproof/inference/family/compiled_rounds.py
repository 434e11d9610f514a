"""The rounds of messages of one family by compiled loops: arrays made ready for them, and taken back.

For a family of two fixed parents whose markers are one nuclear block.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np

from crossproof.inference.descents import Kinds
from crossproof.inference.family.emissions import FamilyBlock, MarkerChunk
from crossproof.inference.family.kernel_arrays import Cells, Fits, Relations, State, Weights
from crossproof.inference.family.posteriors import Posterior, Priors
from crossproof.inference.family.relation_plan import plan_relations, route_of
from crossproof.inference.linkage import Route
from crossproof.model.arrays import Floats, Ints


@cache
def loops() -> Callable[..., tuple[int, bool]] | None:
    """`kernels.judge`, loaded when it is first needed; None where nothing is compiled."""
    try:
        from crossproof.inference.family import kernels
    except ImportError:
        return None
    return kernels.judge


def load() -> None:
    """Have the loops ready by judging two plants at one marker, for processes forked from this one."""
    if loops() is None:
        return
    flat = np.full((1, 3), 1 / 3)
    block = FamilyBlock(2, False, np.full((1, 2, 3), 1 / 3), np.full((1, 1, 2), 1 / 2))
    route = route_of([block])
    chunk = MarkerChunk(block, slice(0, 1), Kinds(), route.order)
    chunk.begin(flat, flat, None, 0.0)
    rounds = CompiledRounds(chunk, route, np.arange(2))
    rounds.begin()
    rounds.weigh(np.arange(2), np.arange(1), Priors(np.zeros(2), np.zeros(1), np.zeros(2)), 0.0)


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
    made = Relations(plan.of_relation, plan.single, linked, component, weights, steps, route.start)
    return plan.components, made


class CompiledRounds:
    """A family's plants at its markers, in the order of the route; the parents as its plants have them."""

    def __init__(self, chunk: MarkerChunk, route: Route, rows: Ints) -> None:
        self.chunk, self.route, self.rows = chunk, route, rows
        self.m, self.n = chunk.m, chunk.n
        like = chunk.like.reshape(chunk.n_g, chunk.m, chunk.n)[:, route.order]
        self.like = np.ascontiguousarray(like).reshape(chunk.n_g, -1)
        self.donors = np.ascontiguousarray(chunk.donors[route.order].transpose(0, 2, 1))  # m, a, d

    def begin(self) -> None:
        """Take the parents from their priors, as the markers have them."""
        chunk, order = self.chunk, self.route.order
        self._first: Fits | None = None
        self.log_prior = np.ascontiguousarray(chunk.log_prior[:, order])
        outside = chunk.outside.reshape(-1, self.m, self.n)[:, order].reshape(-1, self.m * self.n)
        self.state = State(
            np.ascontiguousarray(outside), np.ones(outside.shape), self.log_prior.copy(), np.zeros(self.m)
        )

    def finish(self) -> None:
        """Give the markers the parents as the last messages have them."""
        chunk, at = self.chunk, self.chunk.at
        chunk.outside = self.state.outside.reshape(-1, self.m, self.n)[:, at].reshape(-1, self.m * self.n)
        chunk.total, chunk.log_total = self.state.total[:, at], self.state.log_total[at]

    def weigh(
        self, live: Ints, which: Ints, priors: Priors, distance: float
    ) -> tuple[Floats, Floats, Posterior, Floats]:
        """Log likelihoods of these pair relations and donors by the messages as they are, the posteriors that
        they give, and the log of the summed prior x likelihood (n,).

        `distance` as in `kernels.bound`, in comparison with the first weighing since `begin`; 0 for that one.
        """
        n = self.n
        none = np.zeros((len(live), n)), np.zeros((len(which), n)), np.zeros(n)
        fits, posterior, log_plants, _ = self._run(live, which, none, priors, (0, 0, 0), (0.0, 0.0, distance))
        if self._first is None:
            self._first = fits
        return fits.pair, fits.donor, (posterior.pair, posterior.donor, posterior.flat), log_plants

    def exchange(
        self,
        live: Ints,
        heard: Ints,
        posterior: Posterior,
        priors: Priors,
        rounds: tuple[int, int, int],
        tolerance: tuple[float, float],
    ) -> tuple[int, bool]:
        """Pass messages as `kernels.judge` does, from these posteriors on."""
        pair, donor, flat = posterior
        own = pair.copy(), donor.copy(), flat.copy()
        *_, ended = self._run(live, heard, own, priors, rounds, (*tolerance, 0.0))
        return ended

    def _run(
        self,
        live: Ints,
        which: Ints,
        posterior: Posterior,
        priors: Priors,
        rounds: tuple[int, int, int],
        limits: tuple[float, float, float],
    ) -> tuple[Fits, Weights, Floats, tuple[int, bool]]:
        """Call `kernels.judge` for these relations and donors; the posteriors are changed."""
        chunk, n, m = self.chunk, self.n, self.m
        components, relations = relations_of(tuple(self.rows[live].tolist()), self.route)
        cells = Cells(
            self.like,
            self.donors if len(which) == self.donors.shape[2] else np.take(self.donors, which, axis=2),
            self.log_prior,
            chunk.tables[components],
            chunk.by_pollen,
            chunk.by_mother,
        )
        fits = Fits(
            np.empty((len(components), m * n)),
            np.empty((len(relations.linked), m, relations.component.shape[1], n)),
            np.empty((m * n, len(which))),
            np.empty((len(live), n)),
            np.empty((len(which), n)),
        )
        own = Weights(priors.pair[live][:, None], priors.donor[which][:, None], priors.flat)
        now, log_plants = Weights(*posterior), np.empty(n)
        judge = loops()
        assert judge is not None
        ended = judge(
            cells, relations, self.state, fits, self._first or fits, own, now, log_plants, rounds, limits
        )
        return fits, now, log_plants, ended
