"""Families of a plate that may have a well with two plants, told for the whole plate at once.

`mixtures` compares well by well; few wells of a plate come near its threshold. Here the same sums are made
for all wells of a plate, equal but for rounding: what they pass over, by more than that, is not compared. No
number made here goes into a finding. For plates whose markers have two alleles, and no read depths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import N_RELATIONS, PlateScores
from crossproof.inference.plates.two_allele_calls import (
    Calls,
    calls_of,
    log_product,
    own_about,
    plants_of_crosses,
)
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints

ROUNDING = 1e-6
"""Nats, and probabilities, by which sums that are equal but for rounding may differ."""


@dataclass(frozen=True)
class _Family:
    """What asked wells may hold, their sibs considered: P(AA) and P(BB) (marker, well, relation) each, the
    heterozygous share of it, and log P(calls | relation) with its prior (well, relation)."""

    first: Floats
    second: Floats
    het: Floats
    by_relation: Floats


def families_to_compare(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    called: Bools,
    ask: Bools,
    limit: float,
    outcross: int,
) -> Ints | None:
    """Identities some asked well of which may hold two plants, sorted; None where calls do not suffice.

    `called`, `ask` (well,): with enough calls, and to be looked at; `limit`: nats by which two plants must
    explain a well better than one; `outcross`: the relation that is not expected of a well.
    """
    calls = calls_of(scores, matrix, identity)
    if calls is None:
        return None
    n = scores.season.n_lines
    lines = identity[ask & called & (identity >= 0) & (identity < n)]
    asked = np.flatnonzero(ask & called & (identity >= n))
    if not len(asked):
        return np.unique(lines)
    family = _families(scores, identity, np.flatnonzero(called & (identity >= n)), asked, calls)
    own = np.logaddexp(own_about(scores, matrix, identity)[asked], log_sum(family.by_relation, axis=1))
    one = np.logaddexp(own, matrix.anything[asked])
    may_be = _surprising(scores, family, asked, outcross)
    may_be &= _most_mixed(scores, calls, family, asked) - one >= limit - ROUNDING
    return np.unique(np.concatenate([lines, identity[asked[may_be]]]))


def _families(scores: PlateScores, identity: Ints, wells: Ints, asked: Ints, calls: Calls) -> _Family:
    """`FamilyTables.all_tables` of the asked ones among these wells."""
    state, prior = scores.lines_under(identity), scores.relation_prior()
    crosses, of = np.unique(identity[wells] - scores.season.n_lines, return_inverse=True)
    relation = (scores.own_relations(identity)[wells] + prior).argmax(axis=1)
    base = plants_of_crosses(scores, identity, crosses, state)  # marker, cross, relation, genotype
    like = np.stack([calls.first + calls.het, calls.het, calls.second + calls.het], axis=2)
    post = like[:, wells] * (base[:, of, relation] + 0.02)
    post /= sum_of_last(post, keepdims=True)
    kind = of * N_RELATIONS + relation
    of_kind = (kind[:, None] == np.arange(len(crosses) * N_RELATIONS)).astype(np.float64)
    sums = np.matmul(post.transpose(0, 2, 1), of_kind)  # marker, genotype, kind
    place = np.searchsorted(wells, asked)
    kinds = of[place][:, None] * N_RELATIONS + np.arange(N_RELATIONS)  # well, relation
    own = (relation[place][:, None] == np.arange(N_RELATIONS)).astype(np.float64)
    others = of_kind.sum(axis=0)[kinds] - own
    tables = 2 * base[:, of[place]] + sums.transpose(0, 2, 1)[:, kinds]
    tables -= own[..., None] * post[:, place][:, :, None]
    tables /= (2 + others)[..., None]
    fit = sum_of_last(tables * like[:, asked][:, :, None])
    return _Family(tables[..., 0], tables[..., 2], tables[..., 1], log_product(fit) + prior)


def _surprising(scores: PlateScores, family: _Family, asked: Ints, outcross: int) -> Bools:
    """Wells that may be heterozygous where what they likely are is not, (well,), as `mixtures` asks."""
    codes = np.concatenate(
        [block.codes[n][:, asked] for block, n in zip(scores.plate.blocks, scores.nuclear, strict=True)]
    )
    het, seen = codes == 1, codes < 3
    kept = family.by_relation.copy()
    kept[:, outcross] = -np.inf
    likeliest = kept >= kept.max(axis=1, keepdims=True) - ROUNDING
    odd = (het[..., None] & (family.het < 0.1 + ROUNDING)).sum(axis=0)  # well, relation
    enough = odd >= np.maximum(3, 0.04 * seen.sum(axis=0))[:, None]
    return np.asarray((enough & likeliest).any(axis=1))


def _most_mixed(scores: PlateScores, calls: Calls, family: _Family, asked: Ints) -> Floats:
    """log P(calls | own plant and one of the neighbours, or an unknown plant, each as likely), the most for
    any of these, (well,)."""
    plate = scores.plate
    near = np.abs(plate.rows[asked][:, None] - plate.rows) <= 1
    near &= np.abs(plate.columns[asked][:, None] - plate.columns) <= 1
    near &= plate.placed & (plate.n_called > 0.2 * plate.n_markers)
    near[np.arange(len(asked)), asked] = False
    most = int(near.sum(axis=1).max(initial=0))
    sources = np.full((len(asked), most + 1), len(plate))  # the unknown plant stands last
    w, v = np.nonzero(near)
    sources[w, np.arange(len(w)) - np.searchsorted(w, w)] = v
    # as `mixtures` has it: what it takes for an unknown plant comes to a little less than 1 in all
    pool = np.concatenate([pool_genotypes(q * 0.98 + 0.02 / 3, 0.5) for q in scores.pool_of if len(q)])
    whole = np.ones((len(pool), len(plate) + 1))
    whole[:, -1] = pool.sum(axis=1)
    mixed = calls.het[:, asked][:, :, None, None] * whole[:, sources][..., None]
    for mine, own, beside, g in (
        (family.first, calls.first, calls.near[0], 0),
        (family.second, calls.second, calls.near[1], 2),
    ):
        of_source = np.concatenate([beside, pool[:, g : g + 1]], axis=1)[:, sources]  # marker, well, source
        mixed = mixed + of_source[..., None] * (mine * own[:, asked][..., None])[:, :, None]
    fit = log_sum(log_product(mixed) + scores.relation_prior(), axis=2)  # well, source
    return np.asarray(fit.max(axis=1) - np.log(near.sum(axis=1) + 1))
