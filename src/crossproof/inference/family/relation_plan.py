"""How the relations of a family are judged along its chromosomes: which components, in which chains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.descents import Kinds, relation_chains
from crossproof.inference.family.emissions import FamilyBlock, log_product
from crossproof.inference.linkage import Chains, Route, plan_route
from crossproof.model.arrays import Floats, Ints

SMALL = 3
"""Chains of up to so many states are run together."""


@dataclass(frozen=True)
class RelationPlan:
    """How some pair relations are judged at nuclear markers.

    `components`: those that they are made of; `of_relation` (R,): number of each one's chain among the
    distinct ones; `single` (s, 2): chain number and column of its component, of chains without descents; `groups`:
    (chain numbers, `Chains` with columns for components) of the others, by number of states.
    """

    components: Ints
    of_relation: Ints
    single: Ints
    groups: tuple[tuple[Ints, Chains], ...]

    def fit(self, emission: Floats) -> Floats:
        """log P(D | relation) (R, n) from emissions (marker, component, n) in the order of the route."""
        out = np.zeros((int(self.of_relation.max(initial=-1)) + 1, emission.shape[2]))
        if len(self.single):
            out[self.single[:, 0]] = log_product(emission[:, self.single[:, 1]], 0)
        for numbers, chains in self.groups:
            out[numbers] = chains.fit(emission)
        return np.asarray(out[self.of_relation])

    def weights(self, emission: Floats, posterior: Floats) -> Floats:
        """Weights of the components in the messages (marker, component, n) for posteriors (R, n)."""
        total = np.zeros((int(self.of_relation.max(initial=-1)) + 1, emission.shape[2]))
        np.add.at(total, self.of_relation, posterior)
        out = np.zeros_like(emission)
        # every component is the whole of one relation at most
        out[:, self.single[:, 1]] = total[self.single[:, 0]] / emission[:, self.single[:, 1]]
        for numbers, chains in self.groups:
            out += chains.cavity(emission, total[numbers])
        return out


def plan_relations(rows: Ints, kinds: Kinds, route: Route) -> RelationPlan:
    """The plan of these rows of `PAIR_RELATIONS`."""
    chains = [relation_chains(kinds)[r] for r in rows]
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
    return RelationPlan(
        used, np.array([distinct.index(c) for c in chains], dtype=np.int64), single, tuple(groups)
    )


def route_of(blocks: Sequence[FamilyBlock]) -> Route:
    """The route over the markers of nuclear blocks."""
    none = np.empty(0, dtype=np.int64)
    chromosome = [np.full(len(b.like), -1) if b.chromosome is None else b.chromosome for b in blocks]
    morgan = [np.zeros(len(b.like)) if b.morgan is None else b.morgan for b in blocks]
    return plan_route(np.concatenate([none, *chromosome]), np.concatenate([np.empty(0), *morgan]))
