"""DNA carried over by tips used twice: each well of a row or column shows alleles of the one beside it.

A plant mixed with the one beside it may pass for an outcross or a later generation; a whole row or column of
such plants does not. For a well w, the well v beside it in the strip before, and a share c of the markers at
which v shows,

    s(w, v) = log sum_r p(r) prod_m [ (1 - c) P(D_wm | r) + c P(D_wm | r and v) ]  -  log P(D_w | one plant)

summed over the strip at one c, each well bounded as in the search for layouts. r are the relations to its
cross; where one plant is likelier an outcross by a line or another plant of the plate or pool, these as well
(`OnePlant.odd`), or such wells would speak against it whatever is carried over. Where the sibs of w elsewhere
on the plate would be explained by v as well, their parents are not what they should be: so much is taken off.
Where there are read depths, they are asked in place of calls (`carried_reads`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table, pool_genotypes
from crossproof.inference.plates.carried_reads import CARRIED, read_gains
from crossproof.inference.plates.clear_plates import KINDS, SLACK, most_carried, whatever
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.mixtures import union_calls
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import N_RELATIONS, LineState, PlateScores
from crossproof.inference.plates.spills import OUTCROSS, one_plant
from crossproof.inference.plates.two_allele_calls import calls_of, has_reads
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.plates import PlateFormat, row_letters
from crossproof.text import count_of, percent

PRIOR_CARRIED = 1e-3
"""Share of plates on which a row or column of tips was used twice. No source."""
LIKELY_CARRIED = 0.0
"""log10 odds from which plants are held: one that waits is typed again, one that is culled is gone. Of 200
faultless plates and 23 faultless seasons none has -1.9 or more (docs/plate_accuracy.md)."""
SHOWN = (0.35, 0.5, 0.65, 0.95)
"""Shares of markers at which the DNA carried over shows in the calls."""
SPEAKS = 1.0
"""A well speaks for it from this many nats beyond ERRING."""
ERRING = 4.0
"""Nats that a well may seem to speak for it by ways in which parents and assays err that are not modelled."""
LEAST_WELLS = 3
LEAST_SIBS = 2
"""Fewest sibs outside the strip that clear a well's parents."""
CLEARED_BY = 0.75
"""Share of these sibs of which the well beside must explain less: a hybrid explains hybrids, but no selfs."""
ONE_CROSS = 0.5
"""log10 odds asked for beyond the others' where wells of one cross alone speak for it: they share what their
parents hide. No source."""
ASK = 20.0
"""Strips whose wells speak for it by fewer nats in all are not looked at any further."""


@dataclass(frozen=True)
class OnePlant:
    """`log_p` log P(calls | one plant), and where that is likelier `odd`, no plant of its cross, (well,)."""

    log_p: Floats
    odd: Bools


def _one_plant(
    scores: PlateScores, matrix: Matrix, identity: Ints, plants: Ints, state: LineState
) -> OnePlant:
    """Of these plants; nothing of the other wells."""
    log_p, odd = np.zeros(len(identity)), np.zeros(len(identity), dtype=bool)
    one, by_line = one_plant(scores, matrix, identity, plants, state.lines, state)
    log_p[plants] = one
    odd[plants] = np.logaddexp(log_sum(by_line, axis=1), matrix.anything[plants]) > one - np.log(2)
    return OnePlant(log_p, odd)


def _shown(scores: PlateScores, wells: Ints, beside: Ints) -> list[Floats]:
    """P(calls | own genotype) where the well beside it shows at a share of the markers, per block (marker, c,
    pair, g).

    One well in `beside` is beside all of them.
    """
    out = []
    for b, x in enumerate(scores.likelihood):
        near, place = np.unique(beside, return_inverse=True)
        data = x[:, near] * pool_genotypes(scores.pool_of[b] * 0.98 + 0.02 / x.shape[2], 0.5)[:, None]
        data = (data / sum_of_last(data, keepdims=True))[:, place]
        own = x[:, wells].astype(np.float64)
        if len(beside) == 1:
            union = union_calls(scores.season.blocks[b].k)
            with_it = own @ np.tensordot(data[:, 0], union, axes=(1, 1)).transpose(0, 2, 1)
        else:
            with_it = _of_both(own, data, scores.season.blocks[b].k)
        here = np.empty((len(x), len(SHOWN), *own.shape[1:]))
        for i, c in enumerate(SHOWN):
            np.multiply(own, 1 - c, out=here[:, i])
            here[:, i] += c * with_it
        out.append(here)
    return out


