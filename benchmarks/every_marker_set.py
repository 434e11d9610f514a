"""What every set of a few candidate markers proves of a cross: all sets at once, without a search.

    S        a marker set; T, a part of it: the markers that gave a call
    f(T)     P(right and determined | exactly the markers of T gave a call)
    c_m      call rate of marker m

    P(S) = sum over T in S of f(T) * product of c_m over T * product of 1 - c_m over the rest of S

f(T) sums what a plant can show at the markers of T, in pairs of two halves of the candidates: a plant is
right and determined where the other relations together weigh no more than (1 - t) / t of the true one, which
is one product of matrices for all pairs. The sum over T is a pass over all sets for each marker. Nothing is
taken for granted of how P(S) changes from one set to another, and none of the planner's code is used.

Outcomes of a half that are rarer than `rarest` are left out and counted as open: low <= P(S) <= low + open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.results import Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power.evidence import CrossEvidence

RAREST = 1e-8
_AT_ONCE = 1024


@dataclass(frozen=True)
class SetChances:
    """`low`, `high` (2, set): bounds of P(right and determined) of a true hybrid and a true self.

    Sets are numbers whose bits are markers. `able` (set,) bool: enough contrast markers for a verdict.
    """

    low: Floats
    high: Floats
    able: Bools

    def proven(self, wanted: float) -> Bools:
        """Sets that prove the cross for certain, (set,) bool."""
        return self.able & (self.low >= wanted).all(axis=0)

    def unproven(self, wanted: float) -> Bools:
        """Sets that do not, for certain, (set,) bool."""
        return ~self.able | (self.high < wanted).any(axis=0)


def sizes(markers: int) -> Ints:
    """Number of markers of every set, (set,)."""
    return np.asarray(bits_of(markers).sum(axis=1))


def bits_of(markers: int) -> Bools:
    """Whether a set holds a marker, (set, marker)."""
    return ((np.arange(1 << markers)[:, None] >> np.arange(markers)) & 1).astype(bool)


def every_set(evidence: CrossEvidence, settings: PlanSettings, rarest: float = RAREST) -> SetChances:
    """P(right and determined) at every set of the evidence's markers."""
    markers = evidence.n_markers
    low, high = np.empty((2, 1 << markers)), np.empty((2, 1 << markers))
    rate = 1 - evidence.prob[:, 0, -1]
    for k, kind in enumerate((Relation.HYBRID, Relation.SELF)):
        right, covered = _given_calls(evidence, evidence.index(kind), settings, rarest)
        low[k], covered = _mixed(right, rate), _mixed(covered, rate)
        high[k] = np.minimum(1.0, low[k] + 1 - covered)
    able = bits_of(markers)[:, evidence.contrast].sum(axis=1) >= max(settings.min_markers_scored, 1)
    return SetChances(low, high, able)


def _mixed(given: Floats, rate: Floats) -> Floats:
    """Sum over the markers of a set that gave a call, (set,), from values given them, (set,)."""
    out = given.copy()
    for m, called in enumerate(rate):
        pairs = out.reshape(-1, 2, 1 << m)  # the rest above, marker m in or out, the rest below
        pairs[:, 1] = called * pairs[:, 1] + (1 - called) * pairs[:, 0]
    return out


def _given_calls(
    evidence: CrossEvidence, true: int, settings: PlanSettings, rarest: float
) -> tuple[Floats, Floats]:
    """f(T) of one relation and the chance of the outcomes that were looked at, (set,) each."""
    markers, t = evidence.n_markers, settings.min_posterior
    assert (evidence.class_of == evidence.class_of[true]).sum() == 1, "a class of one relation"
    start = np.exp(evidence.log_prior)
    start[true] *= -(1 - t) / t
    cut = markers // 2
    first = _Half(evidence, range(cut), true, start, rarest)
    other = _Half(evidence, range(cut, markers), true, np.ones_like(start), rarest)
    right = np.zeros((1 << (markers - cut), 1 << cut))  # set of the other half, set of the first half
    for a in range(1 << cut):
        for begin in range(first.begin[a], first.begin[a + 1], _AT_ONCE):
            rows = slice(begin, min(begin + _AT_ONCE, first.begin[a + 1]))
            good = (first.joint[rows] @ other.joint.T <= 0.0).astype(np.float64)
            of_other = (first.chance[rows] @ good) * other.chance
            right[:, a] += np.add.reduceat(of_other, other.begin[:-1])
    right[sizes(markers).reshape(right.shape) < settings.min_markers_scored] = 0.0
    covered = np.multiply.outer(other.covered, first.covered)
    return right.ravel(), covered.ravel()


class _Half:
    """Outcomes of some of the markers, by the set of them that gave a call.

    `chance` (outcome,) given the set; `joint` (outcome, relation); `begin` (set + 1,): where the outcomes of
    each set begin; `covered` (set,): their chance.
    """

    def __init__(self, evidence: CrossEvidence, rows: range, true: int, start: Floats, rarest: float) -> None:
        chance, joint, which = np.ones(1), start[None, :], np.zeros(1, dtype=np.int64)
        likelihood = np.exp(evidence.score)
        for bit, m in enumerate(rows):
            prob = evidence.prob[m, true, :-1] / (1 - evidence.prob[m, true, -1])
            parts = [(chance, joint, which)]
            for o in np.flatnonzero(prob > 0):
                kept = chance * prob[o] >= rarest
                parts.append(
                    (chance[kept] * prob[o], joint[kept] * likelihood[m, :, o], which[kept] | 1 << bit)
                )
            chance, joint, which = (np.concatenate(x) for x in zip(*parts, strict=True))
        order = np.argsort(which, kind="stable")
        self.chance, self.joint = chance[order], joint[order]
        self.begin = np.searchsorted(which[order], np.arange((1 << len(rows)) + 1))
        self.covered = np.bincount(which, weights=chance, minlength=1 << len(rows))
