"""The layout that explains a plate best, found step by step.

    lod(T) = sum_w clip(E_T[w] - E_0[w], -bound, bound) / ln 10 + log10 prior(T)

E_0 as labelled (or as the steps before left it), E_T under proposal T. The best proposal is taken if its lod
reaches the threshold, and the search goes on from there: a rotated plate may also have two swapped wells.
Proposals: whole-plate layouts, rows and columns reversed or swapped, tags of two crosses swapped, two wells
swapped. Priors are shares of all plates that have such a fault, divided by
the number of faults of that kind, so that many possible faults do not make one likely.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.findings import FindingKind
from crossproof.inference.plate_arrays import EMPTY, Floats
from crossproof.inference.plate_layout import Layout, strip_layouts, whole_plate_layouts
from crossproof.inference.plate_scores import UNKNOWN, Matrix, PlateScores

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
PRIOR_WHOLE = 1e-3
UNUSUAL_SHARE = 0.1
"""Share of whole-plate faults that are shifts in reading order or another order of filling."""
PRIOR_STRIP = 1e-3
PRIOR_WELLS = 1e-2
PRIOR_TUBE = 1e-4
"""A parent tube swapped, judged through the consensus it makes: parents err in more ways than are
modelled."""
PRIOR_TAGS = 1e-2
PRIOR_ONE_TAG = 3e-3
TIE = 1.0
"""Proposals whose likelihoods differ by less than this (log10) cannot be told apart."""
GAIN = 1.0
"""A well speaks for a proposal from this many nats."""
CERTAIN = 20.0
"""A whole-plate layout with these log10 odds is taken without looking at parts of the plate."""
LEAST_PAIR = 1.2
"""Least log10 odds of two swapped wells: two odd seeds that happen to fit each other's tag look the same."""
RELATED_PAIR = 0.03
"""Factor on the prior where the two share a parent: an outcross of the one is then a hybrid of the other."""
TUBE_MARKERS = 30
"""Fewest markers from which a line's only tube is judged by its progeny."""
MAX_STEPS = 40


@dataclass(frozen=True)
class Proposal:
    """One way to re-label a plate.

    Exactly one of `layout`, `wells` (two wells change places), `tags` (two identities; `mutual`: they change
    places, else the first is really the second) is set. `identity` (well,) afterwards; `gain` (well,) log10.
    """

    words: str
    log10_odds: float
    likelihood: float
    identity: Ints
    gain: Floats
    layout: Layout | None = None
    wells: tuple[int, int] | None = None
    tags: tuple[int, int] | None = None
    mutual: bool = False
    same_as: tuple[str, ...] = ()

    @property
    def whole_plate(self) -> bool:
        """Whether nearly every well is concerned."""
        return self.layout is not None and " and " not in self.words and "reversed" not in self.words


@dataclass(frozen=True)
class Search:
    """What the search made of one plate: steps taken, the identities they lead to, and how well those fit."""

    steps: tuple[Proposal, ...]
    matrix: Matrix
    identity: Ints
    misfit: NDArray[np.bool_]
    labelled_misfit: NDArray[np.bool_]


def identities_under(layout: Layout, scores: PlateScores, identity: Ints) -> Ints:
    """Identity of each well once the sheet is read as `layout` says, (well,)."""
    plate = scores.plate
    source = layout.source[plate.position]
    well = np.where(source >= 0, plate.well_of_position[source], -1)
    return np.where(well >= 0, identity[well], UNKNOWN)


def misfit_wells(matrix: Matrix, identity: Ints, scores: PlateScores) -> NDArray[np.bool_]:
    """Wells that anything else explains better than their identity does, (well,).

    A sample: "something else" is likelier than its tag although it is given probability ODD only. A blank or
    a sample without calls: its number of calls fits the other kind by 4 nats or more.
    """
    own = matrix.own(identity)
    sample = scores.called + matrix.anything
    odd = np.where(identity == EMPTY, sample - own > 4.0, sample - own > 1.0)
    silent = (identity != EMPTY) & (scores.blank - scores.called > 4.0)
    return np.asarray((odd | silent) & (identity != UNKNOWN))


def _clipped(difference: Floats, matrix: Matrix) -> Floats:
    return np.clip(difference, -matrix.bound, matrix.bound)


def broad(gain: Floats, least: int) -> bool:
    """Whether many wells speak for it, not a few loud ones: `least` wells, and 1.5 times what speaks
    against."""
    for_it, against = gain[gain > GAIN], gain[gain < -GAIN]
    return len(for_it) >= least and float(for_it.sum()) >= -1.5 * float(against.sum())