def _of_both(own: Floats, beside: Floats, k: int) -> Floats:
    """P(calls | own genotype and a plant beside it) from P(calls | g) and P(g of the other plant), each
    (marker, pair, g)."""
    if k != 2:
        return np.asarray(np.einsum("mpg,xyg,mpy->mpx", own, union_calls(k), beside, optimize=True))
    first, het, second = (own[..., g] for g in range(3))
    with_first, with_het, with_second = (beside[..., g] * het for g in range(3))
    out = np.empty(own.shape)  # written out: two plants are heterozygous unless both are one homozygote
    out[..., 0] = beside[..., 0] * first + with_het + with_second
    out[..., 1] = with_first + with_het + with_second
    out[..., 2] = with_first + with_het + beside[..., 2] * second
    return out


def _sums(table: Floats, shown: Floats) -> Floats:
    """sum_m log P(calls | genotypes of each kind), (pair, c, kind), from tables (kind, marker, g)."""
    m, n_shares, n_pairs, n_g = shown.shape
    every = log_sums(table.transpose(1, 2, 0), shown.reshape(m, n_shares * n_pairs, n_g))
    return np.asarray(every.reshape(n_shares, n_pairs, len(table)).transpose(1, 0, 2))


def _mixed(
    scores: PlateScores, identity: Ints, wells: Ints, blocks: list[Floats], state: LineState
) -> Floats:
    """log P(calls | own cross and the well beside it), (pair, c), from the blocks of `_shown`."""
    season = scores.season
    crosses, of = np.unique(identity[wells] - season.n_lines, return_inverse=True)
    total = np.zeros((len(wells), len(SHOWN), N_RELATIONS))
    for b, shown in enumerate(blocks):
        parents = (scores.parent_table(b, p[crosses], state) for p in (season.mother, season.father))
        plants = scores.cross_table(b, *parents)  # cross, relation, marker, g
        for cross in range(len(crosses)):
            mine = np.flatnonzero(of == cross)
            total[mine] += _sums(plants[cross], shown[:, :, mine])
    return log_sum(total + scores.relation_prior(), axis=2)


def _mixed_outcross(scores: PlateScores, mothers: Ints, blocks: list[Floats], state: LineState) -> Floats:
    """log P(calls | an outcross of the mother by some line and the well beside it), (pair, c)."""
    total = np.zeros((len(mothers), len(SHOWN), len(state.lines)))
    for b, shown in enumerate(blocks):
        gametes = gamete_table(scores.season.blocks[b].k)
        pollen = scores.parent_table(b, state.lines, state) @ gametes
        for mother in np.unique(mothers):
            egg = scores.parent_table(b, np.array([mother]), state) @ gametes
            mine = np.flatnonzero(mothers == mother)
            outcrosses = child_of_gametes(np.broadcast_to(egg, pollen.shape), pollen)
            total[mine] += _sums(outcrosses, shown[:, :, mine])
    prior = scores.relation_prior()[OUTCROSS] - np.log(max(len(state.lines), 1))
    return log_sum(total + prior, axis=2)


def _mixed_anything(scores: PlateScores, matrix: Matrix, blocks: list[Floats], state: LineState) -> Floats:
    """log P(calls | any plant of the plate or of the pool and the well beside it), (pair, c):
    `Matrix.anything` with what is carried."""
    n, season = scores.season.n_lines, scores.season
    lines, crosses = matrix.ids[matrix.ids < n], matrix.ids[matrix.ids >= n] - n
    total: Floats | float = 0.0
    for b, shown in enumerate(blocks):
        q = scores.pool_of[b] * 0.98 + 0.02 / season.blocks[b].k
        parents = (scores.parent_table(b, p[crosses], state) for p in (season.mother, season.father))
        plants = scores.cross_table(b, *parents)
        kinds = [
            np.stack([pool_genotypes(q, f) for f in (0.0, 0.98)]),
            scores.parent_table(b, lines, state),
            plants.reshape(-1, *plants.shape[2:]),
        ]
        total = total + _sums(np.concatenate(kinds), shown)
    each = -np.log(2) - np.log(len(matrix.ids))
    prior = [np.full(2, -2 * np.log(2)), np.full(len(lines), each)]
    prior.append(np.tile(scores.relation_prior(), len(crosses)) + each)
    return log_sum(total + np.concatenate(prior), axis=2)


