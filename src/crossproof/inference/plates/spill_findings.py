"""Findings about DNA of one parent line over neighbouring wells of a plate.

Neighbouring wells that speak for the same line (`spills`) are added up, each bounded as in the search for
layouts. Plants of one pod that look like outcrosses by that line count once: one foreign donor for a pod is
common. A family speaks only where sibs of its plants are clear of the line, a hybrid among them, for else its
parents may not be what they should be; one that lies in the spill as a whole, only with others. Where the
line is a parent of the cross, wells speak by their reads alone, and not on a plate whose reads of a parent
are out of balance elsewhere as well; without reads such wells are held with their neighbours.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.plates.clear_plates import may_be_spilled
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.pod_runs import run_nats
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import N_RELATIONS, PlateScores
from crossproof.inference.plates.spills import (
    LIKE_OUTCROSS,
    SpillScores,
    known_lines,
    spill_scores,
    spill_state,
)
from crossproof.inference.plates.two_allele_calls import calls_of
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import count_of

PRIOR_SPILL = 1e-3
"""Share of plates on which DNA of a line ran over several wells; for all its wells and lines. No source."""
LIKELY_SPILL = 0.5
"""log10 odds from which plants are held: one that waits is typed again, one that is culled is gone. Of 400
faultless plates and 57 faultless seasons none has more than -0.2 (docs/plate_accuracy.md)."""
SPEAKS = 2.0
"""A well speaks for a spill, or against it, from this many nats."""
SPEAKS_LIKE = 1.0
"""The same of a plant that looks like an outcross by the line: that much comes of the line's own prior."""
SPEAKS_OWN = 6.0
"""A well speaks for more DNA of a parent of its cross from this many nats: plants of later generations come
near it."""
CLEARS = 10.0
"""A well beside a spill is clear of it from this many nats."""
MOST_OUT_OF_BALANCE = 0.2
"""Of the crossed plants of a line elsewhere, the most that may speak for more of it. No source."""
PARENT_KNOWN = 0.6
"""Share of markers at which the parents of a plant must be known for it to speak."""
LEAST_WELLS = 3
LEAST_SIBS = 2
"""Fewest sibs elsewhere on the plate that tell a spill from a family whose parents are others."""
NEAR = 2
"""Wells are neighbours up to this many rows and columns apart, or places in the order of filling."""
SELF, FATHER_SELFED = 1, 3
"""Their places among the relations; hybrids are the first."""
BY_PLACE = 6.0
"""Nats from which plants tell spilled DNA from another father by their places in pods and by A_WELL."""
A_WELL = 4.6
"""Nats, 100 to 1, of a plant beside them that shows the line and cannot be its child."""
MUCH = 0.25
"""A finding about a cross proposes nothing if more of its plants than this lie in a spill."""


def near_wells(scores: PlateScores, wells: Ints) -> Bools:
    """Which of these wells are neighbours, (well, well)."""
    plate = scores.plate
    r, c = plate.rows[wells], plate.columns[wells]
    apart = [np.abs(np.subtract.outer(x, x)) for x in (r, c)]
    near = np.maximum(*apart) <= NEAR
    for order in (r * plate.format.columns + c, c * plate.format.rows + r):
        near |= np.abs(np.subtract.outer(order, order)) <= NEAR
    return np.asarray(near)


def _together(near: Bools) -> Ints:
    """Number of the group of linked wells that each well belongs to."""
    group = np.arange(len(near))
    while True:
        new = np.where(near, group, len(group)).min(axis=1, initial=len(group))
        if (new == group).all():
            return group
        group = new


def _speak(found: SpillScores, j: int, gain: Floats) -> Ints:
    """Places of the wells that speak for line `j`. One that another line explains far better speaks for that
    one; without reads none speaks for a parent of its own: a parent plant that departs looks the same."""
    mute = found.own & ~found.read[:, None]
    best = np.where(mute, -np.inf, found.spilled).max(axis=1, initial=-np.inf)
    least = np.where(found.like_outcross[:, j], SPEAKS_LIKE, SPEAKS)
    enough = gain > np.where(found.own[:, j], SPEAKS_OWN, least)
    return np.flatnonzero(enough & ~mute[:, j] & (found.spilled[:, j] > best - LIKE_OUTCROSS))


