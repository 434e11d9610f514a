"""The verdict of a class summed over what a plant can show, marker by marker: strict bounds, no randomness.

    R(r)    prior(r) P(D | r) / (prior(t) P(D | t)), relation r against the true relation t
    b       the most that all R together may come to in a right and determined verdict

Outcomes are gone through as a tree, one marker after another. A branch whose verdict no further marker can
change is closed. Of the others only the likeliest are followed. Of those let go, a part is surely right: all
but Markov's bound of the chance that the remaining markers spoil the verdict. What is left is open, so that

    surely right  <=  P(right and determined)  <=  surely right + open.
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Floats
from crossproof.planning.power.tails import Tail, scored_enough, sum_bounds

MOST_BRANCHES = 2000


def right_by_outcomes(
    gain: Floats,
    prob: Floats,
    exponent: Floats,
    log_weight: Floats,
    log_limit: float,
    least_scored: int,
    most_branches: int = MOST_BRANCHES,
) -> Tail:
    """Bounds of P(sum over r of R <= limit and at least `least_scored` markers scored).

    gain (marker, relation, outcome): log P(o | r) - log P(o | t); prob (marker, outcome): of the true
    relation, the last outcome is "no call". exponent (marker, relation, tilt): log E[exp(t gain)], see
    `tails.chernoff_exponent`. log_weight (relation,): of the priors. Natural logs throughout.
    """
    order = np.argsort(-np.abs(gain).max(axis=(1, 2)), kind="stable")
    gain, prob, exponent = gain[order], prob[order], exponent[order]
    to_come = np.concatenate([exponent[::-1].cumsum(axis=0)[::-1], np.zeros((1, *exponent.shape[1:]))])
    too_few = 1 - scored_enough(1 - prob[:, -1], least_scored)
    most = np.vstack([np.cumsum(gain.max(axis=2)[::-1], axis=0)[::-1], np.zeros(len(log_weight))])
    least = np.vstack([np.cumsum(gain.min(axis=2)[::-1], axis=0)[::-1], np.zeros(len(log_weight))])
    weight, log_r = np.ones(1), log_weight[None, :]
    scored = np.zeros(1, dtype=np.int64)
    right = open_mass = 0.0
    let_go = False
    limit = np.exp(log_limit)
    n_out = prob.shape[1]
    called = np.arange(n_out) < n_out - 1
    for m in range(len(gain) + 1):
        can_be_enough = scored + (len(gain) - m) >= least_scored
        wrong = (np.exp(log_r + least[m]).sum(axis=1) > limit) | ~can_be_enough
        sure = (np.exp(np.minimum(log_r + most[m], 50.0)).sum(axis=1) <= limit) & (scored >= least_scored)
        right += float(weight[sure & ~wrong].sum())
        keep = np.flatnonzero(~wrong & ~sure)
        if len(keep) > most_branches:
            likeliest = np.argsort(-weight[keep], kind="stable")
            gone = keep[likeliest[most_branches:]]
            spoilt = sum_bounds(to_come[m], log_r[gone], log_limit)
            right += float(weight[gone] @ (1 - spoilt))
            open_mass += float(weight[gone] @ spoilt)
            let_go = True
            keep = keep[likeliest[:most_branches]]
        if not len(keep) or m == len(gain):
            open_mass += float(weight[keep].sum())
            break
        likely = np.flatnonzero(prob[m] > 0)
        weight = (weight[keep][:, None] * prob[m][likely][None, :]).ravel()
        log_r = (log_r[keep][:, None, :] + gain[m][:, likely].T[None, :, :]).reshape(-1, len(log_weight))
        scored = (scored[keep][:, None] + called[likely][None, :]).ravel()
    high = min(1.0, right + open_mass)
    low = min(max(0.0, right - (too_few if let_go else 0.0)), high)  # those let go may be scored too seldom
    return Tail(low, (low + high) / 2, high)
