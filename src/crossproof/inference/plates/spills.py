"""DNA of one parent line that ran over several wells of a plate.

One well mixed with a line may pass for an outcross; neighbours of several crosses that all show the alleles
of one line do not. For a well w, a line l and the relations r to its own cross,

    s(w, l) = log sum_r p(r) P(D_w | r and l)  -  log P(D_w | one plant)

one plant being of its cross, an outcross by any line, or anything;

from the calls (a heterozygote wherever the two have two alleles), and from the reads where there are depths
(shares 5 to 50 % of l). Neighbouring wells that speak for the same line are added up, each bounded as in the
search for layouts. Plants of one pod that look like outcrosses by l count once: one foreign donor for a pod
is common. Where the line is a parent of the cross, calls say nothing: such wells are held with their
neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.mixtures import SHARES, depth_table, union_calls
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import N_RELATIONS, LineState, PlateScores
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import count_of

PRIOR_SPILL = 1e-3
"""Share of plates on which DNA of a line ran over several wells; for all its wells and lines. No source."""
SPEAKS = 2.0
"""A well speaks for a spill, or against it, from this many nats."""
LEAST_WELLS = 3
LEAST_SIBS = 2
"""Fewest sibs elsewhere on the plate that tell a spill from a family whose parents are others."""
NEAR = 2
"""Wells are neighbours up to this many rows and columns apart, or places in the order of filling."""
MOST_LINES = 40
"""In a season of more lines, only those that the plate has to do with are looked for."""
KNOWN = 0.6
"""Share of markers at which a line must be known to be named."""
LIKE_OUTCROSS = 6.0
"""An outcross by the line explains a well nearly as well from this many nats below."""
ASK_READS = -3.0
"""Reads are asked about the lines that the calls do not rule out by this many nats."""
MUCH = 0.25
"""A finding about a cross proposes nothing if more of its plants than this lie in a spill."""
OUTCROSS = 2
"""Place of outcrosses among the relations."""


@dataclass(frozen=True)
class SpillScores:
    """`spilled` s(w, l) (well, line), `like_outcross` where one plant by that line fits nearly as well."""

    wells: Ints
    lines: Ints
    spilled: Floats
    like_outcross: Bools


def one_plant(
    scores: PlateScores, matrix: Matrix, identity: Ints, wells: Ints, lines: Ints, state: LineState
) -> tuple[Floats, Floats]:
    """log P(calls | one plant) of each well, and of an outcross of its mother by each line (well, line)."""
    n, season = scores.season.n_lines, scores.season
    by_line = np.zeros((len(wells), len(lines)))
    mothers, of = np.unique(season.mother[identity[wells] - n], return_inverse=True)
    for b, x in enumerate(scores.likelihood):
        gametes = gamete_table(season.blocks[b].k)
        pollen = scores.parent_table(b, lines, state) @ gametes
        for i, m in enumerate(mothers.tolist()):
            mine = np.flatnonzero(of == i)
            egg = scores.parent_table(b, np.array([m]), state) @ gametes
            child = child_of_gametes(np.broadcast_to(egg, pollen.shape), pollen)
            by_line[mine] += log_sums(child.transpose(1, 2, 0), x[:, wells[mine]])
    by_line += scores.relation_prior()[OUTCROSS] - np.log(max(len(lines), 1))
    own = scores.plain(identity, state)[wells]
    one = np.logaddexp(np.logaddexp(own, log_sum(by_line, axis=1)), matrix.anything[wells])
    return np.asarray(one), by_line


def _from_calls(scores: PlateScores, identity: Ints, wells: Ints, lines: Ints, state: LineState) -> Floats:
    """log P(calls | a plant of the cross and the line), (well, line)."""
    n, season = scores.season.n_lines, scores.season
    crosses, of = np.unique(identity[wells] - n, return_inverse=True)
    total = np.zeros((len(wells), len(lines), N_RELATIONS))
    for b, x in enumerate(scores.likelihood):
        union = union_calls(season.blocks[b].k)
        parents = (scores.parent_table(b, p[crosses], state) for p in (season.mother, season.father))
        plants = scores.cross_table(b, *parents)  # cross, relation, marker, genotype
        tables = scores.parent_table(b, lines, state)
        calls = np.stack([np.tensordot(line, union, axes=(1, 1)) for line in tables])  # line, marker, g1, g
        for c in range(len(crosses)):
            mine = np.flatnonzero(of == c)
            mixed = np.matmul(plants[c].transpose(1, 0, 2), calls)  # line, marker, relation, g
            flat = mixed.transpose(1, 3, 0, 2).reshape(len(x), x.shape[2], -1)
            total[mine] += log_sums(flat, x[:, wells[mine]]).reshape(len(mine), len(lines), N_RELATIONS)
    return log_sum(total + scores.relation_prior(), axis=2)


def _from_reads(
    scores: PlateScores, identity: int, well: int, lines: Ints, state: LineState
) -> tuple[float, Floats]:
    """log P(reads | one plant), outcrosses by these lines among them, and with each line's DNA (line,)."""
    n, season = scores.season.n_lines, scores.season
    pair = (season.mother[[identity - n]], season.father[[identity - n]])
    single = np.zeros(N_RELATIONS)
    by_line = np.zeros(len(lines))
    mixed = np.zeros((len(lines), len(SHARES) - 1, N_RELATIONS))
    for b, block in enumerate(scores.plate.blocks):
        if block.depths is None:
            continue
        reads = depth_table(block.depths[scores.nuclear[b], well].astype(np.float64))
        mother, father = (scores.parent_table(b, p, state) for p in pair)
        plants = scores.cross_table(b, mother, father)[0]
        donors = scores.parent_table(b, lines, state)
        gametes = gamete_table(season.blocks[b].k)
        pollen = donors @ gametes
        child = child_of_gametes(np.broadcast_to(mother @ gametes, pollen.shape), pollen)
        alone = reads[:, 0, :, 0]
        single += np.log((plants * alone).sum(axis=2)).sum(axis=1)
        by_line += np.log((child * alone).sum(axis=2)).sum(axis=1)
        part = np.einsum("rmx,lmy,mcxy->lcrm", plants, donors, reads[:, 1:], optimize=True)
        mixed += np.log(part).sum(axis=3)
    prior = scores.relation_prior()
    one = float(log_sum(single + prior))
    if len(lines):
        by = float(log_sum(by_line)) + float(prior[OUTCROSS]) - float(np.log(season.n_lines))
        one = float(np.logaddexp(one, by))
    shares = log_sum(mixed + prior, axis=2)
    return one, np.asarray(log_sum(shares, axis=1) - np.log(len(SHARES) - 1))