def _groups(found: SpillScores, j: int, speak: Ints, near: Bools) -> list[Ints]:
    """The wells that speak for line `j`, by group; plants that may be outcrosses by it link those beside."""
    link = found.like_outcross[:, j] & (found.spilled[:, j] > -CLEARS) & ~found.own[:, j]
    link[speak] = True
    linked = np.flatnonzero(link)
    group = _together(near[np.ix_(linked, linked)])
    member = np.isin(linked, speak)
    return [linked[(group == g) & member] for g in np.unique(group[member])]


def _run(
    scores: PlateScores, matrix: Matrix, identity: Ints, found: SpillScores, j: int, group: Ints
) -> float:
    """What the places of these wells within their pods say for a spill of line `j`, in nats."""
    like = found.like_outcross[:, j] & (found.spilled[:, j] > 0)
    family = np.isin(identity[found.wells], identity[found.wells[group]])
    clear = found.wells[family & (found.spilled[:, j] < -SPEAKS)]
    clear = clear[_as_tagged(scores, matrix, identity, clear)]
    return run_nats(scores.plate, identity, found.wells[group], found.wells[like], clear)


def _relations(scores: PlateScores, identity: Ints, wells: Ints) -> Floats:
    """log P(calls | relation to the parents of its tag) of these wells, (well, relation)."""
    season, state = scores.season, scores.lines_under(identity)
    out = np.zeros((len(wells), N_RELATIONS))
    for i in np.unique(identity[wells]):
        mine, c = identity[wells] == i, np.array([i - season.n_lines])
        out[mine] = scores.relation_scores(season.mother[c], season.father[c], wells[mine], state)[:, 0]
    return out


def _crossed(scores: PlateScores, identity: Ints, wells: Ints) -> Bools:
    """Which of these wells fit a hybrid of their tag better than its mother or its father selfed, (well,)."""
    by = _relations(scores, identity, wells)
    return np.asarray(by[:, 0] > np.maximum(by[:, 1], by[:, FATHER_SELFED]))


def _hybrids(scores: PlateScores, identity: Ints, wells: Ints) -> Bools:
    """Which of these wells fit a hybrid of their tag best, or nearly so: an outcross to a line that was never
    typed is close where a parent plant departs from its line, (well,)."""
    by = _relations(scores, identity, wells) + scores.relation_prior()
    return np.asarray(by[:, 0] > by.max(axis=1, initial=-np.inf) - LIKE_OUTCROSS)


def _as_tagged(scores: PlateScores, matrix: Matrix, identity: Ints, wells: Ints) -> Bools:
    """Which of these wells fit a hybrid or a self of their tag better than any other plant, (well,)."""
    by = _relations(scores, identity, wells) + scores.relation_prior()
    other = np.logaddexp(log_sum(by[:, SELF + 1 :], axis=1), matrix.anything[wells])
    return np.asarray(log_sum(by[:, : SELF + 1], axis=1) > other)


def _in_balance(scores: PlateScores, identity: Ints, found: SpillScores, j: int, elsewhere: Bools) -> bool:
    """Whether crossed plants of line `j` elsewhere, LEAST_SIBS at least, show no more of it than their own.

    Where the reads of one line are favoured, as those of the line that they are aligned to may be, all do."""
    wells = np.flatnonzero(elsewhere & found.read & found.own[:, j])
    wells = wells[_crossed(scores, identity, found.wells[wells])]
    speak = found.spilled[wells, j] > SPEAKS
    return len(speak) >= LEAST_SIBS and float(speak.mean()) <= MOST_OUT_OF_BALANCE


