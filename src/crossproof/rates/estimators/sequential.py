"""Testing seeds a few at a time and stopping at the target.

    r     hybrids still needed
    m     seeds in store
    a, b  beta distribution of the chance that a seed is a hybrid

Testing all seeds at once wastes tests when the first few would have done. The next batch worth testing is
the smallest that more likely than not finishes the cross; its outcome changes (a, b), and the question is
asked again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.next_steps import hybrids_below, seeds_to_test


@dataclass(frozen=True)
class NextBatch:
    """Per cross; arrays (cross,).

    `seeds`: how many of the stored seeds to test next, 0 where testing is not worth it.
    `p_done`: probability that this batch reaches the target.
    `expected_tests`: mean number of tests when seeds are tested one by one until the target or the end.
    """

    seeds: Ints
    p_done: Floats
    expected_tests: Floats


def next_batch(
    wanted: ArrayLike,
    stored: ArrayLike,
    a: ArrayLike,
    b: ArrayLike,
    *,
    worth: float = 0.5,
    give_up: float = 0.05,
) -> NextBatch:
    """How many of the remaining seeds are worth genotyping next.

    Parameters, (cross,): `wanted`, `stored`, whole; `a`, `b`. `worth`: probability of finishing that makes a
    batch big enough; where all seeds together do not reach it, all are tested, unless even one hybrid among
    them is less likely than `give_up`.
    """
    r, m, aa, bb = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (wanted, stored, a, b)))
    batch = seeds_to_test(r, m, aa, bb, probability=worth)
    any_hybrid = 1 - hybrids_below(np.minimum(r, 1.0), m, aa, bb)
    seeds = np.where(batch >= 0, batch, np.where(any_hybrid >= give_up, m, 0)).astype(np.int64)
    seeds = np.where(r > 0, seeds, 0)
    p_done = 1 - hybrids_below(r, seeds.astype(float), aa, bb)
    # mean of a stopping time: sum over t of P(not yet done after t tests)
    expected = np.zeros(r.shape)
    for t in range(int(m.max(initial=0.0))):
        going = (t < m) & (r > 0)
        if not going.any():
            break
        expected[going] += hybrids_below(r[going], np.full(int(going.sum()), float(t)), aa[going], bb[going])
    return NextBatch(seeds, p_done, expected)
