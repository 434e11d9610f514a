"""Layouts for which a few wells speak, weighed against all that these wells can be where they stand.

The search compares crosses as mixtures of hybrids, selfs and so on. A plant that fits the tag beside its own
may as well be an outcross by a line of the panel, or stray seed of that cross; with T as in `tag_scores`,
what a well w with tag i says for a layout that gives it tag j is at most

    T[w, j] - T[w, i]
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.proposals import NEVER, Proposal, broad, lessened
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.inference.plates.well_pairs import count_called, loose_plants
from crossproof.model.arrays import Ints

BY_PODS = 1.0
"""log10 odds by pods that suffice for a layout: as many as are asked for any finding."""
POD = 4
"""Plants of a tag that count as a pod where none is recorded. No source."""


def weighed(
    scores: PlateScores, matrix: Matrix, identity: Ints, proposals: Iterable[Proposal]
) -> list[Proposal]:
    """The proposals, in their order, where what loose plants say for them is bounded as above.

    The share of stray seed is that of the plate's other wells and of the season's other plates. Doing it
    twice changes nothing more.
    """
    proposals = list(proposals)
    loose = loose_plants(scores, matrix, identity) if proposals else np.empty(0, dtype=np.int64)
    if not len(loose):
        return proposals
    n = scores.season.n_lines
    tags = tag_scores(scores, matrix, identity, loose)
    tag = identity[loose] - n
    plants = count_called(scores, identity)
    out = []
    for p in proposals:
        new = p.identity[loose]
        moved = (new != identity[loose]) & (new >= n) & (p.gain[loose] > 0)
        rows = np.flatnonzero(moved)
        if not len(rows):
            out.append(p)
            continue
        stray = tags.stray(tag, plants - len(rows), scores.strays_elsewhere, np.flatnonzero(~moved))
        fit = tags.under(stray)[rows]
        here = np.arange(len(rows))
        own, there = (fit[here, np.searchsorted(tags.crosses, c)] for c in (tag[rows], new[rows] - n))
        before = p.gain[loose[rows]]
        less = np.minimum((there - own) / np.log(10) - before, 0.0)
        gain = p.gain.copy()
        gain[loose[rows]] = before + less
        odds, likelihood = (x + float(less.sum()) for x in (p.log10_odds, p.likelihood))
        out.append(replace(p, log10_odds=odds, likelihood=likelihood, gain=gain))
    return out


def by_pods(
    scores: PlateScores, identity: Ints, proposals: Iterable[Proposal], least: int
) -> Iterator[Proposal]:
    """The proposals, with what the plants of a pod say for one counted once, as the one that says most.

    Stray pollen, or a pod under a wrong tag, makes all plants of a pod fit another tag: that is one event.
    Never to be taken where fewer than `least` pods, tubes or blanks speak.
    """
    plate, n = scores.plate, scores.season.n_lines
    for p in proposals:
        seen: dict[tuple[object, ...], int] = {}
        wells = np.flatnonzero((p.gain > 0) & (identity >= n) & (p.identity != identity))
        once = p.gain.copy()
        for w in wells[np.argsort(-p.gain[wells], kind="stable")].tolist():
            tags = int(identity[w]), int(p.identity[w])
            pod = (*tags, plate.pods[w]) if plate.pods and plate.pods[w] else tags
            seen[pod] = seen.get(pod, 0) + 1
            if (len(pod) == 3 and seen[pod] > 1) or (len(pod) == 2 and seen[pod] % POD != 1):
                once[w] = 0.0
        speaks = broad(once * np.log(10), least)
        yield replace(lessened(p, once), least=p.least if speaks else NEVER)


def borne_by_pods(
    scores: PlateScores, identity: Ints, proposals: Iterable[Proposal], least: int
) -> Iterator[Proposal]:
    """The proposals, with their own odds where those by pods suffice as well, else with those by pods.

    Tags and other layouts, with which they are compared, have all their plants counted.
    """
    for p in proposals:
        for by_pod in by_pods(scores, identity, [p], least):
            suffices = by_pod.log10_odds >= BY_PODS and by_pod.least != NEVER
            yield p if suffices else by_pod