def _told_apart(
    scores: PlateScores, matrix: Matrix, identity: Ints, group: Ints, found: SpillScores, j: int, near: Bools
) -> Ints:
    """The wells of a group whose sibs outside it speak against the spill: where all hybrids of the family
    speak for it, its parents are not what they should be. A family all of whose plants lie there counts with
    others; so does one of the line whose reads may be out of balance wherever it was a parent."""
    beside, of = np.asarray(near[group].any(axis=0)), identity[found.wells]
    outside = np.ones(len(of), dtype=bool)
    outside[group] = False
    spilled = found.spilled[:, j]
    apart: list[Ints] = []
    inside: list[Ints] = []
    out_of_balance: list[Ints] = []
    for i in np.unique(of[group]):
        mine = group[of[group] == i]
        sibs = np.flatnonzero((of == i) & outside)
        far = sibs[~beside[sibs]]
        clear = sibs[spilled[sibs] < -SPEAKS]
        if found.own[mine[0], j]:
            sound = len(sibs) >= LEAST_SIBS and bool(np.median(spilled[sibs]) < SPEAKS)
            sound = sound and _in_balance(scores, identity, found, j, outside)
            (apart if sound else out_of_balance).append(mine)
        elif len(far) < LEAST_SIBS or np.median(spilled[far]) < -SPEAKS:
            # Selfs and outcrosses among the sibs are clear whoever the parents were; a hybrid that is clear
            # shows that they are as recorded. A line's DNA beside that of selfs looks like an outcross by it,
            # beside that of hybrids like no plant: no father makes both. Nor does one fill a run of a pod.
            like = found.like_outcross[mine, j]
            by_place = _run(scores, matrix, identity, found, j, mine) + A_WELL * int((~like).sum())
            told = bool(like.any()) and by_place > BY_PLACE
            told = told or bool(_hybrids(scores, identity, found.wells[clear]).any())
            (apart if len(clear) >= LEAST_SIBS and told else inside).append(mine)
    if not apart and len(inside) < 2:
        return group[:0]
    return np.sort(np.concatenate([*apart, *inside, *out_of_balance]))


def _parents_known(scores: PlateScores, identity: Ints, wells: Ints) -> Bools:
    """Which of these plants have two parents that are known at most markers, (well,): where the tube of one
    failed, a line like it explains all its families."""
    season, state = scores.season, spill_state(scores, identity)
    cross = identity[wells] - season.n_lines
    known = np.ones(len(wells), dtype=bool)
    for parent in (season.mother[cross], season.father[cross]):
        known &= (parent >= 0) & (state.known[state.at(parent)] >= PARENT_KNOWN)
    return known


def _silent(scores: PlateScores, identity: Ints, beside: Ints) -> Ints:
    """Plants with too few calls to speak, beside these wells."""
    plate = scores.plate
    few = (identity >= scores.season.n_lines) & (plate.n_called < 0.3 * plate.n_markers)
    wells = np.flatnonzero(few & (plate.n_called > 0))
    near = near_wells(scores, np.concatenate([wells, beside]))
    return wells[near[: len(wells), len(wells) :].any(axis=1)]


def _nats(scores: PlateScores, identity: Ints, wells: Ints, gain: Floats, like_outcross: Bools) -> float:
    """Sum of gains, plants of one pod that look like outcrosses counted once."""
    plate = scores.plate
    once: dict[tuple[int, str], float] = {}
    total = float(gain[~like_outcross].sum())
    for w, g in zip(wells[like_outcross].tolist(), gain[like_outcross].tolist(), strict=True):
        key = int(identity[w]), plate.pods[w] if plate.pods else ""
        once[key] = max(g, once.get(key, 0.0))
    return total + sum(once.values())


def _may_be(scores: PlateScores, matrix: Matrix, identity: Ints) -> bool:
    """Whether so many wells as a finding takes may speak for a line at all."""
    calls, state = calls_of(scores, matrix, identity), spill_state(scores, identity)
    lines = known_lines(state)
    return calls is None or may_be_spilled(
        scores, calls, identity, lines, state, least=LEAST_WELLS, nats=SPEAKS_LIKE
    )


