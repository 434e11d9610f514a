"""Two lines whose tubes or seed changed places, or a line that is another: one event, seen in many crosses.

For two lines a and b, and the crosses made with either, whatever their own fit,

    lod = sum over their plants w of clip(E_after[w] - E_own[w], -bound, bound) / ln 10  +  log10 prior

E_after: with b in place of a (and, where they changed places, a in place of b). The event must be seen in
more crosses than the one that shows it best, and is weighed against one explanation for each cross: it is
taken where it is likelier than all findings together that its plants have without it. The season is then
examined once more with the lines as the event has them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.arrays import Plate, SeasonTables
from crossproof.inference.plates.each import AskedOnce
from crossproof.inference.plates.score_matrix import ODD
from crossproof.inference.plates.tag_explanations import (
    Examined,
    bad_crosses,
    called_plants,
    many_markers_for,
)
from crossproof.model.arrays import Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import first_of

PRIOR_LINES = 1e-2
"""Share of seasons in which two lines are exchanged, or one is another. No source."""
BESIDES_BEST = 1.0
"""log10 likelihood that all crosses but the one that speaks loudest must add: one cross has a parent, not a
line, that is another."""
BOTH_WAYS = 1.0
"""log10 odds by which it must be likelier that both lines are the other than that one is."""
MOST_CANDIDATES = 6
"""Pairs of lines that are weighed in full, the most promising."""
MOST_EVENTS = 3


OnPlates = Mapping[int, Sequence[Examined]]
"""The plates that each cross has plants on."""
SLACK = 0.01
"""Nats that are added to what a well can say at most: it is rounded too."""


@dataclass(frozen=True)
class _Known:
    """What was worked out for other events: `gains` of a cross, and its plants that speak, by the cross and
    its parents as an event has them; `most` that wells of a plate can say, by its name."""

    gains: dict[tuple[int, int, int], tuple[np.ndarray, int]]
    most: dict[str, Floats]


@dataclass(frozen=True)
class LineEvent:
    """That `line` is `other` in all its crosses; with `mutual`, also the other way round.

    `crosses`: all that were made with either; `speaking`: those whose plants fit it better; `or_tags`:
    these are two whose tags may as well have been exchanged.
    """

    line: int
    other: int
    mutual: bool
    log10_odds: float
    crosses: tuple[int, ...]
    speaking: tuple[int, ...]
    or_tags: bool = False


def _replaced(parents: Ints, line: int, other: int, mutual: bool) -> Ints:
    """Parents (line indices) as the event has them."""
    out = np.where(parents == line, other, parents)
    return np.where(parents == other, line, out) if mutual else out


def season_after(season: SeasonTables, event: LineEvent) -> SeasonTables:
    """The season with its crosses made with the lines that the event names."""
    parents = (_replaced(p, event.line, event.other, event.mutual) for p in (season.mother, season.father))
    mother, father = parents
    return replace(season, mother=mother, father=father)


def _gains(
    cross: int, pairs: tuple[Ints, Ints], plates: Sequence[Examined], season: SeasonTables
) -> tuple[np.ndarray, int]:
    """log10 gain of a cross under each other pair of parents (pair,), and its plants that speak."""
    total, called = np.zeros(len(pairs[0])), 0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        matrix, state = x.search.matrix, x.scores.lines_under(x.search.identity, more=np.concatenate(pairs))
        fit = x.scores.pair_scores(*pairs, wells, state)
        fit = np.logaddexp(fit, (matrix.anything[wells] + np.log(ODD))[:, None])
        gain = fit + x.scores.called[wells][:, None] - matrix.own(x.search.identity)[wells][:, None]
        total += np.clip(gain, -matrix.bound, matrix.bound).sum(axis=0) / np.log(10)
        called += len(wells)
    return total, called


def _most(x: Examined) -> Floats:
    """Most that every well of a plate may add to the log10 odds of any event, (well,)."""
    matrix, scores = x.search.matrix, x.scores
    # No plant fits better than with the genotype that fits best at every marker.
    fit = np.logaddexp(scores.best_fit + SLACK, matrix.anything + np.log(ODD))
    gain = fit + scores.called - matrix.own(x.search.identity)
    return np.asarray((np.clip(gain, -matrix.bound, matrix.bound) + SLACK) / np.log(10))


def _most_of_cross(cross: int, on: OnPlates, season: SeasonTables, known: _Known) -> float:
    """The same of all plants of a cross."""
    total = 0.0
    for x in on[cross]:
        if x.plate.name not in known.most:
            known.most[x.plate.name] = _most(x)
        total += float(known.most[x.plate.name][called_plants(x, season.n_lines + cross)].sum())
    return total


def _candidates(
    on: OnPlates, plates: Sequence[Examined], season: SeasonTables, asked: AskedOnce
) -> list[tuple[int, int]]:
    """Pairs of lines of which badly fitting crosses fit one in place of the other, the likeliest first."""
    lines = np.arange(season.n_lines)
    votes = np.zeros((season.n_lines, season.n_lines))

    def of_cross(c: int) -> tuple[np.ndarray, int]:
        m, p = (np.full(len(lines), side[c]) for side in (season.mother, season.father))
        return _gains(c, (np.concatenate([lines, m]), np.concatenate([p, lines])), on[c], season)

    bad = [c for c in bad_crosses(plates, season, asked) if min(season.mother[c], season.father[c]) >= 0]
    for c, (gain, _) in zip(bad, asked(of_cross, bad, lambda c: c), strict=True):
        for parent, its in ((season.mother[c], gain[: len(lines)]), (season.father[c], gain[len(lines) :])):
            votes[parent] += np.maximum(its, 0.0)
    np.fill_diagonal(votes, 0.0)
    both = np.triu(votes + votes.T)
    best = np.argsort(-both, axis=None, kind="stable")[:MOST_CANDIDATES]
    return [
        (int(i), int(j)) for i, j in zip(*np.unravel_index(best, both.shape), strict=True) if both[i, j] > 0
    ]


def _event(
    event: tuple[int, int, bool], on: OnPlates, season: SeasonTables, known: _Known, least: float
) -> LineEvent | None:
    """The event (line, other, mutual) if its crosses bear it, more of them than one.

    `known`: gains, kept for other events. None as soon as its odds cannot reach `least`, log10.
    """
    line, other, mutual = event
    made = np.flatnonzero(np.isin(season.mother, (line, other)) | np.isin(season.father, (line, other)))
    after = [_replaced(p, line, other, mutual) for p in (season.mother, season.father)]
    n = season.n_lines
    prior = float(np.log10(PRIOR_LINES / (n * (n - 1) / (2 if mutual else 1))))
    differ = (after[0] != season.mother) | (after[1] != season.father)
    crosses = [c for c in made.tolist() if c in on and differ[c]]
    most = [_most_of_cross(c, on, season, known) for c in crosses]
    gains: dict[int, float] = {}
    reached = sum(most) + prior
    for c, its_most in zip(crosses, most, strict=True):
        if reached < least:
            return None
        asked = c, int(after[0][c]), int(after[1][c])
        if asked not in known.gains:
            known.gains[asked] = _gains(c, (after[0][[c]], after[1][[c]]), on[c], season)
        gain, called = known.gains[asked]
        if called:
            gains[c] = float(gain[0])
        reached += float(gain[0]) - its_most
    total = sum(gains.values())
    speaking = tuple(c for c, gain in gains.items() if gain > 0)
    if len(speaking) < 2 or total - max(gains.values()) < BESIDES_BEST:
        return None
    loudest = sorted(speaking, key=lambda c: -gains[c])

    def at_many_markers(c: int) -> bool:
        return many_markers_for(c, int(after[0][c]), int(after[1][c]), on[c], season)

    # A cross whose other parent is in question too may speak for anything: not it alone.
    if not at_many_markers(loudest[0]) or not any(at_many_markers(c) for c in loudest[1:]):
        return None
    or_tags = _are_exchanged_tags(speaking, after, season)
    if or_tags and sum(gains[c] for c in speaking) - total > BESIDES_BEST:
        return None  # the other crosses of the lines speak against it, and not against exchanged tags
    return LineEvent(line, other, mutual, total + prior, tuple(made.tolist()), speaking, or_tags)


def _are_exchanged_tags(speaking: Sequence[int], after: Sequence[Ints], season: SeasonTables) -> bool:
    """Whether two crosses are all that speaks, and each has the other's parents after the event."""
    if len(speaking) != 2:
        return False
    a, b = speaking
    return all(
        (after[0][c], after[1][c]) == (season.mother[d], season.father[d]) for c, d in ((a, b), (b, a))
    )