def _proposal(words: str, gain: Floats, prior: float, identity: Ints) -> Proposal:
    """A proposal still without what it is made of, from gains in nats."""
    likelihood = float(gain.sum() / np.log(10))
    return Proposal(words, likelihood + float(np.log10(prior)), likelihood, identity, gain / np.log(10))


def whole_plate(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Whole-plate layouts, each with the consensus that it implies."""
    own = matrix.own(identity)
    room = _clipped(matrix.table[:, :-1].max(axis=1) - own, matrix)
    misfit = misfit_wells(matrix, identity, scores)
    if max((room > GAIN).sum(), misfit.sum()) < max(4, 0.1 * len(identity)):
        return
    layouts = whole_plate_layouts(scores.plate.format)
    for layout in layouts:
        changed = identities_under(layout, scores, identity)
        gain = _clipped(scores.exact(changed, matrix.anything) - own, matrix)
        if broad(gain, 4):
            unusual = layout.kind is FindingKind.REFILLED or "along" in layout.detail
            prior = PRIOR_WHOLE / len(layouts) * (UNUSUAL_SHARE if unusual else 1.0)
            yield replace(_proposal(layout.words, gain, prior, changed), layout=layout)


def doubtful_tubes(scores: PlateScores, matrix: Matrix, identity: Ints) -> list[int]:
    """Parent tubes most of whose line's progeny on this plate fit anything better than their tags."""
    season, n = scores.season, scores.season.n_lines
    misfit = misfit_wells(matrix, identity, scores)
    doubtful = []
    for w in np.flatnonzero((identity >= 0) & (identity < n)):
        crosses = np.flatnonzero((season.mother == identity[w]) | (season.father == identity[w]))
        family = np.isin(identity, n + crosses)
        if family.any() and misfit[family].mean() > 0.5:
            doubtful.append(int(w))
    return doubtful


def strips(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Rows or columns reversed or swapped. Where parent tubes move, the consensus is rebuilt."""
    own, table = matrix.own(identity), matrix.table
    layouts = strip_layouts(scores.plate.format)
    wells = np.arange(len(identity))
    doubtful = np.zeros(len(identity), dtype=bool)
    doubtful[doubtful_tubes(scores, matrix, identity)] = True
    for layout in layouts:
        changed = identities_under(layout, scores, identity)
        moved = changed != identity
        if not moved.any():
            continue
        if (moved & doubtful).any() and len(layouts) * len(identity) < 40_000:
            after = scores.exact(changed, matrix.anything)
        else:
            after = table[wells, matrix.column(changed)]
        gain = _clipped(after - own, matrix)
        # A well of which the sheet then says nothing fits whatever it holds: that speaks for no exchange with
        # an empty strip, or a cross harvested under a wrong tag would pass for a moved column.
        gain = np.where(changed == UNKNOWN, np.minimum(gain, 0.0), gain)
        if broad(gain, 3):
            yield replace(_proposal(layout.words, gain, PRIOR_STRIP / len(layouts), changed), layout=layout)


def tags(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Tags of two crosses swapped, as far as this plate shows it."""
    season, n = scores.season, scores.season.n_lines
    crosses = np.unique(identity[identity >= n])
    same = season.same_parents()
    own = matrix.own(identity)
    gains = _clipped(matrix.robust - own[:, None], matrix)
    n_pairs = max(len(crosses) * (len(crosses) - 1) // 2, 1)
    for a_index, a in enumerate(crosses):
        mine = identity == a
        for b_index, b in enumerate(crosses):
            if a == b or same[a] == same[b]:
                continue
            gain = np.where(mine, gains[:, matrix.column(np.array([b]))[0]], 0.0)
            if not broad(gain, 2):
                continue
            theirs = identity == b
            both = np.where(theirs, gains[:, matrix.column(np.array([a]))[0]], gain)
            if a_index < b_index and broad(both[theirs], 2):
                changed = np.where(mine, b, np.where(theirs, a, identity))
                words = f"tags of {season.crosses[a - n]} and {season.crosses[b - n]} swapped"
                yield replace(
                    _proposal(words, both, PRIOR_TAGS / n_pairs, changed), tags=(int(a), int(b)), mutual=True
                )


def _swap(identity: Ints, a: int, b: int) -> Ints:
    changed = identity.copy()
    changed[a], changed[b] = identity[b], identity[a]
    return changed


def _parents(scores: PlateScores, identity: int) -> set[int]:
    """The lines that an identity is made of."""
    season = scores.season
    if identity < season.n_lines:
        return {identity} - {EMPTY}
    cross = identity - season.n_lines
    return {int(season.mother[cross]), int(season.father[cross])} - {-1}


def _in_its_place(scores: PlateScores, well: int, identity: Ints, at: int) -> bool:
    """Whether a well would be a hybrid or a self there: outcrosses and strays fit many tags a little."""
    cross = at - scores.season.n_lines
    if cross < 0:
        return True
    parents = scores.season.mother[[cross]], scores.season.father[[cross]]
    by_relation = scores.relation_scores(*parents, np.array([well]), scores.lines_under(identity))[0, 0]
    return bool((by_relation + scores.relation_prior()).argmax() < 2)


def _pair_words(scores: PlateScores, a: int, b: int) -> str:
    return f"wells {scores.plate.well_name(a)} and {scores.plate.well_name(b)} swapped"


def pairs(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Two wells swapped: both must fit each other's place better than their own."""
    own = matrix.own(identity)
    prior = PRIOR_WELLS / max(len(identity) * (len(identity) - 1) // 2, 1)
    room = matrix.table[:, :-1].max(axis=1) - own
    loose = np.flatnonzero((room > GAIN) & (identity != UNKNOWN) & ~used)
    gains = _clipped(matrix.table[np.ix_(loose, matrix.column(identity[loose]))] - own[loose, None], matrix)
    both = np.where((gains > GAIN) & (gains.T > GAIN), gains + gains.T, -np.inf)
    first, second = np.nonzero(np.triu(both, 1) > 0)
    order = np.argsort(-both[first, second], kind="stable")[:12]
    for i, j in zip(first[order], second[order], strict=True):
        a, b = int(loose[i]), int(loose[j])
        if not (
            _in_its_place(scores, a, identity, int(identity[b]))
            and _in_its_place(scores, b, identity, int(identity[a]))
        ):
            continue
        gain = np.zeros(len(identity))
        gain[a], gain[b] = gains[i, j], gains[j, i]
        related = _parents(scores, int(identity[a])) & _parents(scores, int(identity[b]))
        share = prior * (RELATED_PAIR if related else 1.0)
        if gain.sum() / np.log(10) + np.log10(share) >= LEAST_PAIR:
            yield replace(
                _proposal(_pair_words(scores, a, b), gain, share, _swap(identity, a, b)), wells=(a, b)
            )


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
    prior = PRIOR_TUBE / max(len(identity) * (len(identity) - 1) // 2, 1)
    budget = max(20, 200_000 // max(len(identity) * scores.plate.n_markers // 60, 1))
    seen: set[tuple[int, int]] = set()
    for a in doubtful:
        for b in others:
            if a == b or identity[a] == identity[b] or (b, a) in seen or len(seen) >= budget:
                continue
            seen.add((a, b))
            changed = _swap(identity, a, b)
            gain = _clipped(scores.exact(changed, matrix.anything) - own, matrix)
            if broad(gain, 2):
                yield replace(_proposal(_pair_words(scores, a, b), gain, prior, changed), wells=(a, b))


Source = Callable[[PlateScores, Matrix, Ints, Bools], Iterator[Proposal]]
SOURCES: tuple[Source, ...] = (whole_plate, strips, tags, pairs, tube_pairs)


def _best(candidates: list[Proposal]) -> Proposal:
    """The best proposal, with the names of those that fit as well."""
    best = max(candidates, key=lambda p: p.log10_odds)
    ties = [
        p.words
        for p in candidates
        if p is not best and abs(p.likelihood - best.likelihood) < TIE and p.words != best.words
    ]
    return Proposal(**{**best.__dict__, "same_as": tuple(dict.fromkeys(ties))})


def search_layout(
    scores: PlateScores, threshold: float, start: Ints | None = None, sources: tuple[Source, ...] = SOURCES
) -> Search:
    """Take the best proposal while one reaches `threshold` (log10 posterior odds), at most MAX_STEPS."""
    identity = scores.plate.identity if start is None else start
    matrix = scores.matrix(identity, labelled=start is None)
    before = misfit_wells(matrix, identity, scores)
    steps: list[Proposal] = []
    used = np.zeros(len(identity), dtype=bool)  # wells of a swap taken: no well is swapped twice
    while len(steps) < MAX_STEPS:
        allowed = sources if not steps else tuple(s for s in sources if s is not whole_plate)
        candidates: list[Proposal] = []
        for source in allowed:
            candidates += source(scores, matrix, identity, used)
            if source is whole_plate and any(p.log10_odds > CERTAIN for p in candidates):
                break
        if not candidates:
            break
        candidates = [p for p in candidates if p.words not in {s.words for s in steps}]
        if not candidates:
            break
        best = _best(candidates)
        if best.log10_odds < threshold:
            break
        steps.append(best)
        identity = best.identity
        if best.wells is not None:
            used[list(best.wells)] = True
        if best.wells is None or scores.tube[list(best.wells)].any():
            matrix = scores.matrix(identity)
    return Search(tuple(steps), matrix, identity, misfit_wells(matrix, identity, scores), before)
