"""Two pods that seem to have changed tags, or one foreign donor to each: before a row is proposed.

An insect leaves the pollen of one plant in a pod. Where two tags have a mother in common, a pod of the one
with pollen of the other's father looks like a pod of the other. For a pod of cross i, mother m, over its
wells w and lines l,

    V(i) = log share of outcrosses + log mean over l of prod_w [ exp F[w, i] / 2 + P(D_w | m x l) / 2 ]

F as in `tag_scores`: the visitor's pollen served some of the seeds, and they count as one event, not one for
each plant. `swap_odds` are the odds of two pods that changed places with V among all that they can be by
themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.tag_scores import donor_scores, scores_under
from crossproof.model.arrays import Floats, Ints

OUTCROSS = 2
"""Place of outcrosses among the classes."""


def visited(cross: int, wells: Sequence[tuple[Examined, Ints]], season: SeasonTables) -> float:
    """V of one pod, in nats; `wells` of it, called, on each plate. Minus infinity where its mother is
    unknown."""
    lines, mother = np.arange(season.n_lines), int(season.mother[cross])
    if mother < 0 or not len(lines):
        return -np.inf
    by_line: Floats = np.zeros(len(lines))
    for x, mine in wells:
        identity = x.plate.identity
        own = scores_under(x.scores, identity, mine, np.array([cross])).full
        state = x.scores.lines_under(identity, more=lines)
        crossed = donor_scores(x.scores, np.array([mother]), lines, mine, state)[:, 0]
        by_line = by_line + (np.logaddexp(own, crossed) - np.log(2)).sum(axis=0)
    share = float(np.asarray(season.class_prior)[OUTCROSS])
    return float(log_sum(by_line) - np.log(len(lines)) + np.log(max(share, 1e-300)))


def swap_odds(log10_odds: float, alone: Sequence[float], donors: Sequence[float]) -> float:
    """log10 odds that two pods changed places, from those without V, what each is `alone` without it, in
    nats, and V of each."""
    more = np.logaddexp(alone, donors) - np.asarray(alone)
    return float(log10_odds - more.sum() / np.log(10))