def _call_gains(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    wells: Ints,
    beside: Ints,
    state: LineState,
    one: OnePlant,
) -> Floats:
    """s(w, v) of these plants and the wells beside them, from the calls, (pair, c).

    What is likelier something else than a plant of its cross is so with DNA carried over as well.
    """
    blocks = _shown(scores, wells, beside)
    mixed = _mixed(scores, identity, wells, blocks, state)
    odd = np.flatnonzero(one.odd[wells])
    if len(odd):
        theirs = [x[:, :, odd] for x in blocks]
        mothers = scores.season.mother[identity[wells[odd]] - scores.season.n_lines]
        by_line = _mixed_outcross(scores, mothers, theirs, state)
        anything = _mixed_anything(scores, matrix, theirs, state)
        mixed[odd] = np.logaddexp(mixed[odd], np.logaddexp(by_line, anything))
    return np.asarray(mixed - one.log_p[wells][:, None])


@cache
def _strips(plate: PlateFormat) -> tuple[list[tuple[str, str]], Ints, Ints, Ints]:
    """Name of each row and column and of one beside it; the strip of every place of these, the place, and the
    one beside it, (place of a strip,) each."""
    names: list[tuple[str, str]] = []
    found = []
    every = np.arange(plate.wells)
    row, column = np.divmod(every, plate.columns)
    for step in (1, -1):
        for along_rows in (False, True):
            own, apart = (row, plate.columns) if along_rows else (column, 1)
            last = plate.rows if along_rows else plate.columns
            for k in range(max(step, 0), last + min(step, 0)):
                places = every[own == k]
                found.append((np.full(len(places), len(names)), places, places - step * apart))
                strip, source = (row_letters(i) if along_rows else str(i + 1) for i in (k, k - step))
                kind = "row" if along_rows else "column"
                names.append((f"{kind} {strip}", f"{kind} {source}"))
    strips, places, sources = (np.concatenate(x) for x in zip(*found, strict=True))
    return names, strips, places, sources


def _strips_of_plants(
    scores: PlateScores, identity: Ints, called: Bools
) -> list[tuple[str, str, Ints, Ints]]:
    """The strips with LEAST_WELLS called plants beside called samples, these wells of them."""
    names, strip, places, sources = _strips(scores.plate.format)
    wells, beside = (scores.plate.well_of_position[x] for x in (places, sources))
    keep = (wells >= 0) & (beside >= 0)
    keep &= called[wells] & (identity[wells] >= scores.season.n_lines)
    keep &= called[beside] & (identity[beside] >= 0)
    order = np.flatnonzero(keep)
    order = order[np.lexsort((wells[order], strip[order]))]
    ends = np.searchsorted(strip[order], np.arange(1, len(names)))
    parts = zip(names, np.split(wells[order], ends), np.split(beside[order], ends), strict=True)
    return [(*of, mine, near) for of, mine, near in parts if len(mine) >= LEAST_WELLS]


def _may_be(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    strips: list[tuple[str, str, Ints, Ints]],
    pairs: tuple[Ints, Ints],
    state: LineState,
    threshold: float,
) -> bool:
    """Whether the wells of a strip may speak for it as a finding takes, by bounds of what each can say."""
    calls = calls_of(scores, matrix, identity)
    if calls is None:
        return True
    starts = np.cumsum([0, *(len(s[2]) for s in strips[:-1])])
    least = (threshold - np.log10(PRIOR_CARRIED / len(strips))) * np.log(10)

    def speak(most: Floats) -> Bools:
        """Strips whose wells may say so much, (strip,)."""
        gain = clipped(most, matrix)
        gain = np.where(gain > 0, np.maximum(gain - ERRING, 0.0), gain)
        total, count = (np.add.reduceat(x, starts, axis=0) for x in (gain, (gain > SPEAKS).astype(np.int64)))
        return np.asarray(((total >= least) & (count >= LEAST_WELLS)).any(axis=1))

    # Whatever is beside it, no plant fits better than the genotypes that fit best at every marker.
    first = (scores.best_fit + KINDS + SLACK - calls.low)[pairs[0]][:, None]
    sizes = [len(s[2]) for s in strips]
    asked = np.repeat(speak(first), sizes)
    if not asked.any():
        return False
    # The more shows of the well beside, the less can any plant fit.
    theirs = pairs[0][asked], pairs[1][asked]
    first[asked] = whatever(calls, *theirs, SHOWN[:1]) - calls.low[theirs[0]][:, None]
    asked = np.repeat(speak(first), sizes) & (first[:, 0] > ERRING)
    if not asked.any():
        return False
    most = np.minimum(first, ERRING).repeat(len(SHOWN), axis=1)
    theirs = pairs[0][asked], pairs[1][asked]
    most[asked] = most_carried(scores, matrix, calls, identity, theirs, state, SHOWN)
    return bool(speak(most).any())


