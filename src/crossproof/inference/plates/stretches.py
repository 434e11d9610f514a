"""Plants that stand one place later or earlier in the order of filling, up to some well; blanks stay.

Between the i-th and the j-th plant in the order of filling, each well holds what the sheet lists one place
before it, the i-th place is empty and the j-th plant is gone (or the same backwards). With g[k] what the k-th
well gains and e[i] what the i-th says for an empty place, all stretches of a plate are sums:

    lod(i, j) = (e[i] + g[i + 1] + ... + g[j]) / ln 10 + log10 prior(i, j)

The prior of those that reach the last plant is shared out among the n wells where they can begin, that of
all others among n (n - 1) / 2 pairs, each times two orders of filling and two ways: with few wells to show
it, many places where a shift may end do not make one likely.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.empty_places import FILLED, empty_says
from crossproof.inference.plates.few_wells import by_pods, weighed
from crossproof.inference.plates.layout_choice import FAINT
from crossproof.inference.plates.proposals import (
    EVEN,
    GAIN,
    NEVER,
    Proposal,
    clipped,
    identities_under,
    make_proposal,
)
from crossproof.inference.plates.score_matrix import UNKNOWN, Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.part_layouts import reading_order
from crossproof.model.stretch_layouts import as_filled, stretch_layout

PRIOR_TO_LAST = 1e-3
"""Share of plates whose plants were shifted by a well from some well on, while blanks and tubes stayed. No
source."""
PRIOR_BETWEEN = 3e-4
"""Share of plates on which such a shift was put right further on. No source."""
WAYS = 4
"""Two orders of filling, later or earlier."""
LEAST_SIGNS = 2
"""Fewest wells that speak for a stretch."""
MOST_STRETCHES = 200
"""Most stretches of a plate that are weighed, the likeliest; those that reach the last plant come first."""


@dataclass(frozen=True)
class _Way:
    """All stretches along one order of filling, one way.

    `wells` (plant,) as filled; `gain` (plant,) in nats, of each in its neighbour's place; `empty` (plant,) of
    each left empty; `odds` (first, last) log10, minus infinity for those that other layouts are.
    """

    by_columns: bool
    step: int
    wells: Ints
    gain: Floats
    empty: Floats
    odds: Floats

    def gains(self, first: int, last: int, size: int) -> Floats:
        """What all `size` wells of the plate gain by one stretch, (well,) in nats."""
        out = np.zeros(size)
        out[self.wells[first : last + 1]] = self.gain[first : last + 1]
        hole = first if self.step > 0 else last
        out[self.wells[hole]] = self.empty[hole]
        return out


def stretches(scores: PlateScores, matrix: Matrix, identity: Ints) -> Iterator[Proposal]:
    """The stretches that are not too faint, weighed by pods.

    Those that reach the last plant can be taken; the others are doubts, or leave open how the plate lay, if
    LEAST_SIGNS wells speak for them beside the empty place: a stray seed and a failed well can be anywhere.
    """
    found = weighed(scores, matrix, identity, _likeliest(scores, matrix, identity))
    for p in by_pods(scores, identity, found, LEAST_SIGNS):
        signs = (p.gain * np.log(10) > GAIN) & (p.identity != UNKNOWN)
        if not p.between or signs.sum() >= LEAST_SIGNS:
            yield p


def _likeliest(scores: PlateScores, matrix: Matrix, identity: Ints) -> Iterator[Proposal]:
    """The stretches that are not too faint, the likeliest first."""
    plate = scores.plate
    plants = plate.position[plate.identity >= scores.season.n_lines]
    if len(plants) < 3:
        return
    ways = [_way(scores, matrix, identity, plants, c, step) for c in (True, False) for step in (1, -1)]
    odds = np.stack([w.odds for w in ways])
    enough = np.argwhere(odds >= FAINT)
    to_last = enough[:, 2] == odds.shape[2] - 1
    best = np.lexsort((-odds[tuple(enough.T)], ~to_last))[:MOST_STRETCHES]
    for which, first, last in enough[best].tolist():
        way = ways[which]
        line = plate.position[way.wells]
        layout = stretch_layout(plate.format, line, first, last, way.by_columns, way.step)
        changed = identities_under(layout.source, scores, identity)
        to_last = last == len(line) - 1
        gain = way.gains(first, last, len(plate))
        proposal = make_proposal(layout.words, gain, _prior(len(line), to_last), changed)
        yield replace(proposal, layout=layout, least=EVEN if to_last else NEVER, between=not to_last)


def _prior(plants: int, to_last: bool) -> float:
    """Prior of each stretch of that many plants."""
    between = PRIOR_BETWEEN / (WAYS * plants * (plants - 1) / 2)
    return PRIOR_TO_LAST / (WAYS * plants) if to_last else between


def _way(
    scores: PlateScores, matrix: Matrix, identity: Ints, plants: Ints, by_columns: bool, step: int
) -> _Way:
    plate = scores.plate
    wells = plate.well_of_position[as_filled(plate.format, plants, by_columns)]
    n, holds = len(wells), identity[wells]
    column, own = matrix.column(holds), matrix.own(identity)[wells]
    gain = np.zeros(n)
    to, source = (slice(1, None), slice(None, -1)) if step > 0 else (slice(None, -1), slice(1, None))
    gain[to] = clipped(matrix.table[wells[to], column[source]] - own[to], matrix)
    silent = (scores.blank > scores.called)[wells]
    unknown = clipped(matrix.unknown[wells] - own, matrix)
    most = np.where(silent, empty_says(scores, identity), 0.0)
    empty = np.minimum(unknown, most) + np.where(silent, 0.0, np.log(2 * FILLED))
    nothing_said = holds == UNKNOWN
    nothing_said[to] |= holds[source] == UNKNOWN
    gain = np.where(nothing_said, np.minimum(gain, 0.0), gain)
    likelihood = _sums(gain, step) + (empty[:, None] if step > 0 else empty[None, :])
    odds = likelihood / np.log(10) + np.log10(_prior(n, False))
    odds[:, :-1][_sums(gain > GAIN, step)[:, :-1] < LEAST_SIGNS] = -np.inf
    odds[:, -1] += np.log10(_prior(n, True) / _prior(n, False))
    odds[np.tril_indices(n)] = -np.inf
    odds[_others(scores, wells, by_columns)] = -np.inf
    return _Way(by_columns, step, wells, gain, empty, odds)


def _sums(of_wells: Floats | Bools, step: int) -> Floats:
    """Sums over the wells of each stretch but the empty one, (first, last)."""
    until = np.cumsum(of_wells, dtype=np.float64)
    until = until if step > 0 else np.concatenate([[0.0], until[:-1]])
    return np.asarray(until[None, :] - until[:, None])


def _others(scores: PlateScores, wells: Ints, by_columns: bool) -> tuple[Ints, Ints]:
    """First and last plants of the stretches that other layouts are: one row or column, or from a plant to
    the plate's end."""
    plate = scores.plate
    place = np.empty(plate.format.wells, dtype=np.int64)
    place[reading_order(plate.format, by_columns)] = np.arange(plate.format.wells)
    every, mine = np.sort(place[plate.position]), place[plate.position[wells]]
    size = plate.format.rows if by_columns else plate.format.columns
    strip, first, last = np.unique(mine // size, return_index=True, return_counts=True)
    last = first + last - 1
    whole = np.bincount(every // size, minlength=int(strip.max()) + 1)[strip] == last - first + 1
    whole &= mine[last] - mine[first] == last - first
    first, last = first[whole], last[whole]
    at = np.arange(len(mine))
    tail = (mine[-1] == every[-1]) & (mine[-1] - mine == at[-1] - at)
    return np.concatenate([first, at[tail]]), np.concatenate([last, np.full(int(tail.sum()), at[-1])])
