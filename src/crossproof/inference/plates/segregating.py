"""A well as one segregating plant of its cross: F2, later generation, backcross, or progeny of an F1 parent.

Such a plant is heterozygous in long pieces of its chromosomes and homozygous in others. Marker by marker that
looks like two plants in one well; along the chromosome it does not. Its likelihood is that of the chains of
`inference.linkage`, with the parents as the lines' tubes show them, and for fixed parents the hybrid and the
selfed plants as their sibs show them.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from crossproof.inference.descents import Kinds, component_tables, relation_chains
from crossproof.inference.lines.panel import FIXED_LINE, UNKNOWN_COPY
from crossproof.inference.linkage import Chains, Route, plan_route
from crossproof.inference.pedigree import gamete_table
from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.model.arrays import Floats

HYBRID, SELF, FATHER_SELFED = 0, 1, 3
"""Places among the relations of `PlateScores.relation_scores`."""
LOG_PRIOR = float(np.log(0.01))
"""Log prior of each segregating relation; the same for all, no source."""


def log_segregating(
    scores: PlateScores, identity: int, state: LineState, first: list[Floats], likelihood: list[Floats]
) -> float:
    """log of the summed prior x P(data of a well | segregating relation), -inf where a parent is unknown.

    `first` per block (relation, marker, genotype): what a plant of the cross may be, given its sibs;
    `likelihood` per block (marker, genotype).
    """
    season = scores.season
    cross = identity - season.n_lines
    if cross < 0 or season.mother[cross] < 0 or season.father[cross] < 0:
        return -np.inf
    parents = int(season.mother[cross]), int(season.father[cross])
    copies = [season.copies[p] if season.copies is not None else (FIXED_LINE, FIXED_LINE) for p in parents]
    kinds = Kinds(copies[0][0] != FIXED_LINE, copies[1][0] != FIXED_LINE)
    chromosome, morgan, emission = [], [], []
    for b, like in enumerate(likelihood):
        block, n = season.blocks[b], scores.nuclear[b]
        if not len(n):
            continue
        if kinds == Kinds():
            tables = first[b][[HYBRID, SELF, SELF, FATHER_SELFED, FATHER_SELFED]]
        else:
            weights = [_states(scores, b, p, c, state) for p, c in zip(parents, copies, strict=True)]
            tables = np.einsum("tabg,ma,mb->tmg", component_tables(block.k, kinds), *weights, optimize=True)
        emission.append(np.einsum("tmg,mg->mt", tables, like))
        chromosome.append(np.full(len(n), -1) if block.chromosome is None else block.chromosome[n])
        morgan.append(np.zeros(len(n)) if block.morgan is None else block.morgan[n])
    if not emission:
        return -np.inf
    route = _route(np.concatenate(chromosome).astype(np.int64).tobytes(), np.concatenate(morgan).tobytes())
    e = np.maximum(np.concatenate(emission), 1e-300)[route.order][:, :, None]
    # Depth tables are not scaled to 1; each marker is brought to scale, so that no pass runs out of it.
    top = e.max(axis=1, keepdims=True)
    e = np.maximum(e / top, 1e-4)
    total = [float(chains.fit(e)[0][0, 0]) for chains in _chains(kinds, route)]
    return float(np.logaddexp.reduce(total) + np.log(top).sum() + LOG_PRIOR)


def _states(scores: PlateScores, b: int, parent: int, copies: tuple[int, int], state: LineState) -> Floats:
    """Distribution of a parent's genotypes, or of ordered pairs of alleles of an F1, (marker, state)."""
    if copies[0] == FIXED_LINE:
        return np.asarray(scores.parent_table(b, np.array([parent]), state)[0])
    gametes = gamete_table(scores.season.blocks[b].k)
    # a line that this plate has no use for otherwise is as unknown here as one that was never typed
    known = [c if c in state.lines else UNKNOWN_COPY for c in copies]
    one, two = scores.parent_table(b, np.array(known), state) @ gametes
    own = scores.parent_table(b, np.array([parent]), state)[0]
    k = gametes.shape[1]
    low, high = np.minimum(*np.indices((k, k))), np.maximum(*np.indices((k, k)))
    pair = one[:, :, None] * two[:, None, :]
    share = pair / np.maximum(pair + pair.transpose(0, 2, 1), 1e-12)
    share[:, np.arange(k), np.arange(k)] = 1.0
    return np.asarray((own[:, high * (high + 1) // 2 + low] * share).reshape(len(own), k * k))


@lru_cache(maxsize=8)
def _route(chromosome: bytes, morgan: bytes) -> Route:
    return plan_route(np.frombuffer(chromosome, dtype=np.int64), np.frombuffer(morgan, dtype=np.float64))


@lru_cache(maxsize=16)
def _chains(kinds: Kinds, route: Route) -> tuple[Chains, ...]:
    """The distinct segregating relations of parents of these kinds."""
    distinct = dict.fromkeys(c for c in relation_chains(kinds) if c.descents)
    return tuple(Chains([c], route) for c in distinct)
