"""How the relations of a family are judged along its chromosomes: which components, in which chains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from crossproof.inference.descents import Kinds, copy_chains, relation_chains
from crossproof.inference.family.emissions import FamilyBlock, log_product
from crossproof.inference.linkage import Chains, Pass, Route, plan_route
from crossproof.model.arrays import Floats, Ints

NEGLIGIBLE = 20.0
"""Natural-log distance from a better explanation at which a relation need not be known exactly."""
SMALL = 3
"""Chains of up to so many states are run together."""


@dataclass(frozen=True)
class Fit:
    """Relations judged by a plan: its `emission` (marker, component, n), log P(D | relation) `relations`
    (R, n), and the passes of its groups."""

    plan: RelationPlan
    emission: Floats
    relations: Floats
    passes: list[Pass | None]


@dataclass(frozen=True)
class RelationPlan:
    """How some pair relations are judged at nuclear markers.

    `components`: those that they are made of; `of_relation` (R,): number of each one's chain among the
    distinct ones; `alone`: relations of chains without descents, `members`: those of each group; `single`
    (s, 2): chain number and column of its component, of chains without descents; `groups`: (chain numbers,
    `Chains` with columns for components) of the others, by number of states.
    """

    components: Ints
    of_relation: Ints
    alone: Ints
    members: tuple[Ints, ...]
    single: Ints
    groups: tuple[tuple[Ints, Chains], ...]

    def fit(self, emission: Floats, prior: Floats, leading: Floats, earlier: Fit | None) -> Fit:
        """log P(D | relation) from emissions (marker, component, n) in the order of the route.

        With an `earlier` fit of the same relations an upper bound serves for those that it leaves NEGLIGIBLE
        for all plants: no path along a chromosome can have gained more than the largest ratio of new and old
        emissions at every marker. `prior` (R, n): log of all else that bears on each relation; `leading`
        (n,): log of prior x likelihood of the best explanation that is none of these relations.
        """
        passes: list[Pass | None] = []
        out = np.zeros((int(self.of_relation.max(initial=-1)) + 1, emission.shape[2]))
        if len(self.single):
            out[self.single[:, 0]] = log_product(emission[:, self.single[:, 1]], 0)
        gained = None
        if earlier is not None and self.groups:
            known = self.alone
            leading = np.maximum(
                leading, (prior[known] + out[self.of_relation[known]]).max(axis=0, initial=-np.inf)
            )
            gained = log_product((emission / earlier.emission).max(axis=1), 0)
        for (numbers, chains), mine in zip(self.groups, self.members, strict=True):
            if gained is not None and earlier is not None:
                bound = earlier.relations[mine] + gained
                if (prior[mine] + bound < leading - NEGLIGIBLE).all():
                    out[self.of_relation[mine]] = bound
                    passes.append(None)
                    continue
            out[numbers], done = chains.fit(emission)
            passes.append(done)
        return Fit(self, emission, np.asarray(out[self.of_relation]), passes)

    def weights(self, emission: Floats, posterior: Floats, passes: list[Pass | None]) -> Floats:
        """Weights of the components in the messages (marker, component, n) for posteriors (R, n).

        `passes`: those of `fit` with the same emissions, used up here; or none.
        """
        total = np.zeros((int(self.of_relation.max(initial=-1)) + 1, emission.shape[2]))
        np.add.at(total, self.of_relation, posterior)
        out = np.zeros_like(emission)
        # every component is the whole of one relation at most
        out[:, self.single[:, 1]] = total[self.single[:, 0]] / emission[:, self.single[:, 1]]
        for i, (numbers, chains) in enumerate(self.groups):
            out += chains.cavity(emission, total[numbers], passes[i] if passes else None)
        return out


@lru_cache(maxsize=256)
def plan_relations(rows: tuple[int, ...], kinds: Kinds, route: Route) -> RelationPlan:
    """The plan of these rows of `PAIR_RELATIONS` and, after them, `COPY_RELATIONS`; families with the same
    markers share it."""
    every = (*relation_chains(kinds), *copy_chains(kinds))
    chains = [every[r] for r in rows]
    distinct = list(dict.fromkeys(chains))
    used = np.array(sorted({c for chain in distinct for c in chain.component}), dtype=np.int64)
    groups = []
    of_size: dict[int, list[int]] = {}
    for i, chain in enumerate(distinct):
        if chain.descents:
            of_size.setdefault(max(len(chain.component), SMALL), []).append(i)
    for _, numbers in sorted(of_size.items()):
        own = [
            replace(distinct[i], component=tuple(np.searchsorted(used, distinct[i].component).tolist()))
            for i in numbers
        ]
        groups.append((np.array(numbers, dtype=np.int64), Chains(own, route)))
    single = np.array(
        [(i, np.searchsorted(used, c.component[0])) for i, c in enumerate(distinct) if not c.descents],
        dtype=np.int64,
    ).reshape(-1, 2)
    of_relation = np.array([distinct.index(c) for c in chains], dtype=np.int64)
    members = tuple(np.flatnonzero(np.isin(of_relation, numbers)) for numbers, _ in groups)
    alone = np.flatnonzero(np.isin(of_relation, single[:, 0]))
    return RelationPlan(used, of_relation, alone, members, single, tuple(groups))


def route_of(blocks: Sequence[FamilyBlock]) -> Route:
    """The route over the markers of nuclear blocks."""
    none = np.empty(0, dtype=np.int64)
    chromosome = [np.full(len(b.like), -1) if b.chromosome is None else b.chromosome for b in blocks]
    morgan = [np.zeros(len(b.like)) if b.morgan is None else b.morgan for b in blocks]
    return _route(
        np.concatenate([none, *chromosome]).tobytes(), np.concatenate([np.empty(0), *morgan]).tobytes()
    )


@lru_cache(maxsize=64)
def _route(chromosome: bytes, morgan: bytes) -> Route:
    return plan_route(np.frombuffer(chromosome, dtype=np.int64), np.frombuffer(morgan, dtype=np.float64))
