"""One family under one reading of its parents, judged by compiled loops in a single call.

A call takes a microsecond or more for every array that is handed over: what families share comes in two, and
what is worked with lies in one. Rounds are those of `kernel_rounds`, arrays and axes as in `kernel_arrays`.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.compilation import compiled_from
from crossproof.inference.family.kernel_arrays import (
    AT,
    BEFORE,
    COMPONENT,
    GENOTYPES,
    LINKED,
    MARKERS,
    MATERNAL,
    N_NUMBERS,
    OF_MARKERS,
    OF_PAIRS,
    OF_RELATION,
    ROWS,
    SHARES,
    SINGLE,
    SIZES,
    SPOT,
    START,
    STATES,
    STEPS,
    SUMS,
    TABLES,
    WEIGHTS,
    Blocks,
    Fits,
    Limits,
    Relations,
    State,
    Sums,
    Weights,
)
from crossproof.inference.family.kernel_blocks import of_two
from crossproof.inference.family.kernel_rounds import of_places, settle
from crossproof.model.arrays import Floats, Ints

compiled = compiled_from(settle)


@compiled
def numbers_of(numbers: Ints, part: int) -> Ints:
    """One of a layout's arrays of whole numbers."""
    return numbers[numbers[part] : numbers[part + 1]]


@compiled
def values_of(numbers: Ints, values: Floats, part: int) -> Floats:
    """One of a layout's arrays of real numbers."""
    first = N_NUMBERS + 1 + part
    return values[numbers[first] : numbers[first + 1]]


@compiled
def sums_of(numbers: Ints, values: Floats, which: int) -> Sums:
    """One of a layout's four sums."""
    return Sums(
        numbers_of(numbers, SUMS + 2 * which),
        numbers_of(numbers, SUMS + 2 * which + 1),
        values_of(numbers, values, SHARES + which),
    )


@compiled
def blocks_of(numbers: Ints, values: Floats, like: Floats, donors: Floats) -> Blocks:
    """A family's blocks."""
    sizes = numbers_of(numbers, SIZES)
    before = numbers_of(numbers, BEFORE)
    n_b = len(sizes) // 5
    return Blocks(
        sizes.reshape((n_b, 5)),
        before.reshape((n_b, 10)),
        numbers_of(numbers, SPOT),
        donors,
        like,
        sums_of(numbers, values, 0),
        sums_of(numbers, values, 1),
        sums_of(numbers, values, 2),
        sums_of(numbers, values, 3),
    )


