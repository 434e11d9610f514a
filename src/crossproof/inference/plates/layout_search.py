"""The layout that explains a plate best, found step by step.

    lod(T) = sum_w clip(E_T[w] - E_0[w], -bound, bound) / ln 10 + log10 prior(T)

E_0 as labelled (or as the steps before left it), E_T under proposal T. The best proposal is taken if its lod
reaches the threshold, and the search goes on from there: a rotated plate may also have two swapped wells.
Proposals: whole-plate layouts, rows and columns reversed or swapped, tags of two crosses swapped, two wells
swapped. Priors are shares of all plates that have such a fault, divided by the number of faults of that kind,
so that many possible faults do not make one likely.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.copied_strips import copied_strips
from crossproof.inference.plates.empty_places import FILLED, empty_says
from crossproof.inference.plates.few_wells import borne_by_pods, by_pods, weighed
from crossproof.inference.plates.layout_choice import beside_pair, best_of, open_doubts
from crossproof.inference.plates.proposals import (
    EVEN,
    GAIN,
    NEVER,
    Proposal,
    broad,
    clipped,
    doubtful_tubes,
    identities_under,
    lessened,
    make_proposal,
    many_markers,
    misfit_wells,
    wells_under,
)
from crossproof.inference.plates.repeated_shifts import shifted_together
from crossproof.inference.plates.score_matrix import UNKNOWN, Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.stretches import stretches
from crossproof.inference.plates.well_pairs import pairs, tube_pairs
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.findings import FindingKind
from crossproof.model.layouts import Layout, strip_layouts, strip_sources, whole_plate_layouts
from crossproof.model.part_layouts import (
    part_layouts,
    run_layouts,
    run_sources,
    shifted_strip_layouts,
    shifted_strip_sources,
    shifted_strip_ways,
    sorted_layouts,
)

PRIOR_WHOLE = 1e-3
UNUSUAL_SHARE = 0.1
"""Share of whole-plate faults that are shifts in reading order or another order of filling."""
PRIOR_STRIP = 1e-3
PRIOR_SINGLE = 1e-3
"""Share of plates with one row or column that was shifted or copied."""
LEAST_RUN = 2
"""Fewest wells that speak for a plate shifted or sorted from some well on."""
MOST_WELLS = 384
"""Largest plate on which a shift from some well on is looked for."""
MOST_PARTS = 6
"""Layouts of halves and quadrants for which the consensus is rebuilt, the most promising."""
PRIOR_TAGS = 1e-2
PRIOR_ONE_TAG = 3e-3
CERTAIN = 20.0
"""A whole-plate layout with these log10 odds is taken without looking at parts of the plate."""
WORSE_SHARE = 0.1
"""Unless more wells than this fit worse so: two rows swapped may look like a plate that was shifted."""
MAX_STEPS = 40
LAYOUTS_AT_ONCE = 256


@dataclass(frozen=True)
class Search:
    """What the search made of one plate: steps taken, the identities they lead to, and how well those fit."""

    steps: tuple[Proposal, ...]
    matrix: Matrix
    identity: Ints
    misfit: Bools
    labelled_misfit: Bools
    labelled: Matrix
    start: Ints
    doubts: tuple[Proposal, ...] = ()
    """Proposals to move part of the plate that were not taken, the likeliest first (see `open_doubts`)."""
    beside_pairs: tuple[Proposal, ...] = ()
    """The same that share wells with pairs that were taken, their odds beside these."""


def whole_plate(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Whole-plate layouts, each with the consensus that it implies."""
    if not _suspicious(scores, matrix, identity):
        return
    own = matrix.own(identity)
    layouts = whole_plate_layouts(scores.plate.format)
    silent = scores.blank > scores.called
    for layout in layouts:
        changed = identities_under(layout.source, scores, identity)
        gain = clipped(scores.exact(changed, matrix.anything) - own, matrix)
        # What the sheet does not describe stands empty if the plate lay so; calls there are no sign of it, or
        # data that fit nothing would speak for every layout that takes them off the sheet.
        gain = np.where((changed == UNKNOWN) & ~silent, np.minimum(gain, 0.0), gain)
        if broad(gain, 4):
            unusual = layout.kind is FindingKind.REFILLED or layout.by_a_well
            prior = PRIOR_WHOLE / len(layouts) * (UNUSUAL_SHARE if unusual else 1.0)
            yield replace(make_proposal(layout.words, gain, prior, changed), layout=layout)


