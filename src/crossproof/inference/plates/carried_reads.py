"""What read depths say of DNA carried over from the well beside: `carried_over` with shares of reads.

For a well w with the well v beside it, and the share c of v's DNA among w's reads,

    s(w, v, c) = log sum_r p(r) P(reads_w | r, v, c)  -  log P(reads_w | one plant)

one plant being of its cross, an outcross by any line, one like v, or any plant of the pool. A parent plant
that departs from its line shows its alleles in half of the reads or in all, so sibs need not be asked.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table, pool_genotypes
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.mixtures import SHARES, UNLIKE, depth_table
from crossproof.inference.plates.score_matrix import ODD
from crossproof.inference.plates.scores import N_RELATIONS, LineState, PlateScores
from crossproof.inference.plates.spills import OUTCROSS
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Floats, Ints

CARRIED = SHARES[1:]
"""Shares of the reads that may be those of the well beside."""


def read_gains(scores: PlateScores, identity: Ints, wells: Ints, beside: Ints, state: LineState) -> Floats:
    """s(w, v, c) of plants in `wells`, the wells `beside` them and every share of CARRIED, (pair, share)."""
    pairs = zip(wells.tolist(), beside.tolist(), strict=True)
    return np.array([_gain(scores, int(identity[w]), w, v, state) for w, v in pairs]).reshape(
        -1, len(CARRIED)
    )


def _gain(scores: PlateScores, identity: int, w: int, v: int, state: LineState) -> Floats:
    """s(w, v, c), (share,)."""
    season, prior = scores.season, scores.relation_prior()
    cross = identity - season.n_lines
    mixed, own = np.zeros((len(CARRIED), N_RELATIONS)), np.zeros(N_RELATIONS)
    by_line, other = np.zeros(len(state.lines)), np.zeros(2)
    for b, block in enumerate(scores.plate.blocks):
        if block.depths is None:
            continue
        reads = depth_table(block.depths[scores.nuclear[b], w].astype(np.float64))
        alone, gametes = reads[:, 0, :, 0], gamete_table(block.k)
        pair = (scores.parent_table(b, p[[cross]], state) for p in (season.mother, season.father))
        mother, father = pair
        plants = scores.cross_table(b, mother, father)[0]
        pool = pool_genotypes(scores.pool_of[b] * 0.98 + 0.02 / block.k, 0.5)
        source = scores.likelihood[b][:, v] * pool
        source /= source.sum(axis=1, keepdims=True)
        part = np.einsum("rmx,my,mcxy->crm", plants, source, reads[:, 1:], optimize=True)
        mixed += np.log(part).sum(axis=2)
        own += np.log(sum_of_last(plants * alone)).sum(axis=1)
        pollen = scores.parent_table(b, state.lines, state) @ gametes
        child = child_of_gametes(np.broadcast_to(mother @ gametes, pollen.shape), pollen)
        by_line += np.log(sum_of_last(child * alone)).sum(axis=1)
        like = np.stack([(1 - UNLIKE) * source + UNLIKE * pool, pool])
        other += np.log(sum_of_last(like * alone)).sum(axis=1)
    one = [
        log_sum(own + prior),
        log_sum(by_line) + prior[OUTCROSS] - np.log(len(by_line)),
        *(other + np.log(ODD)),
    ]
    return np.asarray(log_sum(mixed + prior, axis=1) - np.logaddexp.reduce(one))
