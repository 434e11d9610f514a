"""What no set of a few markers can prove: a ceiling of the chance at every set, all sets at once.

    S        a marker set; T, the part of it that gave a call
    f(T)     P(right and determined | exactly the markers of T gave a call)
    c_m      call rate of marker m

    P(S) = sum over T in S of f(T) * product of c_m over T * product of 1 - c_m over the rest of S

Given the calls, a plant is right and determined where the other relations together weigh no more than
(1 - t) / t of the true one. Outcomes are gone through in pairs of two halves of the markers, one product of
matrices for many pairs. The result is a strict ceiling: relations left out, and outcomes not gone through,
can only be to the set's credit. Nothing is supposed of how the chance changes from one set to a larger one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.model.results import Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power import tails
from crossproof.planning.power.evidence import CrossEvidence

MOST_RELATIONS = 24
"""The relations that a plant is likeliest to be mistaken for; the others are left out."""

_RAREST = (1e-8, 1e-7, 1e-6, 1e-5)
_ROWS = 512
_ROUNDING = 1e-9


def set_sizes(markers: int) -> Ints:
    """Number of markers of every set, (set,); sets are numbers whose bits are markers."""
    sizes = np.zeros(1, dtype=np.int64)
    for _ in range(markers):
        sizes = np.concatenate([sizes, sizes + 1])
    return sizes


def set_ceilings(
    evidence: CrossEvidence, settings: PlanSettings, largest: int, most_pairs: float
) -> tuple[Floats | None, float]:
    """The most that the lesser chance of a hybrid and a self can be at every set, and the pairs it took.

    Returns (set,), 1 for sets of more than `largest` markers; None where more than `most_pairs` pairs of half
    outcomes would have to be gone through.
    """
    sizes = set_sizes(evidence.n_markers)
    contrast = np.zeros(len(sizes), dtype=np.int64)
    for m in np.flatnonzero(evidence.contrast):
        contrast.reshape(-1, 2, 1 << m)[:, 1] += 1
    out = np.ones(len(sizes))
    out[contrast < max(settings.min_markers_scored, 1)] = 0.0
    spent = 0.0
    for kind in (Relation.HYBRID, Relation.SELF):
        true = evidence.index(kind)
        for rarest in _RAREST:
            halves = _halves(evidence, true, settings, largest, rarest)
            batches = _batches(*halves, largest, rarest)
            pairs = float(sum((b.rows.stop - b.rows.start) * len(b.columns) for b in batches))
            if pairs <= most_pairs / 2:
                break
        else:
            return None, spent
        spent += pairs
        out = np.minimum(out, _ceiling(evidence, *halves, batches, settings))
    out[sizes > largest] = 1.0
    return out, spent


class _Half:
    """Outcomes of some of the markers.

    `which` (outcome,): the set that gave a call, `size` its markers. `chance` (outcome,) given its set, and
    `grade`, how many whole powers of ten it lies below 1. `weight` (outcome, relation): a factor of prior
    times likelihood.
    """

    def __init__(
        self, evidence: CrossEvidence, rows: range, true: int, start: Floats, used: Ints,
        largest: int, rarest: float,
    ) -> None:  # fmt: skip
        chance, weight, which = np.ones(1), start[None, :], np.zeros(1, dtype=np.int64)
        sizes = set_sizes(len(rows))
        for bit, m in enumerate(rows):
            called = evidence.prob[m, true, :-1] / (1 - evidence.prob[m, true, -1])
            grown = [(chance, weight, which)]
            for o in np.flatnonzero(called > 0):
                kept = (chance * called[o] >= rarest) & (sizes[which] < largest)
                factor = np.exp(evidence.score[m, used, o])
                grown.append((chance[kept] * called[o], weight[kept] * factor, which[kept] | 1 << bit))
            chance, weight, which = (np.concatenate(x) for x in zip(*grown, strict=True))
        grade = np.floor(-np.log10(np.minimum(chance, 1.0))).astype(np.int64)
        order = np.lexsort((which, grade, sizes[which]))
        self.sets = len(sizes)
        self.chance, self.weight, self.which = chance[order], weight[order], which[order]
        self.grade, self.size = grade[order], sizes[which[order]]


def _halves(
    evidence: CrossEvidence, true: int, settings: PlanSettings, largest: int, rarest: float
) -> tuple[_Half, _Half]:
    assert (evidence.class_of == evidence.class_of[true]).sum() == 1, "a class of one relation"
    limit = (1 - settings.min_posterior) / settings.min_posterior
    others = np.flatnonzero(np.arange(len(evidence.kinds)) != true)
    if len(others) >= MOST_RELATIONS:
        difference = evidence.score[:, true, None, :] - evidence.score[:, others, :]
        exponent = tails.chernoff_exponent(difference, evidence.prob[:, true][:, None, :]).sum(axis=0)
        log_weight = evidence.log_prior[others] - evidence.log_prior[true] - np.log(limit)
        order = np.argsort(-tails.failure_bound(exponent, log_weight), kind="stable")
        others = others[order[: MOST_RELATIONS - 1]]
    used = np.append(others, true)
    start = np.exp(evidence.log_prior[used])
    start[-1] *= -limit  # right where the sum over all is at most 0
    cut = evidence.n_markers // 2
    return (
        _Half(evidence, range(cut), true, start, used, largest, rarest),
        _Half(evidence, range(cut, evidence.n_markers), true, np.ones(len(used)), used, largest, rarest),
    )


@dataclass(frozen=True)
class _Batch:
    """Outcomes of the first half, alike in size and grade, and those of the other half to be paired with."""

    rows: slice
    columns: Ints


def _batches(first: _Half, other: _Half, largest: int, rarest: float) -> list[_Batch]:
    """The pairs of half outcomes whose chance may reach `rarest`."""
    out = []
    change = np.flatnonzero((np.diff(first.size) != 0) | (np.diff(first.grade) != 0)) + 1
    for low, high in pairwise((0, *change.tolist(), len(first.chance))):
        likely = other.chance >= rarest * 10.0 ** first.grade[low]
        columns = np.flatnonzero(likely & (other.size <= largest - first.size[low]))
        out.append(_Batch(slice(low, high), columns))
    return out


def _ceiling(
    evidence: CrossEvidence, first: _Half, other: _Half, batches: list[_Batch], settings: PlanSettings
) -> Floats:
    """The most that P(right and determined) of one relation can be, (set,)."""
    spoilt = np.zeros((other.sets, first.sets))  # set of the other half, set of the first half
    for batch in batches:
        columns = batch.columns
        weight, which, chance = other.weight[columns].T, other.which[columns], other.chance[columns]
        size = int(first.size[batch.rows.start])
        too_few = size + other.size[columns] < settings.min_markers_scored
        sets = first.which[batch.rows]
        ends = np.flatnonzero(np.diff(sets)) + 1
        for low, high in pairwise((0, *ends.tolist(), len(sets))):
            at, wrong = int(sets[low]), np.zeros(len(columns))
            for row in range(batch.rows.start + low, batch.rows.start + high, _ROWS):
                rows = slice(row, min(row + _ROWS, batch.rows.start + high))
                bad = (first.weight[rows] @ weight > 0.0) | too_few
                wrong += first.chance[rows] @ bad
            spoilt[:, at] += np.bincount(which, weights=wrong * chance, minlength=other.sets)
    out = 1.0 - spoilt.ravel()
    for m in range(evidence.n_markers):
        pairs, missing = out.reshape(-1, 2, 1 << m), float(evidence.prob[m, 0, -1])
        pairs[:, 1] = (1 - missing) * pairs[:, 1] + missing * pairs[:, 0]
    return out + _ROUNDING