def line_event(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, asked: AskedOnce
) -> LineEvent | None:
    """The likeliest event about two lines, as the plates are labelled, if it reaches the threshold."""
    on: dict[int, list[Examined]] = {}
    for x in plates:
        for i in np.unique(x.plate.identity[x.plate.identity >= season.n_lines]).tolist():
            on.setdefault(i - season.n_lines, []).append(x)

    most: dict[str, Floats] = {}
    # One that is weighed down by less than this may still stand before another that reaches the threshold.
    least = threshold - BOTH_WAYS - SLACK

    def of_pair(lines: tuple[int, int]) -> list[LineEvent]:
        known = _Known({}, most)
        events = (
            _event((line, other, mutual), on, season, known, least)
            for line, other, mutual in ((*lines, True), (*lines, False), (*lines[::-1], False))
        )
        return [event for event in events if event is not None]

    pairs = _candidates(on, plates, season, asked)
    found = [event for events in asked(of_pair, pairs, lambda lines: lines) for event in events]
    best = max(found, key=lambda e: e.log10_odds - BOTH_WAYS * e.mutual, default=None)
    return best if best is not None and best.log10_odds >= threshold else None


def plants_of(crosses: Ints, plates: Sequence[Plate], season: SeasonTables) -> list[tuple[str, str]]:
    """Place and sample of all plants of these crosses, whatever their fit."""
    return [
        (p.place(int(w)), p.samples[w])
        for p in plates
        for w in np.flatnonzero(np.isin(p.identity, season.n_lines + crosses))
    ]


