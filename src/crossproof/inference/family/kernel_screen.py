"""The screen of other crosses as a compiled loop, for crosses that rounding cannot bring past each other."""

from __future__ import annotations

import numpy as np

from crossproof.inference.compilation import compiled
from crossproof.model.arrays import Bools, Floats32, Ints

ROUNDING = 2.0**-24
"""Largest relative error of one rounding to 32 bits."""


@compiled
def add_times(share: float, values: Floats32, out: Floats32) -> None:
    """Add `share` times the values to `out` (x,)."""
    for x in range(len(out)):
        out[x] += share * values[x]


@compiled
def clearly_best(
    log_like: Floats32,
    second: Floats32,
    both: Floats32,
    mother: Ints,
    father: Ints,
    leave_out: Bools,
    most: int,
) -> tuple[Bools, bool]:
    """The crosses (X,) that are among the `most` best of a plant by the bound of `donors`, and whether that
    is certain.

    With x, y the shares of the second allele in the gametes of mother and father and l_g = log L_ij(g), the
    bound of a marker is l_0 + (x + y) (l_1 - l_0) + x y (l_2 - 2 l_1 + l_0): all but its last term is summed
    over markers once for each line, and not for each cross. `log_like` (m, n, 3), `second` (m, V) the shares,
    `both` (m, X) their products; `leave_out` (X,): crosses that do not count. Not certain where the last of a
    plant's best crosses is not further ahead of the next one than roundings may add up to, in this sum or in
    that over genotypes, whose terms are all negative.
    """
    n_m, n, _ = log_like.shape
    n_x = len(mother)
    by_line, score = np.empty(second.shape[1], dtype=np.float32), np.empty(n_x, dtype=np.float32)
    chosen = np.zeros(n_x, dtype=np.bool_)
    best, place = np.empty(most + 1, dtype=np.float32), np.zeros(most + 1, dtype=np.int64)
    for i in range(n):
        base, size = 0.0, 0.0
        by_line[:] = 0.0
        score[:] = 0.0
        for m in range(n_m):
            none = log_like[m, i, 0]
            one = log_like[m, i, 1] - none
            two = (log_like[m, i, 2] - log_like[m, i, 1]) - one
            base += none
            size += abs(none) + 2 * abs(one) + abs(two)
            add_times(one, second[m], by_line)
            add_times(two, both[m], score)
        best[:] = -np.inf
        for x in range(n_x):
            value = score[x] + (by_line[mother[x]] + by_line[father[x]])
            if value > best[most] and not leave_out[x]:
                at = most
                while at > 0 and best[at - 1] < value:
                    best[at] = best[at - 1]
                    place[at] = place[at - 1]
                    at -= 1
                best[at] = value
                place[at] = x
        of_all = 2 * ROUNDING * ((3 * n_m + 16) * abs(base + best[most - 1]) + (n_m + 16) * size)
        if not best[most - 1] - best[most] > of_all:
            return chosen, False
        for at in range(most):
            chosen[place[at]] = True
    return chosen, True
