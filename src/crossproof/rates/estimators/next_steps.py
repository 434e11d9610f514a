"""What each cross needs next: seeds to test, flowers to pollinate, and the tests they cost.

    r       hybrids still needed
    m       stored seeds to test
    N       flowers to pollinate
    a, b    beta distribution of the chance in question, given the cross's own plants and all other tags:
            the rate is uncertain, and the uncertainty is part of the answer

Seeds: the number of hybrids among m is beta-binomial (m, a, b).
Flowers: the number of flowers that succeed is beta-binomial (N, a, b), which is the beta negative binomial
for the flowers needed until the k-th success. A success gives at least one hybrid; how many more is the
season's own distribution of hybrids per successful pod, where pods were recorded, else exactly one (on the
careful side). With exactly one: P(N suffices) = P(beta negative binomial(r, a, b) <= N - r).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, gammaln

from crossproof.model.arrays import Bools, Floats, Ints

MOST_FLOWERS = 2_000
"""More flowers than anyone pollinates for one cross: the chance is too small or too little known."""


def hybrids_below(wanted: ArrayLike, seeds: ArrayLike, a: ArrayLike, b: ArrayLike) -> Floats:
    """P(beta-binomial(seeds, a, b) < wanted), any shape: the chance that the seeds do not suffice.

    `wanted` and `seeds` whole, at least 0. Sums the few terms below `wanted`, so that thousands of crosses
    take no time; scipy's betabinom gives the same one by one.
    """
    r, m, aa, bb = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (wanted, seeds, a, b)))
    total = np.zeros(r.shape)
    for x in range(int(r.max(initial=0.0))):
        term = (x < r) & (x <= m)
        total[term] += np.exp(_log_beta_binomial(float(x), m[term], aa[term], bb[term]))
    return np.clip(total, 0.0, 1.0)


def _log_beta_binomial(x: float, n: Floats, a: Floats, b: Floats) -> Floats:
    choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return np.asarray(choose + betaln(x + a, n - x + b) - betaln(a, b))


def seeds_to_test(
    wanted: ArrayLike, stored: ArrayLike, a: ArrayLike, b: ArrayLike, *, probability: float = 0.95
) -> Ints:
    """Fewest stored seeds to test for `wanted` hybrids at the given probability; -1 where all are too few."""
    r, m, aa, bb = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (wanted, stored, a, b)))

    def reached(n: Floats) -> Bools:
        return np.asarray(1 - hybrids_below(r, np.minimum(n, m), aa, bb) >= probability)

    needed = _smallest(reached, np.minimum(np.maximum(r, 0.0), m), int(m.max(initial=0.0)))
    return np.where((needed >= 0) & (needed <= m), needed, -1)


def short_of(wanted: int, yields: ArrayLike) -> Floats:
    """P(k successful flowers give fewer than `wanted` hybrids), for k = 0 .. wanted - 1.

    `yields`: probabilities of 1, 2, 3 .. hybrids from one successful flower; they sum to 1.
    From `wanted` successes on there is always enough, each giving at least one.
    """
    pmf = np.concatenate([[0.0], np.asarray(yields, dtype=float)])
    total = np.array([1.0])
    out = np.empty(wanted)
    for k in range(wanted):
        out[k] = total[:wanted].sum()
        total = np.convolve(total, pmf)[: wanted + 1]
    return out


def flowers_fail(
    wanted: ArrayLike, flowers: ArrayLike, a: ArrayLike, b: ArrayLike, yields: ArrayLike = (1.0,)
) -> Floats:
    """P(the flowers give fewer than `wanted` hybrids), any shape."""
    r, n, aa, bb = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (wanted, flowers, a, b)))
    total = np.zeros(r.shape)
    for need in np.unique(r[r > 0]):
        short = short_of(int(need), yields)
        here = r == need
        for k in range(int(need)):
            term = here & (k <= n)
            total[term] += short[k] * np.exp(_log_beta_binomial(float(k), n[term], aa[term], bb[term]))
    return np.clip(total, 0.0, 1.0)


@dataclass(frozen=True)
class Plan:
    """What each cross needs; arrays (cross,).

    `seeds`: stored seeds to test. `flowers`: to pollinate after that, -1 where MOST_FLOWERS do not suffice.
    `p_target`: probability that the seeds in store suffice.
    """

    seeds: Ints
    flowers: Ints
    p_target: Floats


def plan(
    wanted: ArrayLike,
    stored: ArrayLike,
    seed_chance: tuple[ArrayLike, ArrayLike],
    flower_chance: tuple[ArrayLike, ArrayLike],
    *,
    yields: ArrayLike = (1.0,),
    probability: float = 0.95,
    worth_testing: float = 0.05,
) -> Plan:
    """Seeds to test and flowers to pollinate, for all crosses at once.

    Parameters: `wanted` hybrids still needed and `stored` seeds not yet tested, (cross,), whole;
    `seed_chance`, `flower_chance`: (a, b) of the chance that a seed is a hybrid and that a flower gives one;
    `worth_testing`: stored seeds are left alone where even all of them would give a single hybrid with less
    than this probability.
    Where the stored seeds do not suffice, all are tested and the flowers make up what they may leave
    missing: P(seeds + flowers suffice) >= probability, the two taken as independent.
    """
    r = np.asarray(wanted, dtype=float)
    m = np.asarray(stored, dtype=float)
    a, b = (np.broadcast_to(np.asarray(x, dtype=float), r.shape) for x in seed_chance)
    c, d = (np.broadcast_to(np.asarray(x, dtype=float), r.shape) for x in flower_chance)
    p_target = 1 - hybrids_below(r, m, a, b)
    seeds = seeds_to_test(r, m, a, b, probability=probability)
    enough = seeds >= 0
    any_hybrid = 1 - hybrids_below(np.minimum(r, 1.0), m, a, b)
    tested = np.where(enough, seeds, np.where(any_hybrid >= worth_testing, m, 0)).astype(np.int64)
    flowers = np.zeros(r.shape, dtype=np.int64)
    short = ~enough & (r > 0)
    if short.any():
        rs, ts, a1, b1, c1, d1 = (x[short] for x in (r, tested.astype(float), a, b, c, d))

        def reached(n: Floats) -> Bools:
            fail = np.zeros(rs.shape)
            for x in range(int(rs.max())):
                some = (x < rs) & (x <= ts)
                if some.any():
                    chance = np.exp(_log_beta_binomial(float(x), ts[some], a1[some], b1[some]))
                    fail[some] += chance * flowers_fail(rs[some] - x, n[some], c1[some], d1[some], yields)
            return np.asarray(1 - fail >= probability)

        flowers[short] = _smallest(reached, np.ones(rs.shape), MOST_FLOWERS)
    return Plan(tested, flowers, p_target)


def _smallest(reached: Callable[[Floats], Bools], start: Floats, most: int) -> Ints:
    """Smallest whole number from `start` on at which `reached` holds, by doubling and halving; -1 if none."""
    low = np.floor(np.asarray(start, dtype=float))
    ok = reached(low)
    high = low.copy()
    step = np.ones(low.shape)
    while (~ok & (high < most)).any():
        grow = ~ok & (high < most)
        low = np.where(grow, high, low)
        high = np.where(grow, np.minimum(high + step, most), high)
        step *= 2
        ok = np.where(grow, reached(high), ok).astype(bool)
    # reached at high, not at low, unless already reached at the start
    while (ok & (high - low > 1)).any():
        middle = np.floor((low + high) / 2)
        there = reached(middle)
        narrow = ok & (high - low > 1)
        high = np.where(narrow & there, middle, high)
        low = np.where(narrow & ~there, middle, low)
    return np.where(ok, high, -1).astype(np.int64)
