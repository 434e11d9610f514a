"""Two sets of parents that share the pods of a tag: the evidence of it, and whose each plant is.

    P(D | part) = sum_s P(s) prod_pods [ s prod_i T_i + (1 - s) prod_i O_i ]

`T_i` and `O_i`: likelihoods of plant `i` under the parents as typed and under the other ones. A flower may
have had pollen of both: now and then a plant is not as its pod.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.family.parent_hypotheses import PART_SHARES
from crossproof.model.arrays import Floats, Ints

MIXED_POD = 0.05
"""Share of the plants of a pod that are not of the parents of the rest, no source."""


def shared_by_pods(typed: Floats, other: Floats, pods: Ints, n_pods: int) -> tuple[float, Floats]:
    """log P(D | part), and the prior share (n,) of each plant under the parents as typed, from all plants but
    itself; between MIXED_POD and 1 - MIXED_POD.

    `typed`, `other` (n,): log likelihoods of a plant under either set; `pods` (n,): numbers below `n_pods`.
    """
    stays, strays = np.log1p(-MIXED_POD), np.log(MIXED_POD)
    in_typed = np.logaddexp(stays + typed, strays + other)
    in_other = np.logaddexp(stays + other, strays + typed)
    pod_typed, pod_other = np.bincount(pods, in_typed, n_pods), np.bincount(pods, in_other, n_pods)
    scores, of_typed, of_other = [], [], []
    for share in PART_SHARES:
        log_pods = np.logaddexp(np.log(share) + pod_typed, np.log1p(-share) + pod_other)
        scores.append(float(log_pods.sum()) - np.log(len(PART_SHARES)))
        of_typed.append((np.log(share) + pod_typed - log_pods)[pods] - in_typed)
        of_other.append((np.log1p(-share) + pod_other - log_pods)[pods] - in_other)
    # A plant's own data are divided out, not its posterior taken back: that may be 1 to the last digit.
    if_typed = np.logaddexp.reduce(np.array(scores)[:, None] + np.array(of_typed), axis=0)
    if_other = np.logaddexp.reduce(np.array(scores)[:, None] + np.array(of_other), axis=0)
    odds = np.logaddexp(stays + if_typed, strays + if_other) - np.logaddexp(
        strays + if_typed, stays + if_other
    )
    return float(np.logaddexp.reduce(scores)), np.asarray(1 / (1 + np.exp(-odds)))
