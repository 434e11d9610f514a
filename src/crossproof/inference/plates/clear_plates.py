"""Plates on which DNA of no line was spilled and none carried over, told by less than the full comparison.

`spill_findings` and `carry_findings` ask for several wells that each say so much. What a well says is
bounded from above here, so that nothing is found on a plate that is passed over; no bound goes into a
finding. Of two alleles: with L the likelihoods of a well's calls, a plant with genotypes T mixed with one
with genotypes d has

    P = L(AB) + T(AA) d(AA) [L(AA) - L(AB)] + T(BB) d(BB) [L(BB) - L(AB)]

as the two are heterozygous unless both are one homozygote. A plate with markers of more alleles, or with read
depths, is never passed over.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import gamete_table
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.plates.spills import OUTCROSS
from crossproof.inference.plates.two_allele_calls import Calls, log_product, plants_of_crosses
from crossproof.model.arrays import Bools, Floats, Ints

SLACK = 0.01
"""Nats that are added to every bound: what is bounded is rounded too."""
KINDS = float(np.log(3.0))
"""The same for plants of all kinds together: those of a cross, outcrosses by lines, and any others, each with
priors that come to 1 at most."""


def _lines(scores: PlateScores, lines: Ints, state: LineState) -> Floats:
    """Genotypes of lines at all markers, (marker, line, genotype)."""
    tables = [scores.parent_table(b, lines, state) for b, x in enumerate(scores.likelihood) if len(x)]
    return np.concatenate(tables, axis=1).transpose(1, 0, 2)


def may_be_spilled(
    scores: PlateScores,
    calls: Calls,
    identity: Ints,
    lines: Ints,
    state: LineState,
    *,
    least: int,
    nats: float,
) -> bool:
    """Whether `least` plants may each speak for DNA of one of these lines, no parent of theirs, by more than
    `nats`."""
    plate, season, n = scores.plate, scores.season, scores.season.n_lines
    wells = np.flatnonzero((identity >= n) & (plate.n_called >= 0.3 * plate.n_markers))
    # Whatever is mixed, no genotypes fit better than those that fit best at every marker.
    wells = wells[scores.best_fit[wells] - calls.low[wells] > nats - 2 * SLACK]
    if len(wells) < least:
        return False
    cross = identity[wells] - n
    own = (season.mother[cross][:, None] == lines) | (season.father[cross][:, None] == lines)
    tables = _lines(scores, lines, state)
    het, first, second = (x[:, wells] for x in (calls.het, calls.first, calls.second))
    # Whatever the plant is: the genotype that fits best with the line's.
    more = np.maximum(first[:, :, None] * tables[:, None, :, 0], second[:, :, None] * tables[:, None, :, 2])
    most = log_product(het[:, :, None] + np.maximum(more, 0.0))
    speak = (most - calls.low[wells][:, None] > nats - SLACK) & ~own
    speak &= speak.sum(axis=0) >= least
    w, line = np.nonzero(speak)
    if not len(w):
        return False
    crosses, of = np.unique(cross[w], return_inverse=True)
    plants = plants_of_crosses(scores, identity, crosses, state)[:, of]  # marker, pair, relation, g
    both = first[:, w] * tables[:, line, 0], second[:, w] * tables[:, line, 2]
    fit = het[:, w][..., None] + sum(plants[..., g] * x[..., None] for g, x in zip((0, 2), both, strict=True))
    mixed = log_sum(log_product(fit) + scores.relation_prior(), axis=1)
    enough = mixed - calls.low[wells[w]] > nats - SLACK
    return bool((np.bincount(line[enough], minlength=1) >= least).any())


def most_carried(
    scores: PlateScores,
    matrix: Matrix,
    calls: Calls,
    identity: Ints,
    pairs: tuple[Ints, Ints],
    state: LineState,
    shares: tuple[float, ...],
) -> Floats:
    """Most that plants say for DNA of the wells beside them that shows at each share of the markers, (pair,
    share)."""
    wells, beside = pairs
    mine, of = np.unique(wells, return_inverse=True)
    one, odd = _one_plant(scores, matrix, calls, identity, mine, state)
    crosses, of_cross = np.unique(identity[mine] - scores.season.n_lines, return_inverse=True)
    plants = plants_of_crosses(scores, identity, crosses, state)  # marker, cross, relation, genotype
    plants = plants[:, of_cross]
    sides = [x[:, mine] for x in (calls.first, calls.second)]
    with_own = [plants[..., g] * x[..., None] for g, x in zip((0, 2), sides, strict=True)]
    alone = (calls.het[:, mine][..., None] + with_own[0] + with_own[1])[:, of]
    away = [x[:, of] * (1 - d[:, beside])[..., None] for x, d in zip(with_own, calls.near, strict=True)]
    lost = away[0] + away[1]
    fit = [log_sum(log_product(alone - c * lost) + scores.relation_prior(), axis=1) for c in shares]
    out = np.stack(fit, axis=1)
    others = np.flatnonzero(odd[of])
    out[others] = np.logaddexp(out[others], whatever(calls, wells[others], beside[others], shares))
    return np.asarray(out - one[of][:, None] + SLACK)


def _one_plant(
    scores: PlateScores, matrix: Matrix, calls: Calls, identity: Ints, wells: Ints, state: LineState
) -> tuple[Floats, Bools]:
    """log P(calls | one plant) of plants, outcrosses by lines among them, and which of them may be no plants
    of their cross, (well,) each."""
    mothers, of = np.unique(
        scores.season.mother[identity[wells] - scores.season.n_lines], return_inverse=True
    )
    egg = (_lines(scores, mothers, state) @ gamete_table(2))[:, of]  # marker, well, allele
    pollen = _lines(scores, state.lines, state) @ gamete_table(2)
    het, first, second = (x[:, wells] for x in (calls.het, calls.first, calls.second))
    of_first = egg[..., 0] * (het + first) + egg[..., 1] * het
    of_second = egg[..., 0] * het + egg[..., 1] * (het + second)
    fit = of_first[..., None] * pollen[:, None, :, 0] + of_second[..., None] * pollen[:, None, :, 1]
    by_line = log_sum(log_product(fit), axis=1)
    by_line += scores.relation_prior()[OUTCROSS] - np.log(max(len(state.lines), 1))
    one = np.logaddexp(calls.low[wells], by_line)
    return one, np.logaddexp(by_line, matrix.anything[wells]) > one - np.log(2) - SLACK


def whatever(calls: Calls, wells: Ints, beside: Ints, shares: tuple[float, ...]) -> Floats:
    """Most that log P(calls | any plant and the well beside it, DNA of which shows at a share of the markers)
    can be, (pair, share)."""
    het, first, second = (x[:, wells] for x in (calls.het, calls.first, calls.second))
    out = np.empty((len(wells), len(shares)))
    for i, c in enumerate(shares):
        both = (x * (1 - c * (1 - d[:, beside])) for x, d in zip((first, second), calls.near, strict=True))
        out[:, i] = log_product(het + np.maximum(np.maximum(*both), 0.0))
    return out + KINDS
