"""DNA of one parent line that ran over several wells of a plate.

One well mixed with a line may pass for an outcross; neighbours of several crosses that all show the alleles
of one line do not. For a well w, a line l and the relations r to its own cross,

    s(w, l) = log sum_r p(r) P(D_w | r and l)  -  log P(D_w | one plant)

one plant being of its cross, an outcross by any line, or anything;

from the calls (a heterozygote wherever the two have two alleles), and from the reads where there are depths
(shares 5 to 50 % of l). Where the line is a parent of the cross, calls say nothing, while reads show its
alleles out of balance. `spill_findings` adds up neighbouring wells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.mixtures import SHARES, depth_table, union_calls
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import N_RELATIONS, LineState, PlateScores
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints

MOST_LINES = 40
"""In a season of more lines, only those that the plate has to do with are looked for."""
KNOWN = 0.2
"""Share of markers at which a line must be known to be named; at the others it is any plant of the pool."""
LIKE_OUTCROSS = 6.0
"""An outcross by the line explains a well nearly as well from this many nats below."""
ASK_READS = -3.0
"""Reads are asked about the lines that the calls do not rule out by this many nats."""
OUTCROSS = 2
"""Place of outcrosses among the relations."""


@dataclass(frozen=True)
class SpillScores:
    """`spilled` s(w, l) (well, line); `like_outcross` where one plant by that line fits nearly as well; `own`
    where the line is a parent of the well's cross; (well,) `one` log P(data | one plant), `read` where reads
    were asked."""

    wells: Ints
    lines: Ints
    spilled: Floats
    like_outcross: Bools
    own: Bools
    one: Floats
    read: Bools


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
    own = scores.own_plain(identity)[wells]
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
        tables = scores.parent_table(b, lines, state).transpose(1, 0, 2)
        calls = np.tensordot(tables, union, axes=(2, 1)).transpose(0, 2, 1, 3)  # marker, g1, line, g
        shape = len(x), x.shape[2]
        every = plants.transpose(2, 0, 1, 3).reshape(shape[0], -1, shape[1])
        mixed = np.matmul(every, calls.reshape(*shape, -1))
        mixed = mixed.reshape(shape[0], len(crosses), N_RELATIONS, len(lines), shape[1])
        for c in range(len(crosses)):
            mine = np.flatnonzero(of == c)
            flat = mixed[:, c].transpose(0, 3, 2, 1).reshape(*shape, -1)
            total[mine] += log_sums(flat, x[:, wells[mine]]).reshape(len(mine), len(lines), N_RELATIONS)
    return log_sum(total + scores.relation_prior(), axis=2)


def _from_reads(
    scores: PlateScores, pair: tuple[Ints, Ints], well: int, lines: Ints, state: LineState
) -> tuple[float, Floats]:
    """log P(reads | one plant of these parents), outcrosses by these lines among them, and with each line's
    DNA (line,)."""
    season = scores.season
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
        single += np.log(sum_of_last(plants * alone)).sum(axis=1)
        by_line += np.log(sum_of_last(child * alone)).sum(axis=1)
        part = np.einsum("rmx,lmy,mcxy->lcrm", plants, donors, reads[:, 1:], optimize=True)
        mixed += np.log(part).sum(axis=3)
    prior = scores.relation_prior()
    one = float(log_sum(single + prior))
    if len(lines):
        by = float(log_sum(by_line)) + float(prior[OUTCROSS]) - float(np.log(season.n_lines))
        one = float(np.logaddexp(one, by))
    shares = log_sum(mixed + prior, axis=2)
    return one, np.asarray(log_sum(shares, axis=1) - np.log(len(SHARES) - 1))


def spill_state(scores: PlateScores, identity: Ints) -> LineState:
    """The lines that may have been spilled, and those that the plate has to do with."""
    n = scores.season.n_lines
    return scores.lines_under(identity, more=np.arange(n) if n <= MOST_LINES else None)


def known_lines(state: LineState) -> Ints:
    """The lines whose tubes say at enough markers what they are."""
    return state.lines[state.known[:-1] >= KNOWN]


def plants_of(
    scores: PlateScores, pair: tuple[Ints, Ints], wells: Ints, read: Bools, state: LineState
) -> Floats:
    """log P(data | one plant of these parents), from the reads where they were asked, (well,)."""
    out = scores.pair_scores(*pair, wells, state)[:, 0]
    nothing = np.zeros(0, dtype=np.int64)
    for place in np.flatnonzero(read).tolist():
        out[place] = _from_reads(scores, pair, int(wells[place]), nothing, state)[0]
    return out


def spill_scores(
    scores: PlateScores, matrix: Matrix, identity: Ints, wells: Ints | None = None
) -> SpillScores:
    """How each of these wells, every called one with progeny if None, speaks for a spill of each line."""
    plate, n = scores.plate, scores.season.n_lines
    state = spill_state(scores, identity)
    lines = known_lines(state)
    if wells is None:
        wells = np.flatnonzero((identity >= n) & (plate.n_called >= 0.3 * plate.n_markers))
    season, cross = scores.season, identity[wells] - n
    own = (season.mother[cross][:, None] == lines) | (season.father[cross][:, None] == lines)
    read = np.zeros(len(wells), dtype=bool)
    if not len(lines) or not len(wells):
        nothing = np.zeros((len(wells), len(lines)))
        return SpillScores(wells, lines, nothing, nothing > 0, own, np.zeros(len(wells)), read)
    one, by_line = one_plant(scores, matrix, identity, wells, lines, state)
    both = _from_calls(scores, identity, wells, lines, state)
    spilled = both - one[:, None]
    like_outcross = by_line > both - LIKE_OUTCROSS - np.log(len(lines))
    if any(b.depths is not None for b in plate.blocks):
        for place, w in enumerate(wells.tolist()):
            ask = np.flatnonzero(spilled[place] > ASK_READS)
            if len(ask):
                read[place] = True
                pair = season.mother[[cross[place]]], season.father[[cross[place]]]
                one[place], mixed = _from_reads(scores, pair, w, lines[ask], state)
                spilled[place, ask] = mixed - one[place]
                like_outcross[place, ask] &= spilled[place, ask] < LIKE_OUTCROSS
    return SpillScores(wells, lines, spilled, like_outcross, own, one, read)
