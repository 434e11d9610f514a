"""The verdict of a class summed over what a plant can show, marker by marker: strict bounds, no randomness.

    R(r)    prior(r) P(D | r) / (prior(t) P(D | t)), relation r against the true relation t
    b       the most that all R together may come to in a right and determined verdict

Outcomes are gone through as a tree, one marker after another. A branch whose verdict no further marker can
change is closed. Of the others only those most in doubt are followed. Of those let go, a part is surely
right: all but Markov's bound of the chance that the remaining markers spoil the verdict. The rest is open:

    surely right  <=  P(right and determined)  <=  surely right + open.
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Floats
from crossproof.planning.power.tails import Tail, scored_enough, sum_bounds

MOST_BRANCHES = 1500


def right_by_outcomes(
    gain: Floats,
    prob: Floats,
    exponent: Floats,
    log_weight: Floats,
    log_limit: float,
    least_scored: int,
    most_branches: int = MOST_BRANCHES,
    enough: float = np.inf,
    too_little: float = -np.inf,
) -> Tail:
    """Bounds of P(sum over r of R <= limit and at least `least_scored` markers scored).

    gain (marker, relation, outcome): log P(o | r) - log P(o | t); prob (marker, outcome): of the true
    relation, the last outcome is "no call". exponent (marker, relation, tilt): log E[exp(t gain)], see
    `tails.chernoff_exponent`. log_weight (relation,): of the priors. Natural logs throughout. enough,
    too_little: it ends as soon as the lower bound reaches the one, or the upper one falls below the other.
    """
    order = np.argsort(-np.abs(gain).max(axis=(1, 2)), kind="stable")
    gain, prob, exponent = gain[order], prob[order], exponent[order]
    to_come = np.concatenate([exponent[::-1].cumsum(axis=0)[::-1], np.zeros((1, *exponent.shape[1:]))])
    too_few = 1 - scored_enough(1 - prob[:, -1], least_scored)
    most, least = (
        np.exp(np.vstack([np.cumsum(extreme[::-1], axis=0)[::-1], np.zeros(len(log_weight))]))
        for extreme in (gain.max(axis=2), gain.min(axis=2))
    )
    # R in units of the limit, not in logs: products of a few dozen factors stay far from overflow.
    factor = np.exp(gain)
    weight, ratio = np.ones(1), np.exp(log_weight - log_limit)[None, :]
    scored = np.zeros(1, dtype=np.int64)
    right = open_mass = 0.0
    let_go = False
    n_out = prob.shape[1]
    called = np.arange(n_out) < n_out - 1
    for m in range(len(gain) + 1):
        can_be_enough = scored + (len(gain) - m) >= least_scored
        wrong = (ratio @ least[m] > 1.0) | ~can_be_enough
        sure = (ratio @ most[m] <= 1.0) & (scored >= least_scored)
        right += float(weight[sure & ~wrong].sum())
        keep = np.flatnonzero(~wrong & ~sure)
        undecided = float(weight[keep].sum())
        told = right - (too_few if let_go else 0.0) >= enough or right + open_mass + undecided < too_little
        if told or not len(keep) or m == len(gain):
            open_mass += undecided
            break
        if len(keep) > most_branches:
            doubt = weight[keep] * sum_bounds(to_come[m], ratio[keep])
            order = np.argsort(-doubt, kind="stable")
            gone = order[most_branches:]
            right += float((weight[keep[gone]] - doubt[gone]).sum())
            open_mass += float(doubt[gone].sum())
            keep = keep[order[:most_branches]]
            let_go = True
        likely = np.flatnonzero(prob[m] > 0)
        weight = (weight[keep][:, None] * prob[m][likely][None, :]).ravel()
        ratio = (ratio[keep][:, None, :] * factor[m][:, likely].T[None, :, :]).reshape(-1, len(log_weight))
        scored = (scored[keep][:, None] + called[likely][None, :]).ravel()
    high = min(1.0, right + open_mass)
    low = min(max(0.0, right - (too_few if let_go else 0.0)), high)  # those let go may be scored too seldom
    return Tail(low, (low + high) / 2, high)
