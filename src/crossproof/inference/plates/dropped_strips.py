"""Strips of tubes, one column of a plate each, that fell and were put back in another order.

Of k! orders in which the tubes of a strip may come to stand, many look alike:
k! / product of (tubes of one tag)! can be told apart. Two wells of a column that changed
places may be all that shows of it, with odds

    PRIOR_DROPPED / columns / orders that can be told apart  :  prior of these two wells

against two wells alone. A blank among seven sibs shows it by its own place only.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln

from crossproof.inference.plates.doubtful_wells import LEAST_SHARE
from crossproof.inference.plates.proposals import Proposal, misfit_wells
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.model.arrays import Ints

PRIOR_DROPPED = 1e-3
"""Share of plates with a column whose tubes stand in another order. No source."""


def moved_unseen(scores: PlateScores, proposal: Proposal, before: Ints) -> Ints:
    """Plants of the column of two swapped wells that may have changed places as well, among their sibs.

    `before` (well,): identities without the swap.
    """
    plate, none = scores.plate, np.empty(0, dtype=np.int64)
    assert proposal.wells is not None
    a, b = proposal.wells
    if plate.columns[a] != plate.columns[b]:
        return none
    strip = np.flatnonzero(plate.columns == plate.columns[a])
    _, tag, alike = np.unique(before[strip], return_inverse=True, return_counts=True)
    orders = float(np.exp(gammaln(len(strip) + 1) - gammaln(alike + 1).sum()))
    prior = 10.0 ** (proposal.log10_odds - proposal.likelihood)
    odds = PRIOR_DROPPED / len(np.unique(plate.columns)) / orders / prior
    if odds < LEAST_SHARE / (1 - LEAST_SHARE):
        return none
    sibs = (before[strip] >= scores.season.n_lines) & (alike[tag] > 1)
    return np.setdiff1d(strip[sibs], [a, b])


def strip_with_tubes(x: Examined) -> str:
    """The column in which a parent tube changed places and another well does not fit even so, "" if none.

    Its other tubes may stand anywhere in it, and what is judged by them is judged by the wrong line.
    """
    identity, n = x.plate.identity, x.scores.season.n_lines
    misfit = misfit_wells(x.search.matrix, x.search.identity, x.scores)
    for step in x.search.steps:
        if step.wells is None:
            continue
        wells = list(step.wells)
        tube = (identity[wells] >= 0) & (identity[wells] < n)
        columns = x.plate.columns[wells]
        others = misfit & (x.plate.columns == columns[0])
        others[wells] = False
        if tube.any() and columns[0] == columns[1] and others.any():
            return f"column {int(columns[0]) + 1}"
    return ""
