"""Two wells that changed places: proposals of the search for a plate's layout.

Two plants: against all that two odd plants can be by themselves (see `tag_scores`),

    log odds = T[a, j] + T[b, i] - T[a, i] - T[b, j] + log(PRIOR_WELLS / pairs of wells on the plate)

for wells a and b that carry the tags i and j. Pairs with a parent tube or a blank: by their scores E, and, as
a tube is part of its line's consensus, once more with the consensus as the swap would have it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.proposals import (
    GAIN,
    Proposal,
    broad,
    clipped,
    doubtful_tubes,
    make_proposal,
    many_markers,
    misfit_wells,
)
from crossproof.inference.plates.score_matrix import UNKNOWN, Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.model.arrays import Bools, Floats, Ints

PRIOR_WELLS = 0.05
"""Share of plates with two swapped plants. No source: one plate in twenty."""
PAIR_ODDS = float(np.log10(2.0))
"""Least log10 posterior odds of two swapped plants, 2 to 1: a finding asks only to type two plants again."""
PRIOR_TUBE_PAIR = 1e-2
"""Share of plates on which a parent tube or a blank changed places with another well."""
PRIOR_TUBE = 1e-4
"""A parent tube swapped, judged through the consensus it makes: parents err in more ways than are
modelled."""
TUBE_MARKERS = 30
"""Fewest markers from which a line's only tube is judged by its progeny."""
MOST_LOOSE = 200
"""Most wells, those that fit their tags worst, among which pairs are looked for."""
MOST_PAIRS = 12


def _swap(identity: Ints, a: int, b: int) -> Ints:
    changed = identity.copy()
    changed[a], changed[b] = identity[b], identity[a]
    return changed


def _pair_words(scores: PlateScores, a: int, b: int) -> str:
    return f"wells {scores.plate.well_name(a)} and {scores.plate.well_name(b)} swapped"