def spill_findings(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    threshold: float = LIKELY_SPILL,
    borne: frozenset[str] = frozenset(),
) -> list[Finding]:
    """One finding for each line whose DNA ran over neighbouring wells, less the samples `borne` out by
    another finding."""
    plate = scores.plate
    if not plate.placed or not _may_be(scores, matrix, identity):
        return []
    plants = (identity >= scores.season.n_lines) & (plate.n_called >= 0.3 * plate.n_markers)
    open_to_it = plants & np.array([s not in borne for s in plate.samples])
    open_to_it[plants] &= _parents_known(scores, identity, np.flatnonzero(plants))
    found = spill_scores(scores, matrix, identity, np.flatnonzero(open_to_it))
    out: list[Finding] = []
    near = near_wells(scores, found.wells)
    prior = float(np.log10(PRIOR_SPILL / max(len(found.wells) * len(found.lines), 1)))
    for j, line in enumerate(found.lines.tolist()):
        gain = clipped(found.spilled[:, j], matrix)
        for group in _groups(found, j, _speak(found, j, gain), near):
            mine = _told_apart(scores, matrix, identity, group, found, j, near)
            if len(mine) < LEAST_WELLS:
                continue
            nats = _nats(scores, identity, found.wells[mine], gain[mine], found.like_outcross[mine, j])
            nats += _run(scores, matrix, identity, found, j, mine)
            odds = nats / float(np.log(10)) + prior
            if odds >= threshold:
                beside: Bools = np.asarray(near[mine].any(axis=0))
                # A plant that is none of its cross may be so by the DNA that ran over its well.
                as_tagged = _as_tagged(scores, matrix, identity, found.wells[beside])
                beside[beside] = (found.spilled[beside, j] > -CLEARS) | ~as_tagged
                beside[mine] = True
                held = np.union1d(found.wells[beside], _silent(scores, identity, found.wells[mine]))
                out.append(_finding(scores, line, found.wells[mine], held, odds))
    return likeliest(out)


def without_spilled(found: list[Finding]) -> list[Finding]:
    """The findings, those about a cross without their proposals where much of it lies in a spill: another
    line's DNA in several plants of a cross looks like another parent."""
    spilled = {s for f in found if f.kind is FindingKind.SPILLED for s in f.samples}
    out = []
    for f in found:
        if f.scope is Scope.CROSS and f.corrections and f.samples:
            if len(spilled.intersection(f.samples)) > MUCH * len(f.samples):
                f = replace(
                    f, corrections=(), evidence=f.evidence + " Spilled DNA may be the whole explanation."
                )
        out.append(f)
    return out


def likeliest(found: list[Finding]) -> list[Finding]:
    """Of findings that share wells, the one with the greatest odds; it holds the wells of the others too."""
    out: list[Finding] = []
    for f in sorted(found, key=lambda f: -f.log10_odds):
        shared = [i for i, other in enumerate(out) if set(f.samples) & set(other.samples)]
        for i in shared[:1]:
            out[i] = _with_wells_of(out[i], f)
        if not shared:
            out.append(f)
    return out


def _with_wells_of(f: Finding, other: Finding) -> Finding:
    """A finding that holds the wells of another story of its wells as well."""
    more = [(w, s) for w, s in zip(other.wells, other.samples, strict=True) if s not in f.samples]
    if not more:
        return f
    rows = tuple(Correction(CorrectionKind.EXCLUDE_WELL, w) for w, _ in more) if f.corrections else ()
    plants = count_of(len(more), "plant")
    return replace(
        f,
        wells=f.wells + tuple(w for w, _ in more),
        samples=f.samples + tuple(s for _, s in more),
        corrections=f.corrections + rows,
        evidence=f"{f.evidence} Held as well: {plants} whose DNA another story of these wells concerns.",
    )


def _finding(scores: PlateScores, line: int, speak: Ints, held: Ints, odds: float) -> Finding:
    plate, name = scores.plate, scores.season.name(line)
    wells = ", ".join(plate.well_name(int(w)) for w in speak[:12]) + (" and more" if len(speak) > 12 else "")
    return Finding(
        FindingKind.SPILLED,
        Scope.PLATE,
        plate.name,
        plate.name,
        f"Neighbouring wells of plate {plate.name} ({wells}) fit best with DNA of {name} beside that of "
        f"their plants. Held: {count_of(len(held), 'plant')}, with the wells beside these that calls do "
        "not clear.",
        "Take new samples of these plants; look for splashes, leaks or re-used tips where this line was "
        "handled.",
        wells=tuple(plate.place(int(w)) for w in held),
        samples=tuple(plate.samples[w] for w in held),
        other=name,
        log10_odds=odds,
        hold=Hold.SAMPLES,
        corrections=tuple(Correction(CorrectionKind.EXCLUDE_WELL, plate.place(int(w))) for w in held),
    )
