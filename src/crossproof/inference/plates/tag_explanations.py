"""What the plants of a badly fitting cross may be instead: another cross of the records, another parent line.

For a cross c and every other explanation h

    lod(h) = sum over plants of clip(E_h - E_c, -bound, bound) / ln 10 + log10 prior(h)

`tag_checks` makes findings of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.inference.plates.arrays import Plate, SeasonTables
from crossproof.inference.plates.each import AskedOnce, Each, one_by_one
from crossproof.inference.plates.layout_search import PRIOR_ONE_TAG, Search
from crossproof.inference.plates.log_sums import log_sums
from crossproof.inference.plates.marker_votes import marker_scores, typed_at
from crossproof.inference.plates.proposals import GAIN, LEAST_MARKERS, misfit_wells
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Bools, Floats, Ints

Result = TypeVar("Result")
FEW_PLATES = 32
"""So many plates are asked in less time than it takes to start processes for them."""
PRIOR_PARENT = 1e-2
"""Share of crosses made with another line than recorded."""
BAD_SHARE = 0.5
"""A cross fits badly if more of its called plants than this are neither hybrid nor self of their tag."""
CLOSE = 5.0
"""Explanations that fit worse than the best by this many nats are dropped."""
KNOWN_SHARE = 0.6
"""Share of markers at which both recorded parents must be known before another is named."""
MAX_OTHERS = 1000
"""Most other crosses that a badly fitting one is compared with in full: those whose F1 it fits best."""


@dataclass(frozen=True)
class Examined:
    """One plate with its scores and what the search made of it."""

    scores: PlateScores
    search: Search

    @property
    def plate(self) -> Plate:
        """The plate."""
        return self.scores.plate

    @property
    def as_labelled(self) -> bool:
        """Whether the search left the plate as its sheet has it."""
        return not self.search.steps and bool((self.search.start == self.plate.identity).all())


def ask(question: Callable[[Examined], Result], x: Examined) -> Result:
    """What a plate answers, noted down where it lies as labelled: its scores are then all it depends on."""
    if not x.as_labelled:
        return question(x)
    answers, name = x.scores.answers, question.__qualname__
    if name not in answers:
        answers[name] = question(x)
    return cast(Result, answers[name])


def ask_all(question: Callable[[Examined], Result], plates: Sequence[Examined], each: Each) -> list[Result]:
    """What every plate answers; `each` asks those that have not been asked, where they are many."""
    name = question.__qualname__
    new = [x for x in plates if not x.as_labelled or name not in x.scores.answers]
    ask_new = each if len(new) > FEW_PLATES else one_by_one
    said = dict(zip(map(id, new), ask_new(question, new), strict=True))
    for x in new:
        if x.as_labelled:
            x.scores.answers[name] = said[id(x)]
    return [said[id(x)] if id(x) in said else x.scores.answers[name] for x in plates]


@dataclass(frozen=True)
class Explanation:
    """What else the plants of a cross may be: `mother` x `father`, or the other cross `cross` (-1: none)."""

    mother: int
    father: int
    cross: int
    log10_odds: float
    gaining: int
    called: int


def called_plants(examined: Examined, identity: int) -> Ints:
    """Wells with enough calls to speak, of one identity, after the search, (n,)."""
    return np.flatnonzero((examined.search.identity == identity) & speaks(examined))


def speaks(examined: Examined) -> Bools:
    """Wells with enough calls, (well,)."""
    plate = examined.plate
    return np.asarray(plate.n_called >= 0.3 * plate.n_markers)


def _others(cross: int, plates: Sequence[Examined], season: SeasonTables) -> tuple[Ints, Floats]:
    """Other crosses that the plants of a cross may be, and the share of all others that each stands for.

    In a large season crosses of the same two lines count once, by the first of them, and the MAX_OTHERS are
    kept whose F1, or whose mother selfed, the plants fit best.
    """
    other = np.flatnonzero((season.mother != season.mother[cross]) | (season.father != season.father[cross]))
    if len(other) <= MAX_OTHERS:
        return other, np.full(len(other), 1 / max(len(other), 1))
    first, count = season.parent_pairs
    apart = (season.mother[first] != season.mother[cross]) | (season.father[first] != season.father[cross])
    share = count[apart] / len(other)
    other = first[apart]
    if len(other) <= MAX_OTHERS:
        return other, share
    lines = np.arange(-1, season.n_lines)  # an unknown line comes first
    pairs = np.sort(np.stack([season.mother[other], season.father[other]]), axis=0) + 1
    _, one, of_pair = np.unique(pairs[0] * len(lines) + pairs[1], return_index=True, return_inverse=True)
    low, high = pairs[:, one]  # an F1 is the same either way
    fit = np.zeros(len(other))
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        state = x.scores.lines_under(x.search.identity, more=lines)
        crossed, selfed = np.zeros((len(wells), len(low))), np.zeros((len(wells), len(lines)))
        for b, likelihood in enumerate(x.scores.likelihood):
            table = x.scores.parent_table(b, lines, state)
            gametes = table @ gamete_table(x.scores.plate.blocks[b].k)
            f1 = child_of_gametes(gametes[low], gametes[high])
            crossed += log_sums(f1.transpose(1, 2, 0), likelihood[:, wells])
            selfed += log_sums(table.transpose(1, 2, 0), likelihood[:, wells])
        fit += np.maximum(crossed[:, of_pair], selfed[:, season.mother[other] + 1]).sum(axis=0)
    best = np.sort(np.argsort(-fit, kind="stable")[:MAX_OTHERS])
    return other[best], share[best]


def explain(
    cross: int, plates: Sequence[Examined], season: SeasonTables, threshold: float
) -> list[Explanation]:
    """The best other cross and the best other parent of a badly fitting cross, each if it reaches the
    threshold.

    None that fits worse than the other by CLOSE is kept.
    """
    m, p = int(season.mother[cross]), int(season.father[cross])
    lines = np.arange(season.n_lines)
    other, share = _others(cross, plates, season)
    as_mother, as_father = lines[lines != m], lines[lines != p]
    mothers = np.concatenate([season.mother[other], as_mother, np.full(len(as_father), m)])
    fathers = np.concatenate([season.father[other], np.full(len(as_mother), p), as_father])
    which = np.concatenate([other, np.full(len(as_mother) + len(as_father), -1)])
    of_line = np.full(len(as_mother) + len(as_father), PRIOR_PARENT / (2 * max(len(lines), 1)))
    prior = np.concatenate([PRIOR_ONE_TAG * share, of_line])
    total = np.log10(prior)
    fit = np.log(prior)  # without the bound: it tells explanations apart that all reach it
    gaining = np.zeros(len(mothers), dtype=np.int64)
    called = 0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        state = x.scores.lines_under(x.search.identity, more=np.concatenate([mothers, fathers]))
        s = x.scores.pair_scores(mothers, fathers, wells, state)
        matrix = x.search.matrix
        odd = matrix.anything[wells] + np.log(0.002)
        e = np.logaddexp(s, odd[:, None]) + x.scores.called[wells][:, None]
        gain = np.clip(e - matrix.own(x.search.identity)[wells][:, None], -matrix.bound, matrix.bound)
        total = total + gain.sum(axis=0) / np.log(10)
        fit = fit + e.sum(axis=0)
        gaining += (gain > GAIN).sum(axis=0)
        called += len(wells)
    if called == 0:
        return []
    found = []
    best_fit = float(fit.max())
    for group in (np.flatnonzero(which >= 0), np.flatnonzero(which < 0)):
        if len(group) == 0:
            continue
        best = int(group[np.argmax(fit[group])])
        # A cross of the records that fits as well is the simpler story than a parent line of no other record.
        close = fit[best] > best_fit - CLOSE
        enough = total[best] >= threshold and gaining[best] >= max(3, 0.5 * called)
        if (
            close
            and enough
            and many_markers_for(cross, int(mothers[best]), int(fathers[best]), plates, season)
        ):
            found.append(
                Explanation(
                    int(mothers[best]),
                    int(fathers[best]),
                    int(which[best]),
                    float(total[best]),
                    int(gaining[best]),
                    called,
                )
            )
    return found


def given_back(
    cross: int, other: int, plates: Sequence[Examined], season: SeasonTables
) -> Explanation | None:
    """The plants of a tag under the parents of another whose own plants are of it; None where no plant speaks
    for that, or where one is a hybrid of its tag.

    Selfed seed says nothing where the mother is the same, so that a bag of selfs with one crossed plant does
    not fit its own tag badly.

    Parameters
    ----------
    cross : number of the tag whose plants are asked, of `other`'s parents
    other : number of the tag whose plants have the parents of `cross`
    """
    mother, father = int(season.mother[other]), int(season.father[other])
    total, gaining, called = 0.0, 0, 0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        identity, matrix = x.search.identity, x.search.matrix
        state = x.scores.lines_under(identity, more=np.array([mother, father]))
        s = x.scores.pair_scores(np.array([mother]), np.array([father]), wells, state)[:, 0]
        e = np.logaddexp(s, matrix.anything[wells] + np.log(0.002)) + x.scores.called[wells]
        gain = np.clip(e - matrix.own(identity)[wells], -matrix.bound, matrix.bound)
        relation = x.scores.own_relations(identity)[wells] + x.scores.relation_prior()
        if ((relation.argmax(axis=1) == 0) & (gain <= GAIN)).any():
            return None
        total += float(gain.sum()) / np.log(10)
        gaining += int((gain > GAIN).sum())
        called += len(wells)
    return Explanation(mother, father, other, total, gaining, called) if gaining else None


def many_markers_for(
    cross: int, mother: int, father: int, plates: Sequence[Examined], season: SeasonTables
) -> bool:
    """Whether LEAST_MARKERS markers or more speak for other parents, and three times as many as against.

    A parent plant that departs from its line, or a miscalled tube, shows in all plants of the family at the
    same few markers: many plants do not make these more. Markers at which the recorded parent has no call do
    not count: a sister line that has one fits better there whichever of the two it was.
    """
    votes: Floats | float = 0.0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells):
            lines = np.array([mother, father])
            state = x.scores.lines_under(x.search.identity, more=lines)
            other = marker_scores(x.scores, mother, father, wells, state)
            recorded = int(season.mother[cross]), int(season.father[cross])
            replaced = [p for p, now in zip(recorded, (mother, father), strict=True) if p != now]
            if min(state.known_share(p) for p in recorded) < KNOWN_SHARE:
                return False  # a tube that failed: any line would fit better
            own = marker_scores(x.scores, *recorded, wells, state)
            votes = votes + (other - own).sum(axis=1) * typed_at(replaced, state)
    for_it, against = int((np.asarray(votes) > 2 * GAIN).sum()), int((np.asarray(votes) < -2 * GAIN).sum())
    return for_it >= LEAST_MARKERS and for_it >= 3 * against


def bad_crosses(plates: Sequence[Examined], season: SeasonTables, asked: AskedOnce) -> list[int]:
    """Crosses most of whose called plants (3 at least) are neither hybrid nor self of their tag.

    One outcross is nothing unusual; a whole family of them says that its father is another.
    """
    strange = np.zeros(len(season.crosses), dtype=np.int64)
    called = np.zeros(len(season.crosses), dtype=np.int64)
    for counts in ask_all(strange_plants, plates, asked.of_same):
        for c, n_called, n_strange in counts:
            called[c] += n_called
            strange[c] += n_strange
    return [int(c) for c in np.flatnonzero((called >= 3) & (strange > BAD_SHARE * called))]


def strange_plants(x: Examined) -> list[tuple[int, int, int]]:
    """Of every cross on a plate: its called plants, and how many are neither hybrid nor self of their tag."""
    n, identity = x.scores.season.n_lines, x.search.identity
    misfit = misfit_wells(x.search.matrix, identity, x.scores)
    by_relation = x.scores.own_relations(identity) + x.scores.relation_prior()
    strange = misfit | (by_relation.argmax(axis=1) >= 2)
    counts = []
    for i in np.unique(identity[identity >= n]):
        c, wells = int(i) - n, called_plants(x, int(i))
        if len(wells) == 0:
            continue
        counts.append((c, len(wells), int(strange[wells].sum())))
    return counts
