"""A plate's calls at markers of two alleles, as those take them who look at all of its wells at once.

What is made here bounds what wells can say, or equals it but for rounding; none of it goes into a finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Floats, Ints

FACTORS = 8
"""Likelihoods that are multiplied before a logarithm is taken."""


def has_reads(scores: PlateScores) -> bool:
    """Whether there are read depths at any of the plate's markers."""
    return any(b.depths is not None for b in scores.plate.blocks)


@dataclass(frozen=True)
class Calls:
    """Calls of a plate's wells at its markers of two alleles: L(AB), and L(AA) and L(BB) beyond it (marker,
    well); `near` P(AA) and P(BB) of the plant in each well by its calls and the pool, (marker, well) each;
    `low` least log P(calls | one plant), (well,)."""

    het: Floats
    first: Floats
    second: Floats
    near: tuple[Floats, Floats]
    low: Floats


def calls_of(scores: PlateScores, matrix: Matrix, identity: Ints) -> Calls | None:
    """The calls of a plate; None where its reads, or more alleles than two, have to be asked."""
    with_markers = [x for x in scores.likelihood if len(x)]
    if has_reads(scores) or not with_markers or any(x.shape[2] != 3 for x in with_markers):
        return None
    return Calls(*_shares(scores), np.logaddexp(own_about(scores, matrix, identity), matrix.anything))


@lru_cache(maxsize=1)
def _shares(scores: PlateScores) -> tuple[Floats, Floats, Floats, tuple[Floats, Floats]]:
    """All of `Calls` but `low`: the same under all identities, so that who asks next has them at hand."""
    every = np.concatenate([x for x in scores.likelihood if len(x)]).astype(np.float64)
    het = every[:, :, 1]
    return het, every[:, :, 0] - het, every[:, :, 2] - het, _near(scores)


def own_about(scores: PlateScores, matrix: Matrix, identity: Ints) -> Floats:
    """`PlateScores.own_plain` but for rounding, from the matrix where odd tubes do not tell them apart."""
    if (scores.tube & ~scores.kept_tube).any():
        return scores.own_plain(identity)
    column = np.minimum(np.searchsorted(matrix.ids, identity), len(matrix.ids) - 1)
    own = matrix.plain[np.arange(len(identity)), column] if len(matrix.ids) else np.zeros(len(identity))
    return np.where(identity >= 0, own, 0.0)


def plants_of_crosses(scores: PlateScores, identity: Ints, crosses: Ints, state: LineState) -> Floats:
    """What plants of crosses of a plate may be at all markers, (marker, cross, relation, genotype)."""
    n = scores.season.n_lines
    known, tables = _of_all_crosses(scores, identity[identity >= n].tobytes(), state)
    return tables[:, np.searchsorted(known, crosses)]


@lru_cache(maxsize=1)
def _of_all_crosses(scores: PlateScores, plants: bytes, state: LineState) -> tuple[Ints, Floats]:
    """The crosses of plants of these identities, and what the plants of each may be."""
    season, tables = scores.season, []
    crosses = np.unique(np.frombuffer(plants, dtype=np.int64)) - season.n_lines
    for b, x in enumerate(scores.likelihood):
        if len(x):
            parents = (scores.parent_table(b, p[crosses], state) for p in (season.mother, season.father))
            tables.append(scores.cross_table(b, *parents))
    return crosses, np.concatenate(tables, axis=2).transpose(2, 0, 1, 3)


def log_product(x: Floats) -> Floats:
    """Sum of logarithms over the first axis."""
    out = np.zeros(x.shape[1:])
    for start in range(0, len(x), FACTORS):
        out += np.log(np.multiply.reduce(x[start : start + FACTORS], axis=0))
    return out


def _near(scores: PlateScores) -> tuple[Floats, Floats]:
    """`Calls.near`."""
    found = []
    for b, x in enumerate(scores.likelihood):
        if len(x):
            data = x * pool_genotypes(scores.pool_of[b] * 0.98 + 0.02 / x.shape[2], 0.5)[:, None]
            found.append(data / sum_of_last(data, keepdims=True))
    every = np.concatenate(found)
    return every[:, :, 0], every[:, :, 2]