def with_crosses_of_tubes(
    found: Sequence[Finding], plates: Sequence[Plate], season: SeasonTables
) -> tuple[list[Finding], list[tuple[str, ...]]]:
    """The findings, those of swapped wells and of copied calls that take in tubes with all plants of these
    lines' crosses held; and the names of these lines."""
    of_tube = {
        p.samples[w]: int(p.identity[w])
        for p in plates
        for w in np.flatnonzero((p.identity >= 0) & (p.identity < season.n_lines))
    }
    out, lines = [], []
    for f in found:
        tubes = sorted({of_tube[s] for s in f.samples if s in of_tube})
        if f.kind in (FindingKind.WELLS_SWAPPED, FindingKind.CALLS_COPIED) and tubes:
            made = np.flatnonzero(np.isin(season.mother, tubes) | np.isin(season.father, tubes))
            sibs = tuple(s for _, s in plants_of(made, plates, season) if s not in f.samples)
            names = tuple(season.lines[i] for i in tubes)
            more = f" Held as well: all plants of the crosses of {' and '.join(names)}."
            f = replace(f, sibs=sibs, evidence=f.evidence + more)
            lines.append(names)
        out.append(f)
    return out, lines


def outweighs(event: Finding, found: Sequence[Finding]) -> bool:
    """Whether the event is likelier than what was found about its plants without it, each counted once."""
    mine, told, total = set(event.samples), set[str](), 0.0
    for f in sorted(found, key=lambda f: -f.log10_odds if np.isfinite(f.log10_odds) else np.inf):
        if f.corrections and mine.intersection(f.samples) and not told.intersection(f.samples):
            told.update(f.samples)
            total += f.log10_odds if np.isfinite(f.log10_odds) else 0.0
    return event.log10_odds > total


def event_finding(event: LineEvent, plates: Sequence[Plate], season: SeasonTables) -> Finding:
    """The event as a finding: all crosses of either line wait."""
    was, now = season.lines[event.line], season.lines[event.other]
    wells, samples = zip(*plants_of(np.array(event.crosses), plates, season), strict=True)
    names = first_of([season.crosses[c] for c in event.speaking], 12)
    row = (
        Correction(CorrectionKind.SWAP_LINES, was, now)
        if event.mutual
        else Correction(CorrectionKind.LINE_IS, was, now, "crosses")
    )
    on = sorted({w.rpartition(":")[0] for w in wells} - {""})
    text, used = f"Crosses made with {was} ({names}) fit {now} in its place.", now
    if event.mutual:
        text = (
            f"Crosses made with {was} or {now} ({names}) fit the other of the two in its place: their tubes, "
        )
        text += "or the plants used for crossing, changed places."
        used = "of the other line"
    remedy = (
        f"Genotype {was} and {now} again from seed. If the plants used for crossing were {used}, add the "
        "proposed row to corrections.csv and run again."
    )
    if event.or_tags:
        text += (
            f" Or the tags of {' and '.join(season.crosses[c] for c in event.speaking)} did: the calls of "
        )
        text += "these two look the same."
        remedy = (
            f"Compare the two tags with the crossing book and genotype {was} and {now} again from seed; then "
            "write the row that is so, swap tags or swap lines, into corrections.csv and run again."
        )
    return Finding(
        FindingKind.LINES_SWAPPED if event.mutual else FindingKind.LINE_WRONG,
        Scope.LINE,
        on[0] if len(on) == 1 else "",
        was,
        f"{text} Held: all plants of the crosses of either line.",
        remedy,
        wells=wells,
        samples=samples,
        other=now,
        log10_odds=event.log10_odds,
        hold=Hold.SAMPLES,
        corrections=() if event.or_tags else (row,),
    )


def without_other_rows(
    found: Sequence[Finding], pairs: Sequence[tuple[str, ...]], season: SeasonTables
) -> list[Finding]:
    """The findings, without the rows of those about crosses that wait for an answer about a line.

    `pairs`: names of the lines in question. Such rows were worked out with other parents, and would
    contradict the one about the lines.
    """
    lines = {name: " and ".join(pair) for pair in pairs for name in pair}
    waiting = {
        cross: lines[season.lines[p]]
        for parents in (season.mother, season.father)
        for cross, p in zip(season.crosses, parents.tolist(), strict=True)
        if p >= 0 and season.lines[p] in lines
    }
    out = []
    for f in found:
        if f.scope is Scope.CROSS and f.corrections and {f.subject, f.other} & waiting.keys():
            about = sorted({waiting[x] for x in (f.subject, f.other) if x in waiting})
            more = f" Nothing is proposed for it while lines {' and '.join(about)} are in question."
            f = replace(f, corrections=(), reassigned=(), evidence=f.evidence + more)
        out.append(f)
    return out
