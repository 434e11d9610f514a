"""One plate at a time: its scores, the search for its layout, and the parents' evidence that both rest on.

- `examine_plate`: scores and layout of one plate
- `searched`: the layout looked for, from given identities on
- `with_believed_tubes`: plates examined anew once another plate is found to hold its parent tubes elsewhere
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables, all_alike, line_evidence
from crossproof.inference.plates.each import Each
from crossproof.inference.plates.failed_wells import is_dead
from crossproof.inference.plates.layout_search import (
    SOURCES,
    Search,
    Source,
    parts,
    search_layout,
    tags,
    turned_empty,
    whole_plate,
)
from crossproof.inference.plates.line_checks import line_tube_findings
from crossproof.inference.plates.plate_excess import odd_as_labelled
from crossproof.inference.plates.plate_exchange import MISFIT_SHARE
from crossproof.inference.plates.reversed_tags import directions
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.stray_seed import TagScores
from crossproof.inference.plates.tag_explanations import Examined, ask, ask_all, strange_plants
from crossproof.inference.plates.well_pairs import stray_counts
from crossproof.model.arrays import Floats, Ints
from crossproof.model.findings import Finding


def _sources(plate: Plate, usual: float) -> tuple[Source, ...]:
    """What is tried on a plate: nothing where fewer than one sample in ten called, or fewer than four.

    Nothing either where all wells show the same calls, unless blanks call and samples do not. On a plate
    without DNA: whether it lies on its empty wells.
    """
    if plate.placed and is_dead(plate, usual):
        return (turned_empty,)
    calls = plate.n_called >= 0.3 * plate.n_markers
    called = int(calls.sum())
    blank = plate.identity == EMPTY
    if not ((calls & blank).any() and (~calls & ~blank).any()) and all_alike(plate):
        return ()
    if called < max(4, 0.1 * int((plate.identity != EMPTY).sum())):
        return ()
    return SOURCES if plate.placed else (tags,)


def best_layout(x: Examined, usual: float) -> float:
    """log10 odds of the best layout of the whole plate, or of its halves or quadrants, 0 if there is none."""
    tried = [s for s in (whole_plate, parts) if s in _sources(x.plate, usual)]
    unused = np.zeros(len(x.plate), dtype=bool)
    found = [p for s in tried for p in s(x.scores, x.search.matrix, x.plate.identity, unused)]
    return max((p.log10_odds for p in found), default=0.0)


def examine_plate(
    plate: Plate,
    season: SeasonTables,
    evidence: tuple[Floats, ...],
    *,
    usual: float,
    background: float,
    odd_tubes: frozenset[str] = frozenset(),
    min_log10_odds: float = 1.0,
    as_labelled: bool = False,
) -> Examined:
    """The layout of one plate: its scores and the steps of the search, none if `as_labelled`.

    `evidence`: line evidence of the season (see `line_evidence`), this plate's tubes included except
    `odd_tubes`. `usual`, `background`: call rates of samples and of blanks over the season.
    """
    scores = PlateScores(plate, season, evidence, usual=usual, background=background, odd_tubes=odd_tubes)
    sources = () if as_labelled else _sources(plate, usual)
    return Examined(scores, search_layout(scores, min_log10_odds, sources=sources))


def examined_as_labelled(
    plates: Sequence[Plate],
    season: SeasonTables,
    evidence: tuple[Floats, ...],
    *,
    usual: float,
    background: float,
    odd_tubes: frozenset[str],
    min_log10_odds: float,
    each: Each,
) -> list[Examined]:
    """All plates as `examine_plate` has them as labelled, and what is asked of them so."""
    of_plates = [
        PlateScores(p, season, evidence, usual=usual, background=background, odd_tubes=odd_tubes)
        for p in plates
    ]

    def of_plate(
        scores: PlateScores,
    ) -> tuple[Search, dict[bytes, Floats], dict[bytes, TagScores], dict[str, Any]]:
        x = Examined(scores, search_layout(scores, min_log10_odds, sources=()))
        if _sound(x) and len(of_plates) > 1:
            ask(_strays, x)
        for question in (odd_as_labelled, strange_plants, directions):
            ask(question, x)
        return x.search, scores.relations, scores.tag_scores, scores.answers

    out = []
    for scores, known in zip(of_plates, each(of_plate, of_plates), strict=True):
        search, relations, tags, answers = known  # worked out, it may be, in another process
        scores.relations.update(relations)
        scores.tag_scores.update(tags)
        scores.answers.update(answers)
        out.append(Examined(scores, search))
    return out


def searched(
    plates: Sequence[Examined], starts: Sequence[Ints], usual: float, threshold: float, each: Each
) -> list[Examined]:
    """Plates examined as labelled with their layouts looked for, from the identities `starts` on."""

    def of_plate(i: int) -> tuple[Search, dict[bytes, TagScores]]:
        x, start = plates[i], starts[i]
        search = search_layout(
            x.scores,
            threshold,
            start=None if (start == x.plate.identity).all() else start,
            sources=_sources(x.plate, usual),
            labelled=x.search.matrix,
        )
        return search, x.scores.tag_scores

    out = []
    for x, (search, known) in zip(plates, each(of_plate, range(len(plates))), strict=True):
        x.scores.tag_scores.update(known)  # noted down, it may be, in another process
        out.append(Examined(x.scores, replace(search, labelled=x.search.matrix)))
    return out


def season_evidence(season: SeasonTables, plates: Sequence[Plate]) -> tuple[Floats, ...]:
    """Line evidence as given, else gathered from the plates."""
    given = [b.evidence for b in season.blocks]
    if all(e is not None for e in given):
        return tuple(np.asarray(e, dtype=np.float64) for e in given)
    return line_evidence(season, plates)


def evidence_without(
    evidence: tuple[Floats, ...], season: SeasonTables, plates: Sequence[Plate], odd: frozenset[str]
) -> tuple[Floats, ...]:
    """Evidence less that of the odd tubes."""
    if not odd:
        return evidence
    everyone = frozenset(s for p in plates for s in p.samples)
    odd_only = line_evidence(season, plates, without=everyone - odd)
    return tuple(e - o for e, o in zip(evidence, odd_only, strict=True))


def _sound(x: Examined) -> bool:
    """Whether a plate fits its sheet well enough to tell of stray seed."""
    return bool(x.search.labelled_misfit.mean() <= MISFIT_SHARE)


def _strays(x: Examined) -> tuple[float, float]:
    """Stray seed on a plate as labelled, and its plants."""
    return stray_counts(x.scores, x.search.matrix)


def count_strays(examined: Sequence[Examined], each: Each) -> None:
    """Tell each plate how much stray seed the others show, less those that fit their sheets badly."""
    if len(examined) == 1:
        return
    sound = [x for x in examined if _sound(x)]
    counted = ask_all(_strays, sound, each)
    counts = {x.plate.name: its for x, its in zip(sound, counted, strict=True)}
    strays, plants = (sum(c[i] for c in counts.values()) for i in (0, 1))
    for x in examined:
        mine = counts.get(x.plate.name, (0.0, 0.0))
        x.scores.strays_elsewhere = (max(strays - mine[0], 0.0), plants - mine[1])


def _tubes_moved(x: Examined) -> bool:
    """Whether a plate lies otherwise, and its parent tubes with it."""
    before, after, n = x.plate.identity, x.search.identity, x.scores.season.n_lines
    tube = ((before >= 0) & (before < n)) | ((after >= 0) & (after < n))
    return any(s.layout is not None for s in x.search.steps) and bool((tube & (before != after)).any())


def with_believed_tubes(
    examined: Sequence[Examined],
    season: SeasonTables,
    everything: tuple[Floats, ...],
    conflict: float,
    *,
    usual: float,
    background: float,
    threshold: float,
    each: Each,
) -> tuple[list[Examined], list[Finding], tuple[Floats, ...], frozenset[str]] | None:
    """The plates, those that hold their tubes as labelled examined anew; findings about tubes; evidence; odd
    tubes. None where no tube moved.

    A line's tubes on a plate that lies otherwise hold other lines. As long as they count for the line, sound
    plates seem not to fit, and sound tubes seem odd. `everything`: line evidence of all tubes as labelled;
    `conflict`: share of markers at which two tubes of a line may differ.
    """
    moved = [_tubes_moved(x) for x in examined]
    if not any(moved) or all(moved):
        return None
    labelled = [x.plate for x in examined]
    plates = [
        replace(x.plate, identity=np.maximum(x.search.identity, EMPTY)) if m else x.plate
        for x, m in zip(examined, moved, strict=True)
    ]
    everything = tuple(
        e - before + after
        for e, before, after in zip(
            everything, line_evidence(season, labelled), line_evidence(season, plates), strict=True
        )
    )
    tubes = line_tube_findings(plates, season, everything, conflict)
    odd = frozenset(s for f in tubes if f.corrections for s in f.samples)
    evidence = evidence_without(everything, season, plates, odd)
    anew = list(examined)
    stay = [i for i, m in enumerate(moved) if not m]
    of_stay = examined_as_labelled(
        [examined[i].plate for i in stay],
        season,
        evidence,
        usual=usual,
        background=background,
        odd_tubes=odd,
        min_log10_odds=threshold,
        each=each,
    )
    for i, x in zip(stay, of_stay, strict=True):
        anew[i] = x
    count_strays(anew, each)
    starts = [examined[i].search.start for i in stay]
    found = searched([anew[i] for i in stay], starts, usual, threshold, each)
    for i, x in zip(stay, found, strict=True):
        anew[i] = x
    return anew, tubes, evidence, odd