def spill_scores(scores: PlateScores, matrix: Matrix, identity: Ints) -> SpillScores:
    """How each called well with progeny speaks for a spill of each line."""
    plate, n = scores.plate, scores.season.n_lines
    every = np.arange(n) if n <= MOST_LINES else None
    state = scores.lines_under(identity, more=every)
    lines = np.array([i for i in state.lines if scores.known_share(int(i), state) >= KNOWN], dtype=np.int64)
    wells = np.flatnonzero((identity >= n) & (plate.n_called >= 0.3 * plate.n_markers))
    if not len(lines) or not len(wells):
        nothing = np.zeros((len(wells), len(lines)))
        return SpillScores(wells, lines, nothing, nothing > 0)
    one, by_line = one_plant(scores, matrix, identity, wells, lines, state)
    both = _from_calls(scores, identity, wells, lines, state)
    spilled = both - one[:, None]
    like_outcross = by_line > both - LIKE_OUTCROSS - np.log(len(lines))
    if any(b.depths is not None for b in plate.blocks):
        for place, w in enumerate(wells.tolist()):
            ask = np.flatnonzero(spilled[place] > ASK_READS)
            if len(ask):
                alone, mixed = _from_reads(scores, int(identity[w]), w, lines[ask], state)
                spilled[place, ask] = mixed - alone
                like_outcross[place, ask] &= mixed - alone < LIKE_OUTCROSS
    return SpillScores(wells, lines, spilled, like_outcross)


