"""Plants of a plate that stand in another order than its sheet lists them: how likely, and which.

Of n plants called, k stand in the places of one another, and any k in any order are as likely: n! / (n - k)!
ways. Against all that each can be by itself in its own well (T of `tag_scores`),

    log odds = sum over moved wells w of (T[w, tag of the row that it holds] - T[w, own tag])
               - log [n! / (n - k)!] + sum over tags of log (rows of the tag that moved)! + log prior

the factorials of tags because rows of one cross are interchangeable: it does not matter which of them a well
holds. The best assignment of wells to rows is found with log n a moved well (Kuhn-Munkres, scipy).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.special import gammaln

from crossproof.inference.plates.proposals import GAIN
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.inference.plates.well_pairs import count_called, loose_plants
from crossproof.model.arrays import Bools, Ints

PRIOR_DISORDER = 0.02
"""Share of plates some of whose plants stand in another order than the sheet says. No source."""
NO_DISORDER = float("-inf")


@dataclass(frozen=True)
class Disorder:
    """Wells that hold one another's rows, and the log10 odds that they do."""

    wells: Ints
    log10_odds: float


def disorder(scores: PlateScores, matrix: Matrix, identity: Ints, open_wells: Bools) -> Disorder:
    """The likeliest set of plants that stand in one another's places; none has odds of minus infinity.

    `open_wells` (well,): those of which no finding says what they hold.
    """
    loose = open_plants(scores, matrix, identity, open_wells)
    if len(loose) < 2:
        return Disorder(loose[:0], NO_DISORDER)
    tags, tag = tag_scores(scores, matrix, identity, loose), identity[loose] - scores.season.n_lines
    plants = count_called(scores, identity)
    moved = np.zeros(len(loose), dtype=bool)
    for _ in range(3):  # the share of stray seed is that of the plants that stay
        stray = tags.stray(tag, plants - int(moved.sum()), scores.strays_elsewhere, np.flatnonzero(~moved))
        fit = tags.under(stray)[:, np.searchsorted(tags.crosses, tag)]
        gain = fit - np.diag(fit)[:, None]
        cost = np.where(tag[:, None] == tag[None, :], 0.0, gain - np.log(plants))
        row, column = linear_sum_assignment(cost, maximize=True)
        before, moved = moved, tag[row] != tag[column]
        if (before == moved).all():
            break
    k = int(moved.sum())
    if k < 2:
        return Disorder(loose[:0], NO_DISORDER)
    ways = gammaln(plants + 1) - gammaln(plants - k + 1)
    alike = gammaln(np.unique(tag[column[moved]], return_counts=True)[1] + 1).sum()
    log_odds = gain[row, column][moved].sum() - ways + alike + np.log(PRIOR_DISORDER / max(plants, 2))
    return Disorder(loose[moved], float(log_odds / np.log(10)))


def open_plants(scores: PlateScores, matrix: Matrix, identity: Ints, open_wells: Bools) -> Ints:
    """Called plants that something else explains better than their tags, and that no finding explains."""
    loose = loose_plants(scores, matrix, identity)
    called = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    return np.asarray(loose[(called & open_wells)[loose]])


def fit_another_tag(scores: PlateScores, matrix: Matrix, identity: Ints, open_wells: Bools) -> Ints:
    """Wells whose plants fit another tag of the plate better than their own, if any does so by log n; as
    `disorder`.

    Plants that came under their tag may fit another a little better, as an outcross by its father does.
    """
    loose = open_plants(scores, matrix, identity, open_wells)
    if not len(loose):
        return loose
    plants = count_called(scores, identity)
    tags, tag = tag_scores(scores, matrix, identity, loose), identity[loose] - scores.season.n_lines
    fit = tags.under(tags.stray(tag, plants, scores.strays_elsewhere))
    gain = fit.max(axis=1) - fit[np.arange(len(loose)), np.searchsorted(tags.crosses, tag)]
    return np.asarray(loose[(gain > GAIN) & (gain.max() > np.log(plants))])
