"""At how many markers plants speak for other parents, or for another tube of one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints


def marker_scores(scores: PlateScores, mother: int, father: int, wells: Ints, state: LineState) -> Floats:
    """log P(data at each marker | likeliest relation to mother x father), (marker, well)."""
    pair = np.array([mother]), np.array([father])
    by_relation = scores.relation_scores(*pair, wells, state)[:, 0] + scores.relation_prior()
    relation = by_relation.argmax(axis=1)
    out = []
    for b, x in enumerate(scores.likelihood):
        table = scores.cross_table(b, *(scores.parent_table(b, p, state) for p in pair))[0][relation]
        out.append(np.log(sum_of_last(table.transpose(1, 0, 2) * x[:, wells])))
    return np.concatenate(out)


def typed_at(lines: Sequence[int], state: LineState) -> Bools:
    """Markers at which the tubes of all these lines say what they are, (marker,), block by block."""
    rows = state.at(np.array(lines, dtype=np.int64))
    return np.concatenate([(np.ptp(e[rows], axis=2) > 1.0).all(axis=0) for e in state.evidence])


def markers_against(scores: PlateScores, identity: Ints, changed: Ints) -> tuple[int, int]:
    """Markers at which the plants of moved tubes' lines speak for `changed`, and against it.

    Over all plants, from 2 nats. Nothing if no tube moves.
    """
    season, n = scores.season, scores.season.n_lines
    moved = identity != changed
    lines = np.unique(np.concatenate([identity[moved], changed[moved]]))
    lines = lines[(lines >= 0) & (lines < n)]
    stay = ~moved & (identity >= n) & (scores.plate.n_called >= 0.3 * scores.plate.n_markers)
    before, after = scores.lines_under(identity), scores.lines_under(changed)
    votes: Floats | float = 0.0
    for i in np.unique(identity[stay]):
        pair = int(season.mother[i - n]), int(season.father[i - n])
        if set(pair) & set(lines.tolist()):
            wells = np.flatnonzero(stay & (identity == i))
            gain = marker_scores(scores, *pair, wells, after) - marker_scores(scores, *pair, wells, before)
            votes = votes + gain.sum(axis=1)
    votes = np.asarray(votes)
    return int((votes > 2.0).sum()), int((votes < -2.0).sum())
