"""A row or column that was filled from the one beside it: proposals of the search for a plate's layout.

Beside the wells that fit the neighbour's tag, or the line of the tube there, and not their own, sibs speak: a
well w that holds once more the plant of the well n beside it is what that plant is,

    log sum_r P(r | D_w) P(r | D_n) / pi(r)

with r the relations to the cross of n and pi their shares in that family, as against two plants each for
itself. Two plants of one pod are alike anyway, and only their difference counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.proposals import EVEN, GAIN, Proposal, broad, clipped, make_proposal
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.part_layouts import copied_strip_layouts

PRIOR_COPIED = 1e-3
"""Share of plates with a row or column that was filled from the one beside it. No source."""
FAMILY_WORTH = 4.0
"""Plants that the class prior is worth in the shares of a family."""
LEAST_ODD = 1
"""Fewest wells of the strip that must fit their neighbour's tag and not their own."""


def copied_strips(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Rows and columns that hold what belongs in the one beside them."""
    plate, n = scores.plate, scores.season.n_lines
    calls = plate.n_called >= 0.3 * plate.n_markers
    own = matrix.own(identity)
    odd = clipped(matrix.robust.max(axis=1, initial=-np.inf) - own, matrix) > 2 * GAIN
    tube = (identity >= 0) & (identity < n)
    if odd.sum() < LEAST_ODD or not (identity >= n).any():
        return
    layouts = copied_strip_layouts(plate.format)
    relations: Floats | None = None
    for layout in layouts:
        source = layout.source[plate.position]
        moved = np.flatnonzero((source != plate.position) & (source >= 0))
        beside = plate.well_of_position[source[moved]]
        moved, beside = moved[beside >= 0], beside[beside >= 0]
        plants = (identity[moved] >= n) & (identity[beside] >= n)
        both = plants | (tube[moved] & tube[beside])
        w, of, plants = moved[both], beside[both], plants[both]
        if (odd & calls)[w].sum() < LEAST_ODD:
            continue
        changed = identity.copy()
        changed[w] = identity[of]
        gain = clipped(matrix.table[np.arange(len(identity)), matrix.column(changed)] - own, matrix)
        if (gain[w] > GAIN).sum() < LEAST_ODD:
            continue
        if relations is None:
            relations = relation_posteriors(scores, identity)
        known = calls[w] & calls[of] & plants
        gain[w[known]] += clipped(_alike(scores, relations, identity, w[known], of[known]), matrix)
        if broad(gain, LEAST_ODD):
            proposal = make_proposal(layout.words, gain, PRIOR_COPIED / len(layouts), changed)
            yield replace(proposal, layout=layout, least=EVEN)


def relation_posteriors(scores: PlateScores, identity: Ints) -> Floats:
    """log P(r | data) of every well under every cross of the plate, class prior and all, (well, cross, r)."""
    n, season = scores.season.n_lines, scores.season
    crosses = np.unique(identity[identity >= n]) - n
    state = scores.lines_under(identity)
    every = scores.relation_scores(
        season.mother[crosses], season.father[crosses], np.arange(len(identity)), state
    )
    joint = every + scores.relation_prior()
    return np.asarray(joint - log_sum(joint, axis=2)[..., None])


def _alike(scores: PlateScores, relations: Floats, identity: Ints, wells: Ints, beside: Ints) -> Floats:
    """What likeness to the plant beside it says of each well, in nats, (w,)."""
    n, plate = scores.season.n_lines, scores.plate
    crosses = np.unique(identity[identity >= n])
    prior = np.exp(scores.relation_prior())
    prior = prior / prior.sum()
    out = np.zeros(len(wells))
    for i, (w, v) in enumerate(zip(wells.tolist(), beside.tolist(), strict=True)):
        c = int(np.searchsorted(crosses, identity[v]))
        family = np.flatnonzero(identity == identity[v])
        counts = np.exp(relations[family, c]).sum(axis=0)
        share = (counts + FAMILY_WORTH * prior) / (len(family) + FAMILY_WORTH)
        out[i] = np.logaddexp.reduce(relations[w, c] + relations[v, c] - np.log(share))
        if identity[w] == identity[v] and plate.pods and plate.pods[w] == plate.pods[v]:
            out[i] = min(out[i], 0.0)
    return out