def carry_findings(
    scores: PlateScores, matrix: Matrix, identity: Ints, threshold: float = LIKELY_CARRIED
) -> list[Finding]:
    """The row or column whose wells show those of the strip beside it, the likeliest one; none otherwise."""
    plate, n = scores.plate, scores.season.n_lines
    called = plate.n_called >= 0.3 * plate.n_markers
    plants = np.flatnonzero(called & (identity >= n))
    if not plate.placed or not len(plants):
        return []
    state = scores.lines_under(identity)
    strips = _strips_of_plants(scores, identity, called)
    if not strips:
        return []
    every, beside = (np.concatenate([s[i] for s in strips]) for i in (2, 3))
    if not _may_be(scores, matrix, identity, strips, (every, beside), state, threshold):
        return []
    one = _one_plant(scores, matrix, identity, plants, state)
    reads = has_reads(scores)
    gains = (
        read_gains(scores, identity, every, beside, state)
        if reads
        else _call_gains(scores, matrix, identity, every, beside, state, one)
    )
    shares = CARRIED if reads else SHOWN
    best: tuple[float, int, float, Ints] | None = None
    start = 0
    for i, (_, _, wells, near) in enumerate(strips):
        gain = clipped(gains[start : start + len(wells)], matrix)
        start += len(wells)
        if np.maximum(gain, 0.0).sum(axis=0).max() < ASK:
            continue
        if not reads:
            sibs = _of_sibs(scores, matrix, identity, wells, near, state, one, plants)
            gain = np.where(gain > 0, np.maximum(gain - sibs, 0.0), gain)
        gain = np.where(gain > 0, np.maximum(gain - ERRING, 0.0), gain)
        c = int(gain.sum(axis=0).argmax())
        odds = float(gain[:, c].sum() / np.log(10) + np.log10(PRIOR_CARRIED / len(strips)))
        speak = wells[gain[:, c] > SPEAKS]
        alone = _crosses_that_speak(identity[wells], gain[:, c]) < 2
        enough = len(speak) >= LEAST_WELLS and odds >= threshold + (ONE_CROSS if alone else 0.0)
        if enough and (best is None or odds > best[0]):
            best = odds, i, shares[c], speak
    if best is None:
        return []
    of = "reads" if reads else "markers"
    name, source, wells, beside = strips[best[1]]
    if best[2] == SHOWN[-1]:  # where all of it shows, either strip may hold the other's plants
        wells = np.union1d(wells, beside[identity[beside] >= n])
    strip = name, source, wells, beside
    return [_finding(scores, strip, best[0], f"{percent(best[2])} of the {of}", best[3])]


def _crosses_that_speak(crosses: Ints, gain: Floats) -> int:
    """Crosses whose wells in the strip speak for it."""
    _, of = np.unique(crosses, return_inverse=True)
    return int((np.bincount(of, weights=gain) > SPEAKS).sum())


def _of_sibs(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    wells: Ints,
    beside: Ints,
    state: LineState,
    one: OnePlant,
    plants: Ints,
) -> Floats:
    """What the well beside each would explain of its sibs outside the strip as well, (well, c); infinite
    where there are too few sibs to tell."""
    out = np.full((len(wells), len(SHOWN)), np.inf)
    for i, (w, v) in enumerate(zip(wells.tolist(), beside.tolist(), strict=True)):
        sibs = plants[(identity[plants] == identity[w]) & ~np.isin(plants, wells) & (plants != v)]
        if len(sibs) >= LEAST_SIBS:
            gain = _call_gains(scores, matrix, identity, sibs, np.array([v]), state, one)
            out[i] = np.maximum(np.quantile(gain, CLEARED_BY, axis=0), 0.0)
    return out


def _finding(
    scores: PlateScores, strip: tuple[str, str, Ints, Ints], odds: float, shown: str, speak: Ints
) -> Finding:
    plate, (name, source, wells, _) = scores.plate, strip
    where = ", ".join(plate.well_name(int(w)) for w in speak[:12])
    return Finding(
        FindingKind.SPILLED,
        Scope.PLATE,
        plate.name,
        plate.name,
        f"Plants in {name} of plate {plate.name} show alleles of the wells beside them in {source}, at about "
        f"{shown}: {where}. Tips that were used twice do that. Held: "
        f"{count_of(len(wells), 'plant')} there.",
        "Look at the robot log for tips that were not changed. Take new samples of these plants.",
        wells=tuple(plate.place(int(w)) for w in wells),
        samples=tuple(plate.samples[w] for w in wells),
        log10_odds=odds,
        hold=Hold.SAMPLES,
    )