@compiled
def relations_of(numbers: Ints, values: Floats) -> Relations:
    """The relations of a layout."""
    single = numbers_of(numbers, SINGLE)
    linked = numbers_of(numbers, LINKED)
    component = numbers_of(numbers, COMPONENT)
    n_h = len(linked)
    n_k = len(component) // max(n_h, 1)
    n_m = len(numbers_of(numbers, SPOT))
    return Relations(
        numbers_of(numbers, OF_RELATION),
        single.reshape((len(single) // 2, 2)),
        linked,
        numbers_of(numbers, STATES),
        component.reshape((n_h, n_k)),
        values_of(numbers, values, WEIGHTS).reshape((n_h, n_k)),
        values_of(numbers, values, STEPS).reshape((n_m, n_h, n_k, n_k)),
        numbers_of(numbers, START),
    )


@compiled
def chosen_donors(donors: Floats, which: Ints, n_d: int) -> Floats:
    """Gametes, block after block, of these of n_d donors."""
    n = len(which)
    out = np.empty(len(donors) // n_d * n)
    for row in range(len(donors) // n_d):
        for d in range(n):
            out[row * n + d] = donors[row * n_d + which[d]]
    return out


@compiled
def room(
    blocks: Blocks, relations: Relations, work: Floats, n_d: int, n: int
) -> tuple[State, Fits, Weights, Floats]:
    """Where in `work` the parents, the fits, posteriors and sums of n plants lie, with n_d donors weighed."""
    last = len(blocks.sizes) - 1
    here, before = blocks.sizes[last], blocks.before[last]
    n_m, n_p = before[OF_MARKERS] + here[MARKERS], before[OF_PAIRS] + here[MARKERS] * here[GENOTYPES] ** 2
    nuclear, n_r = len(blocks.spot), len(relations.of_relation)
    n_h, n_k = relations.component.shape
    n_c = 0
    for b in range(last + 1):
        if blocks.sizes[b, MATERNAL] == 0:
            n_c = blocks.sizes[b, TABLES]
    sizes = (
        (n_p, 1),
        (n_p, n),
        (n_p, n),
        (n_p, 1),
        (n_m, 1),
        (n_c * nuclear, n),
        (n_h * nuclear * n_k, n),
        (n_r, n),
        (n_d, n),
        (n_r * (n_m - nuclear), n),
        (n_r, n),
        (n_r, n),
        (n_d, n),
        (1, n),
        (1, n),
    )
    ends = np.zeros(len(sizes) + 1, dtype=np.int64)
    for part in range(len(sizes)):
        ends[part + 1] = ends[part] + sizes[part][0] * sizes[part][1]
    assert ends[-1] <= len(work)
    state = State(
        work[: ends[1]],
        work[ends[1] : ends[2]],
        work[ends[2] : ends[3]],
        work[ends[3] : ends[4]],
        work[ends[4] : ends[5]],
    )
    fits = Fits(
        of_two(work, ends[5], n_c, nuclear * n),
        work[ends[6] : ends[7]].reshape((n_h, nuclear, n_k, n)),
        of_two(work, ends[7], n_r, n),
        of_two(work, ends[8], n_d, n),
        work[ends[9] : ends[10]],
        of_two(work, ends[10], n_r, n),
        work[:0],
        work[:0],
    )
    posterior = Weights(
        of_two(work, ends[11], n_r, n), of_two(work, ends[12], n_d, n), work[ends[13] : ends[14]]
    )
    return state, fits, posterior, work[ends[14] : ends[15]]


@compiled
def begin(state: State, fits: Fits, posterior: Weights, prior: Floats, log_prior: Floats, n: int) -> None:
    """Put the parents at their priors, before any message of the n plants."""
    state.log_prior[:] = log_prior
    state.total[:] = log_prior
    state.log_total[:] = 0.0
    state.message[:] = 1.0
    for x in range(len(prior)):
        for i in range(n):
            state.outside[x * n + i] = prior[x]
    fits.of_maternal[:] = 0.0
    posterior.pair[:] = 0.0
    posterior.donor[:] = 0.0
    posterior.flat[:] = 0.0


@compiled
def parents_as_given(numbers: Ints, blocks: Blocks, state: State) -> tuple[Floats, Floats]:
    """Log weights (m, p) of the parents, 0 the highest of a marker, and the log of their sum (m,), block
    after block; markers as the family has them."""
    at = numbers_of(numbers, AT)
    weights, total = np.empty(len(state.total)), np.empty(len(state.log_total))
    for b in range(len(blocks.sizes)):
        n_m, n_p = blocks.sizes[b, MARKERS], blocks.sizes[b, GENOTYPES] ** 2
        first, pairs = blocks.before[b, OF_MARKERS], blocks.before[b, OF_PAIRS]
        for m in range(n_m):
            place = at[first + m]
            total[first + m] = state.log_total[first + place]
            top = state.total[pairs + place]
            for p in range(n_p):
                top = max(top, state.total[pairs + p * n_m + place])
            for p in range(n_p):
                weights[pairs + m * n_p + p] = state.total[pairs + p * n_m + place] - top
    return weights, total


@compiled
def full_rows(rows: Ints, values: Floats, of: int) -> Floats:
    """These rows of an array (of, i) that is -inf elsewhere."""
    out = np.full((of, values.shape[1]), -np.inf)
    for row in range(len(rows)):
        for i in range(values.shape[1]):
            out[rows[row], i] = values[row, i]
    return out


@compiled
def solve(
    numbers: Ints,
    values: Floats,
    like: Floats,
    donors: Floats,
    prior: Floats,
    log_prior: Floats,
    of_pair: Floats,
    of_donor: Floats,
    flat: Floats,
    active: Ints,
    given: Floats,
    n_pair: int,
    work: Floats,
    begun: Floats,
) -> tuple[Floats, Floats, Ints, Floats, Floats, Floats, Floats, int, bool]:
    """Judge all plants as `Family.solve` does.

    `numbers`, `values`: the layout; `prior`, `log_prior` of the parents (p, m), block after block; `of_pair`,
    `of_donor`, `flat`: log priors as in `Weights`, of all donors; `active`: donors that are weighed; `given`:
    `Limits`; `n_pair`: how many pair relations there are; `work`: room, left as the last call has left it
    where messages go on from a posterior `begun` (r, i); that has no rows where they do not.

    Gives log P(D | r) (n_pair, i) and P(D | donor) (d, i) of all, -inf where not weighed; places in `active`
    of the donors in the messages; the parents as in `parents_as_given`; the log of the summed prior x
    likelihood (i,); what the others say of the parents (p, x); rounds, and whether messages came to rest.
    """
    limits = Limits(
        given[0], given[1], int(given[2]), int(given[3]), given[4], int(given[5]), given[6], int(given[7]),
        given[8],
    )  # fmt: skip
    n, n_d = len(flat), len(of_donor)
    blocks, relations = blocks_of(numbers, values, like, donors), relations_of(numbers, values)
    own = of_donor
    if len(active) < n_d:
        blocks = blocks_of(numbers, values, like, chosen_donors(donors, active, n_d))
        own = of_places(of_donor, active)
    priors = Weights(of_pair, own, flat)
    state, fits, posterior, log_plants = room(blocks, relations, work, len(active), n)
    alone = Limits(
        limits.moved, limits.evidence, 0, limits.damp_after, limits.faded, limits.donors, limits.revived,
        limits.revivals, limits.distance,
    )  # fmt: skip
    rounds, rest, going_on = 0, True, len(begun) > 0
    # a second turn where messages do not rest; one call alone, which takes half as long to compile as two
    for turn in range(2):
        if going_on:
            posterior.pair[:] = begun
            posterior.donor[:] = 0.0
            posterior.flat[:] = 0.0
        else:
            begin(state, fits, posterior, prior, log_prior, n)
        now = limits if turn == 0 else alone
        heard, done, rests = settle(
            blocks, relations, state, fits, priors, posterior, log_plants, now, going_on
        )
        if turn == 0:
            rounds, rest, going_on = done, rests, False
        if rests:
            break
    if len(fits.maternal) > 0:
        fits.pair[:] += fits.of_maternal
    weights, total = parents_as_given(numbers, blocks, state)
    return (
        full_rows(numbers_of(numbers, ROWS), fits.pair, n_pair),
        full_rows(active, fits.donor, n_d),
        heard,
        weights,
        total,
        log_plants,
        state.outside,
        rounds,
        rest,
    )