def _n_pairs(identity: Ints) -> int:
    return max(len(identity) * (len(identity) - 1) // 2, 1)


def loose_wells(scores: PlateScores, matrix: Matrix, identity: Ints) -> Bools:
    """Wells that something else, whatever it is, explains better than what the sheet says, (well,)."""
    room = matrix.table[:, :-1].max(axis=1) - matrix.own(identity)
    return np.asarray(((room > GAIN) | misfit_wells(matrix, identity, scores)) & (identity != UNKNOWN))


def _loose(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Ints:
    """The wells among which pairs are looked for: loose, not yet in a pair, the worst MOST_LOOSE of them."""
    loose = np.flatnonzero(loose_wells(scores, matrix, identity) & ~used)
    if len(loose) > MOST_LOOSE:
        room = matrix.table[loose].max(axis=1) - matrix.own(identity)[loose]
        loose = np.sort(loose[np.argsort(-room, kind="stable")[:MOST_LOOSE]])
    return loose


def loose_plants(scores: PlateScores, matrix: Matrix, identity: Ints) -> Ints:
    """Loose wells with plants, the worst MOST_LOOSE at most, (n,)."""
    loose = _loose(scores, matrix, identity, np.zeros(len(identity), dtype=bool))
    return loose[identity[loose] >= scores.season.n_lines]


def count_called(scores: PlateScores, identity: Ints) -> int:
    """Plants of a plate with enough calls to speak."""
    called = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    return int((called & (identity >= scores.season.n_lines)).sum())


def stray_counts(scores: PlateScores, matrix: Matrix) -> tuple[float, float]:
    """Expected number of stray seed on a plate as labelled, and its plants called."""
    identity, n = scores.plate.identity, scores.season.n_lines
    plants = count_called(scores, identity)
    loose = loose_plants(scores, matrix, identity)
    if len(loose) == 0:
        return 0.0, float(plants)
    tags, tag = tag_scores(scores, matrix, identity, loose), identity[loose] - n
    return tags.strays(tag, tags.stray(tag, plants, (0.0, 0.0))), float(plants)


def pairs(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Two wells swapped: both must fit each other's place better than their own."""
    loose = _loose(scores, matrix, identity, used)
    if len(np.unique(identity[loose])) < 2:
        return
    plant = identity[loose] >= scores.season.n_lines
    if len(np.unique(identity[loose[plant]])) > 1:
        yield from _plant_pairs(scores, matrix, identity, loose[plant])
    if not plant.all():
        yield from _tube_or_blank_pairs(scores, matrix, identity, loose, plant)


def _plant_pairs(scores: PlateScores, matrix: Matrix, identity: Ints, loose: Ints) -> Iterator[Proposal]:
    """Two plants swapped."""
    n = scores.season.n_lines
    tags = tag_scores(scores, matrix, identity, loose)
    cross = identity[loose] - n
    plants = count_called(scores, identity)
    elsewhere = scores.strays_elsewhere
    prior = PRIOR_WELLS / _n_pairs(identity)

    def gains(stray: float) -> Floats:
        fit = tags.under(stray)[:, np.searchsorted(tags.crosses, cross)]  # well, tag of each loose well
        return np.asarray(fit - np.diag(fit)[:, None])

    first_look = gains(tags.stray(cross, plants, elsewhere))
    both = np.where((first_look > GAIN) & (first_look.T > GAIN), first_look + first_look.T, -np.inf)
    first, second = np.nonzero(np.triu(both, 1) > 0)
    for o in np.argsort(-both[first, second], kind="stable")[:MOST_PAIRS]:
        i, j = int(first[o]), int(second[o])
        others = np.delete(np.arange(len(loose)), [i, j])
        stray = tags.stray(cross, plants - 2, elsewhere, others)
        each = gains(stray)
        gain = np.zeros(len(identity))
        a, b = int(loose[i]), int(loose[j])
        gain[a], gain[b] = each[i, j], each[j, i]
        proposal = make_proposal(_pair_words(scores, a, b), gain, prior, _swap(identity, a, b))
        yield replace(proposal, wells=(a, b), least=PAIR_ODDS)


def _tube_or_blank_pairs(
    scores: PlateScores, matrix: Matrix, identity: Ints, loose: Ints, plant: Bools
) -> Iterator[Proposal]:
    """A parent tube or a blank swapped with another well.

    A line's only tube says nothing of itself, and another line's tube that is alike would seem to fit its
    place: so each of the two speaks with the consensus as it would be, if it says less so.
    """
    own = matrix.own(identity)
    prior = PRIOR_TUBE_PAIR / _n_pairs(identity)
    gains = clipped(matrix.table[np.ix_(loose, matrix.column(identity[loose]))] - own[loose, None], matrix)
    both = np.where((gains > GAIN) & (gains.T > GAIN), gains + gains.T, -np.inf)
    both[np.ix_(plant, plant)] = -np.inf
    first, second = np.nonzero(np.triu(both, 1) > 0)
    for o in np.argsort(-both[first, second], kind="stable")[:MOST_PAIRS]:
        i, j = int(first[o]), int(second[o])
        a, b = int(loose[i]), int(loose[j])
        changed = _swap(identity, a, b)
        gain = np.zeros(len(identity))
        gain[a], gain[b] = gains[i, j], gains[j, i]
        if gain.sum() + np.log(prior) < 0:
            continue
        if scores.tube[[a, b]].any():
            rebuilt = clipped(scores.exact(changed, matrix.anything) - own, matrix)
            gain[[a, b]] = np.minimum(gain[[a, b]], rebuilt[[a, b]])
        yield replace(make_proposal(_pair_words(scores, a, b), gain, prior, changed), wells=(a, b))


def tube_pairs(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """A parent tube swapped with another well, where the families of that line do not fit the tube.

    A line's only tube defines its consensus, so a swapped one fits itself; its progeny show it.
    """
    misfit = misfit_wells(matrix, identity, scores)
    own = matrix.own(identity)
    if scores.plate.n_markers < TUBE_MARKERS:
        return
    doubtful = [w for w in doubtful_tubes(scores, matrix, identity) if not used[w]]
    others = sorted(set(doubtful) | {int(w) for w in np.flatnonzero((misfit | (identity == EMPTY)) & ~used)})
    prior = PRIOR_TUBE / _n_pairs(identity)
    budget = max(20, 200_000 // max(len(identity) * scores.plate.n_markers // 60, 1))
    seen: set[tuple[int, int]] = set()
    for a in doubtful:
        for b in others:
            if a == b or identity[a] == identity[b] or (b, a) in seen or len(seen) >= budget:
                continue
            seen.add((a, b))
            changed = _swap(identity, a, b)
            gain = clipped(scores.exact(changed, matrix.anything) - own, matrix)
            # The two themselves must fit better so: any plant of a family is a good consensus for its sibs.
            fits = gain[a] + gain[b] > GAIN and broad(gain, 2) and gain.sum() + np.log(prior) > 0
            if fits and many_markers(scores, identity, changed):
                yield replace(make_proposal(_pair_words(scores, a, b), gain, prior, changed), wells=(a, b))