def turned_empty(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Whole-plate layouts of a plate without DNA where the sheet has samples: it may lie on empty wells.

    A run that failed explains silent wells as well, so these say nothing; blanks that call, and the few
    samples that do, say where the plate lay.
    """
    own = matrix.own(identity)
    speaks = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    layouts = whole_plate_layouts(scores.plate.format)
    for layout in layouts:
        changed = identities_under(layout.source, scores, identity)
        gain = clipped(scores.exact(changed, matrix.anything) - own, matrix)
        gain = np.where(speaks & (changed != UNKNOWN), gain, np.minimum(gain, 0.0) * speaks)
        if broad(gain, min(4, max(2, int(speaks.sum())))):
            proposal = make_proposal(layout.words, gain, PRIOR_WHOLE / len(layouts), changed)
            yield replace(proposal, layout=layout)


def parts(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Halves and quadrants that lie otherwise, the most promising with the consensus that they imply."""
    if not _suspicious(scores, matrix, identity):
        return
    own = matrix.own(identity)
    silent = scores.blank > scores.called
    layouts = part_layouts(scores.plate.format)
    changed = identities_under(np.stack([x.source for x in layouts]), scores, identity)
    gains = clipped(matrix.table[np.arange(len(identity)), matrix.column(changed)] - own, matrix)
    plants = np.where(scores.tube, 0.0, gains).sum(axis=1)
    for i in np.argsort(-plants, kind="stable")[:MOST_PARTS]:
        gain = clipped(scores.exact(changed[i], matrix.anything) - own, matrix)
        gain = np.where((changed[i] == UNKNOWN) & ~silent, np.minimum(gain, 0.0), gain)
        if broad(gain, 4):
            proposal = make_proposal(layouts[i].words, gain, PRIOR_WHOLE / len(layouts), changed[i])
            yield replace(proposal, layout=layouts[i])


def _suspicious(scores: PlateScores, matrix: Matrix, identity: Ints) -> bool:
    """Whether so many wells fit badly that a plate, or half of it, may lie otherwise."""
    room = clipped(matrix.table[:, :-1].max(axis=1) - matrix.own(identity), matrix)
    misfit = misfit_wells(matrix, identity, scores)
    return bool(max((room > GAIN).sum(), misfit.sum()) >= max(4, 0.1 * len(identity)))


def strips(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Rows or columns reversed or swapped, or shifted by a well."""
    plate = scores.plate.format
    exchanged = _many(
        scores, matrix, identity, strip_layouts(plate), strip_sources(plate), PRIOR_STRIP, 3, False
    )
    yield from borne_by_pods(scores, identity, exchanged, 3)
    single = shifted_strip_layouts(plate)
    sources = shifted_strip_sources(plate)
    found = _many(scores, matrix, identity, single, sources, PRIOR_SINGLE, 2, True)
    shifted = list(by_pods(scores, identity, weighed(scores, matrix, identity, found), 2))
    as_labelled = scores.plate.identity
    there = identities_under(sources, scores, as_labelled)
    moves = there != as_labelled
    taken = moves.any(axis=1) & ((there == identity) | ~moves).all(axis=1)
    for proposal in shifted_together(shifted, single, shifted_strip_ways(plate), taken):
        yield replace(proposal, least=EVEN if proposal.least is None else NEVER)


def runs(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Shifted by a well from some well on, or sorted from some well on."""
    plate = scores.plate
    loose = matrix.table[:, :-1].max(axis=1) - matrix.own(identity) > GAIN
    if not loose.any() or plate.format.wells > MOST_WELLS:
        return
    plants = np.flatnonzero(plate.identity >= scores.season.n_lines)
    names = [plate.plants[w] for w in plants]
    moved = sorted_layouts(plate.format, plate.position[plants], names)
    for layouts, sources in (
        (run_layouts(plate.format), run_sources(plate.format)),
        (moved, moved.sources),
    ):
        if len(layouts):
            found = _many(scores, matrix, identity, layouts, sources, PRIOR_STRIP, LEAST_RUN, True)
            for proposal in by_pods(scores, identity, weighed(scores, matrix, identity, found), LEAST_RUN):
                yield replace(proposal, least=EVEN if proposal.least is None else NEVER)
    yield from stretches(scores, matrix, identity)


def _many(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    layouts: Sequence[Layout],
    sources: Ints,
    prior: float,
    least: int,
    speaks: bool,
) -> Iterator[Proposal]:
    """Those of many layouts for which a well speaks, never to be taken where fewer than `least` do.

    Where parent tubes move, the consensus is rebuilt.

    `speaks`: a place that the layout leaves empty, and that calls nothing, speaks for it.
    """
    doubtful = np.zeros(len(identity), dtype=bool)
    doubtful[doubtful_tubes(scores, matrix, identity)] = True
    for start in range(0, len(layouts), LAYOUTS_AT_ONCE):
        wells = wells_under(sources[start : start + LAYOUTS_AT_ONCE], scores)
        for i, changed, gain in _strip_gains(
            scores, matrix, identity, doubtful, wells, len(layouts), least, speaks
        ):
            if broad(gain, 1):
                layout = layouts[start + i]
                proposal = make_proposal(layout.words, gain, prior / len(layouts), changed)
                yield replace(proposal, layout=layout, least=None if broad(gain, least) else NEVER)


def _strip_gains(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    doubtful: Bools,
    wells: Ints,
    n_layouts: int,
    least: int,
    empty_speaks: bool,
) -> Iterator[tuple[int, Ints, Floats]]:
    """Number, identities and gain (well,) of those of some layouts that may be worth it; `wells` (layout,
    well) as in `wells_under`."""
    own = matrix.own(identity)
    sheet = np.append(identity, UNKNOWN)
    changed, columns = sheet[wells], matrix.column(sheet)[wells]
    gains = clipped(matrix.table[np.arange(len(identity)), columns] - own, matrix)
    moves = changed != identity
    plants = np.where(moves & ~scores.tube, gains, 0.0)
    speaks = (moves & scores.tube).any(axis=1) & ((plants > GAIN).sum(axis=1) >= 2)
    speaks &= plants.sum(axis=1) > 2 * GAIN
    rebuilt = ((moves & doubtful).any(axis=1) | speaks) & (n_layouts * len(identity) < 40_000)
    hopeful = (gains > GAIN).any(axis=1) | rebuilt
    silent = scores.blank > scores.called
    sample, most = identity != EMPTY, empty_says(scores, identity)
    for i in np.flatnonzero(moves.any(axis=1) & hopeful):
        gain, moved = gains[i], moves[i]
        if rebuilt[i]:
            gain = clipped(scores.exact(changed[i], matrix.anything) - own, matrix)
        # A well of which the sheet then says nothing fits whatever it holds: that speaks for no exchange with
        # an empty strip, or a cross harvested under a wrong tag would pass for a moved column.
        # Where a run of wells was shifted, its first well is empty, and calls nothing.
        empty = silent & empty_speaks
        gain = np.where((changed[i] == UNKNOWN), np.minimum(gain, np.where(empty, most, 0.0)), gain)
        if empty_speaks:
            gain = np.where((changed[i] == UNKNOWN) & sample & ~silent, gain + np.log(2 * FILLED), gain)
            # The same of a sample that calls nothing where a blank would come to stand.
            gain = np.where((changed[i] == EMPTY) & sample & silent, np.minimum(gain, most), gain)
        # Any plant of a family is a good consensus for its sibs: they speak only if the moved wells do not
        # fit worse, and at many markers.
        if (
            rebuilt[i]
            and broad(gain, 1)
            and not (gain[moved].sum() > -GAIN and many_markers(scores, identity, changed[i]))
        ):
            gain = np.where(moved, gain, np.minimum(gain, 0.0))
        yield int(i), changed[i], gain


def tags(scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools) -> Iterator[Proposal]:
    """Tags of two crosses swapped, as far as this plate shows it."""
    season, n = scores.season, scores.season.n_lines
    crosses = np.unique(identity[identity >= n])
    same = season.same_parents()
    own = matrix.own(identity)
    gains = clipped(matrix.robust - own[:, None], matrix)
    n_pairs = max(len(crosses) * (len(crosses) - 1) // 2, 1)
    speaks = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    wells, columns = [np.flatnonzero(identity == c) for c in crosses], matrix.column(crosses)
    # A tag of a single plant can only show that one; two such tags are a pair of wells.
    least = np.array([min(2, max(int(speaks[mine].sum()), 1)) for mine in wells])
    enough = [(gains[np.ix_(mine, columns)] > GAIN).sum(axis=0) for mine in wells] >= least[:, None]
    both = enough & enough.T & (np.add.outer(least, least) >= 3)
    both &= same[crosses][:, None] != same[crosses]
    for i, j in np.argwhere(np.triu(both, 1)).tolist():
        sides = [(i, j), (j, i)]
        each = [gains[wells[mine], columns[other]] for mine, other in sides]
        if not all(broad(g, n) for g, n in zip(each, least[[i, j]], strict=True)):
            continue
        a, b = int(crosses[i]), int(crosses[j])
        gain, changed = np.zeros(len(identity)), identity.copy()
        for (mine, other), its in zip(sides, each, strict=True):
            gain[wells[mine]], changed[wells[mine]] = its, crosses[other]
        words = f"tags of {season.crosses[a - n]} and {season.crosses[b - n]} swapped"
        proposal = make_proposal(words, gain, PRIOR_TAGS / n_pairs, changed)
        yield replace(proposal, tags=(a, b), mutual=True)


Source = Callable[[PlateScores, Matrix, Ints, Bools], Iterator[Proposal]]
SOURCES: tuple[Source, ...] = (
    whole_plate,
    parts,
    strips,
    copied_strips,
    runs,
    tags,
    pairs,
    tube_pairs,
)
ONCE = (whole_plate, parts)
"""A plate lies otherwise as a whole once, if at all."""


def _certain(proposal: Proposal) -> bool:
    """Whether a whole-plate layout needs no comparison: sure, and few wells are worse off."""
    worse = (proposal.gain * np.log(10) < -GAIN).mean()
    return bool(proposal.log10_odds > CERTAIN and worse <= WORSE_SHARE)


def _with_runs(
    scores: PlateScores, matrix: Matrix, identity: Ints, used: Bools, candidates: list[Proposal]
) -> list[Proposal]:
    """The candidates, with shifts from some well on where the best is a whole plate that was shifted; one
    that was shifted by a well looks most like those, and is then weighed as they are, by pods."""
    best = max(candidates, key=lambda p: p.log10_odds)
    if best.kind is not FindingKind.SHIFTED:
        return candidates
    if best.layout and best.layout.by_a_well:
        most = empty_says(scores, identity) / float(np.log(10))
        silent, whole = scores.blank > scores.called, []
        for p in candidates:
            if p.layout is not None and p.layout.by_a_well:
                gain = np.where((p.identity == UNKNOWN) & silent, np.minimum(p.gain, most), p.gain)
                whole.append(replace(lessened(p, gain), gain=gain))
        candidates = list(by_pods(scores, identity, weighed(scores, matrix, identity, whole), 4))
    return [*candidates, *runs(scores, matrix, identity, used)]


def search_layout(
    scores: PlateScores,
    threshold: float,
    start: Ints | None = None,
    sources: tuple[Source, ...] = SOURCES,
    labelled: Matrix | None = None,
) -> Search:
    """Take the best proposal while one reaches `threshold` (log10 posterior odds), at most MAX_STEPS.

    `start`: identities to start from, those of the sheet if None. `labelled`: the matrix as labelled, if
    it is known already.
    """
    identity = scores.plate.identity if start is None else start
    begin = identity
    first = labelled or scores.matrix(scores.plate.identity, labelled=True)
    matrix = first if start is None else scores.matrix(identity)
    before = misfit_wells(first, scores.plate.identity, scores)
    steps: list[Proposal] = []
    doubts, beside = tuple[Proposal, ...](), list[Proposal]()
    used = np.zeros(len(identity), dtype=bool)  # wells of a swap taken: no well is swapped twice
    while len(steps) < MAX_STEPS:
        allowed = sources if not steps else tuple(s for s in sources if s not in ONCE)
        candidates: list[Proposal] = []
        for source in allowed:
            candidates += source(scores, matrix, identity, used)
            if source is parts and any(_certain(p) for p in candidates):
                candidates = _with_runs(scores, matrix, identity, used, candidates)
                break
        taken = {s.words for s in steps}
        if (best := best_of([p for p in candidates if p.words not in taken], threshold)) is None:
            doubts = open_doubts(candidates)
            break
        steps.append(best)
        beside += beside_pair(best, candidates)
        identity = best.identity
        if best.wells is not None:
            used[list(best.wells)] = True
        if best.wells is None or scores.tube[list(best.wells)].any():
            matrix = scores.matrix(identity)
    left = misfit_wells(matrix, identity, scores)
    return Search(tuple(steps), matrix, identity, left, before, first, begin, doubts, tuple(beside))