def _near(scores: PlateScores, wells: Ints) -> Bools:
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


def _made_with(scores: PlateScores, identity: Ints, line: int) -> Bools:
    """Plants of crosses of this line: a parent plant that departs from its line looks like more of it."""
    season, n = scores.season, scores.season.n_lines
    return np.asarray((season.mother[identity - n] == line) | (season.father[identity - n] == line))


def _told_apart(identity: Ints, group: Ints, spilled: Floats, near: Bools) -> Ints:
    """The wells of a group whose sibs outside it speak against the spill: where the whole family speaks for
    it, its parents are not what they should be. A family all of whose plants lie there counts with others."""
    beside = near[group].any(axis=0)
    apart, inside = [], []
    for i in np.unique(identity[group]):
        mine = group[identity[group] == i]
        others = spilled[(identity == i) & ~beside]
        if len(others) < LEAST_SIBS:
            inside.append(mine)
        elif np.median(others) < -SPEAKS:
            apart.append(mine)
    chosen = [*apart, *inside] if apart or len(inside) > 1 else []
    return np.sort(np.concatenate(chosen)) if chosen else group[:0]


def _nats(scores: PlateScores, identity: Ints, wells: Ints, gain: Floats, like_outcross: Bools) -> float:
    """Sum of gains, plants of one pod that look like outcrosses counted once."""
    plate = scores.plate
    once: dict[tuple[int, str], float] = {}
    total = float(gain[~like_outcross].sum())
    for w, g in zip(wells[like_outcross].tolist(), gain[like_outcross].tolist(), strict=True):
        key = int(identity[w]), plate.pods[w] if plate.pods else ""
        once[key] = max(g, once.get(key, 0.0))
    return total + sum(once.values())


def spill_findings(scores: PlateScores, matrix: Matrix, identity: Ints, threshold: float) -> list[Finding]:
    """One finding for each line whose DNA ran over neighbouring wells."""
    plate = scores.plate
    if not plate.placed:
        return []
    found = spill_scores(scores, matrix, identity)
    out: list[Finding] = []
    near = _near(scores, found.wells)
    prior = float(np.log10(PRIOR_SPILL / max(len(found.wells) * len(found.lines), 1)))
    best = found.spilled.max(axis=1, initial=-np.inf)
    for j, line in enumerate(found.lines.tolist()):
        gain = clipped(found.spilled[:, j], matrix)
        # A well that another line explains far better speaks for that one.
        speak = np.flatnonzero((gain > SPEAKS) & (found.spilled[:, j] > best - LIKE_OUTCROSS))
        speak = speak[~_made_with(scores, identity[found.wells[speak]], line)]
        groups = _together(near[np.ix_(speak, speak)])
        for g in np.unique(groups):
            mine = _told_apart(identity[found.wells], speak[groups == g], found.spilled[:, j], near)
            if len(mine) < LEAST_WELLS:
                continue
            nats = _nats(scores, identity, found.wells[mine], gain[mine], found.like_outcross[mine, j])
            odds = nats / float(np.log(10)) + prior
            if odds >= threshold:
                beside = near[mine].any(axis=0) & (gain > -SPEAKS)
                beside[mine] = True
                out.append(_finding(scores, line, found.wells[mine], found.wells[beside], odds))
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
    """Of findings that share wells, the one with the greatest odds."""
    out: list[Finding] = []
    for f in sorted(found, key=lambda f: -f.log10_odds):
        if not any(set(f.samples) & set(other.samples) for other in out):
            out.append(f)
    return out


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
