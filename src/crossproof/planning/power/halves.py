"""The verdict of a class summed over the likeliest outcomes of a plant at few markers: strict bounds.

    a, b    outcomes at the one half of the markers and at the other; a plant shows a pair (a, b)
    R(r)    prior(r) P(D | r) / (prior(t) P(D | t)) over the limit, a product A(a, r) B(b, r)
    right   the sum of R over all relations is at most 1: one product of matrices for many pairs at once

Pairs are gone through from the likeliest to rarer ones, by a threshold of their chance that falls. What was
not gone through is open:

    surely right  <=  P(right and determined)  <=  surely right + open.
"""

from __future__ import annotations

from math import isqrt

import numpy as np

from crossproof.model.arrays import Floats
from crossproof.planning.power.tails import Tail

MOST_MARKERS = 24
"""Of more markers too many pairs are needed: the likeliest million leave several hundredths open."""

_THRESHOLDS = 10.0 ** -np.arange(3.0, 12.0, 0.5)
_ROWS = 64
_LEAST_OPEN = 5e-4
_CLOSED = 1e-9


class _Half:
    """Outcomes of half of the markers, the likeliest first.

    `chance`, `scored` (outcome,): probability, markers scored.
    """

    def __init__(self, gain: Floats, prob: Floats, start: Floats, most: int) -> None:
        """gain (marker, relation, outcome), prob (marker, outcome), start (relation,): of every ratio."""
        chance, shown = np.ones(1), np.zeros((1, 0), dtype=np.int8)
        for of_marker in prob:
            likely = np.flatnonzero(of_marker > 0)
            chance = (chance[:, None] * of_marker[likely]).ravel()
            each = np.tile(likely, len(shown)).astype(np.int8)
            shown = np.column_stack([np.repeat(shown, len(likely), axis=0), each])
            if len(chance) > most:
                # What begins a likely outcome is likely itself.
                kept = np.argpartition(-chance, most)[:most]
                chance, shown = chance[kept], shown[kept]
        order = np.argsort(-chance, kind="stable")
        self.chance, self._shown = chance[order], shown[order]
        self.scored = (self._shown < prob.shape[1] - 1).sum(axis=1)
        self._factor = np.exp(gain).transpose(0, 2, 1)  # marker, shown, relation
        self._ratio = np.empty((len(order), len(start)))
        self._start, self._known = start, 0

    def ratio(self, n: int) -> Floats:
        """Ratios of the first n outcomes, (outcome, relation), worked out as far as asked for."""
        if n > self._known:
            new = slice(self._known, n)
            self._ratio[new] = self._start
            for at, factor in zip(self._shown[new].T, self._factor, strict=True):
                self._ratio[new] *= factor[at]
            self._known = n
        return self._ratio[:n]


def right_by_halves(
    gain: Floats,
    prob: Floats,
    log_weight: Floats,
    log_limit: float,
    least_scored: int,
    most_pairs: int,
    enough: float = np.inf,
    too_little: float = -np.inf,
) -> Tail:
    """Bounds of P(sum over r of R <= limit and at least `least_scored` markers scored).

    gain (marker, relation, outcome): log P(o | r) - log P(o | t); prob (marker, outcome): of the true
    relation, the last outcome is "no call". log_weight (relation,): of the priors. Natural logs throughout.
    enough, too_little: it ends as soon as the lower bound reaches the one, or the upper one falls below the
    other; and after about `most_pairs` pairs.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        doubt = np.nan_to_num(-prob * np.log(prob)).sum(axis=1)
    order = np.argsort(-doubt, kind="stable")  # either half gets its share of what is uncertain
    most, start = 4 * isqrt(most_pairs), np.exp(log_weight - log_limit)
    first = _Half(gain[order[0::2]], prob[order[0::2]], start, most)
    other = _Half(gain[order[1::2]], prob[order[1::2]], np.ones_like(start), most)
    total = np.concatenate([[0.0], np.cumsum(other.chance)])
    blocks = range(0, len(first.chance), _ROWS)
    done = np.zeros(len(blocks), dtype=np.int64)
    right = covered = 0.0
    pairs = 0
    for threshold in _THRESHOLDS:
        for i, a in enumerate(blocks):
            n = int(np.searchsorted(-other.chance, -threshold / first.chance[a], side="right"))
            if not n:
                break
            if n == done[i]:
                continue
            b, new = min(a + _ROWS, len(first.chance)), slice(done[i], n)
            good = first.ratio(b)[a:] @ other.ratio(n)[new].T <= 1.0
            if least_scored:
                good &= first.scored[a:b, None] + other.scored[new] >= least_scored
            right += float(first.chance[a:b] @ (good @ other.chance[new]))
            covered += float(first.chance[a:b].sum() * (total[n] - total[done[i]]))
            pairs += good.size
            done[i] = n
        still_open = max(0.0, 1.0 - covered)
        if right >= enough or right + still_open < too_little:
            break
        if still_open < (_LEAST_OPEN if np.isinf(enough) else _CLOSED) or pairs >= most_pairs:
            break
    low, high = min(right, 1.0), min(1.0, right + still_open)
    return Tail(low, (low + high) / 2, high)
