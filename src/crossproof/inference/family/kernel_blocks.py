"""What the plants of a family say at all its markers, block after block, by compiled loops.

Arithmetic at the markers of a block and along chromosomes in `kernels`, arrays and axes as in
`kernel_arrays`. With one nuclear block alone nothing is put in another order or added up twice.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.compilation import compiled_from
from crossproof.inference.family.kernel_arrays import (
    ALLELES,
    GENOTYPES,
    MARKERS,
    MATERNAL,
    OF_CHILDREN,
    OF_DONORS,
    OF_LIKE,
    OF_MARKERS,
    OF_MATERNAL,
    OF_MOTHER,
    OF_NUCLEAR,
    OF_PAIRS,
    OF_PARENTS,
    OF_POLLEN,
    TABLES,
    Blocks,
    Cells,
    Fits,
    Live,
    Relations,
    State,
    Sums,
    Weights,
)
from crossproof.inference.family.kernels import (
    add_product,
    component_weights,
    emit,
    emit_pollen,
    fit_donors,
    gather,
    give,
    product_over_markers,
    tell,
)
from crossproof.model.arrays import Floats, Ints

compiled = compiled_from(emit)


@compiled
def of_two(values: Floats, start: int, rows: int, columns: int) -> Floats:
    """An array (rows, columns) that begins at `start` of those that lie end to end."""
    return values[start : start + rows * columns].reshape((rows, columns))


@compiled
def of_three(values: Floats, start: int, rows: int, columns: int, deep: int) -> Floats:
    """An array (rows, columns, deep) that begins at `start` of those that lie end to end."""
    return values[start : start + rows * columns * deep].reshape((rows, columns, deep))


@compiled
def from_row(sums: Sums, row: int) -> Sums:
    """Sums from a row on."""
    return Sums(sums.start[row:], sums.place, sums.share)


@compiled
def cells_of(blocks: Blocks, b: int, n: int) -> Cells:
    """One of the blocks, of n plants."""
    n_g, before = blocks.sizes[b, GENOTYPES], blocks.before[b]
    return Cells(
        of_two(blocks.like, before[OF_LIKE] * n, n_g, blocks.sizes[b, MARKERS] * n),
        from_row(blocks.children, before[OF_CHILDREN]),
        from_row(blocks.parents, before[OF_PARENTS]),
        from_row(blocks.by_pollen, before[OF_POLLEN]),
        from_row(blocks.by_mother, before[OF_MOTHER]),
    )


@compiled
def donors_of(blocks: Blocks, b: int, n_d: int) -> Floats:
    """Gametes (m, a, d) of n_d donors at the markers of one of the blocks."""
    n_m, n_a = blocks.sizes[b, MARKERS], blocks.sizes[b, ALLELES]
    return of_three(blocks.donors, blocks.before[b, OF_DONORS] * n_d, n_m, n_a, n_d)


@compiled
def state_of(blocks: Blocks, states: State, b: int, n: int) -> State:
    """The parents at the markers of one of the blocks, of n plants."""
    n_m, n_p = blocks.sizes[b, MARKERS], blocks.sizes[b, GENOTYPES] ** 2
    before = blocks.before[b]
    first = before[OF_PAIRS]
    return State(
        of_two(states.log_prior, first, n_p, n_m),
        of_two(states.outside, first * n, n_p, n_m * n),
        of_two(states.message, first * n, n_p, n_m * n),
        of_two(states.total, first, n_p, n_m),
        states.log_total[before[OF_MARKERS] : before[OF_MARKERS] + n_m],
    )


@compiled
def maternal_of(blocks: Blocks, fits: Fits, b: int, n: int) -> Floats:
    """P(D | r) (r, x) at the markers of a block inherited from the mother alone."""
    n_r = blocks.sizes[b, TABLES]
    return of_two(fits.maternal, blocks.before[b, OF_MATERNAL] * n_r * n, n_r, blocks.sizes[b, MARKERS] * n)


@compiled
def put_on_route(blocks: Blocks, b: int, values: Floats, n: int, which: Ints, out: Floats) -> None:
    """Write these rows (c, x) of a nuclear block, of n plants, to their places on the route."""
    first = blocks.before[b, OF_NUCLEAR]
    for c in which:
        for m in range(blocks.sizes[b, MARKERS]):
            place = blocks.spot[first + m] * n
            for i in range(n):
                out[c, place + i] = values[c, m * n + i]


@compiled
def take_from_route(blocks: Blocks, b: int, values: Floats, n: int, which: Ints, out: Floats) -> None:
    """The other way round."""
    first = blocks.before[b, OF_NUCLEAR]
    for c in which:
        for m in range(blocks.sizes[b, MARKERS]):
            place = blocks.spot[first + m] * n
            for i in range(n):
                out[c, m * n + i] = values[c, place + i]


@compiled
def fit_single(blocks: Blocks, relations: Relations, live: Live, states: State, fits: Fits) -> None:
    """Judge those of these relations that have no descents, and find what the others are made of."""
    n = fits.pair.shape[1]
    n_c = len(fits.emission)
    total = np.empty(n)
    for row in range(len(live.relations)):
        for i in range(n):
            fits.of_maternal[row, i] = 0.0
    for b in range(len(blocks.sizes)):
        cells, state = cells_of(blocks, b, n), state_of(blocks, states, b, n)
        maternal = blocks.sizes[b, MATERNAL] == 1
        n_x = cells.like.shape[1]
        whole = not maternal and n_x == fits.emission.shape[1]
        own = fits.emission if whole else np.empty((n_c, n_x))
        own = maternal_of(blocks, fits, b, n) if maternal else own
        which = live.relations if maternal else live.components
        emit(state.outside, cells.like, cells.children, which, own)
        if maternal:
            for row in range(len(live.relations)):
                product_over_markers(own[live.relations[row]], total)
                for i in range(n):
                    fits.of_maternal[row, i] += total[i]
        elif not whole:
            put_on_route(blocks, b, own, n, which, fits.emission)
    for s in live.single:
        product_over_markers(fits.emission[relations.single[s, 1]], total)
        give(relations, live, relations.single[s, 0], total, fits.pair)


@compiled
def fit_all_donors(blocks: Blocks, states: State, total: Floats) -> None:
    """Write log P(D | donor) of all donors to `total` (d, i)."""
    n_d, n = total.shape
    for d in range(n_d):
        for i in range(n):
            total[d, i] = 0.0
    for b in range(len(blocks.sizes)):
        state = state_of(blocks, states, b, n)
        fit_donors(cells_of(blocks, b, n), donors_of(blocks, b, n_d), state, total)


@compiled
def spread(blocks: Blocks, which: Ints, n: int, n_d: int) -> Floats:
    """Gametes (d, a, x) of these of n_d donors at every cell of n plants, block after block."""
    size = 0
    for b in range(len(blocks.sizes)):
        size += blocks.sizes[b, MARKERS] * blocks.sizes[b, ALLELES] * n * len(which)
    out = np.empty(size)
    for b in range(len(blocks.sizes)):
        donors = donors_of(blocks, b, n_d)
        n_m, n_a, _ = donors.shape
        own = of_three(out, blocks.before[b, OF_DONORS] * n * len(which), len(which), n_a, n_m * n)
        for d in range(len(which)):
            for a in range(n_a):
                for m in range(n_m):
                    for i in range(n):
                        own[d, a, m * n + i] = donors[m, a, which[d]]
    return out


@compiled
def fit_heard(blocks: Blocks, states: State, fits: Fits) -> None:
    """Judge the donors of `fits.pollen`."""
    n_d, n = fits.donor.shape
    total = np.empty(n)
    for b in range(len(blocks.sizes)):
        cells, state = cells_of(blocks, b, n), state_of(blocks, states, b, n)
        by_allele = emit_pollen(state.outside, cells, blocks.sizes[b, ALLELES])
        n_a, n_x = by_allele.shape
        pollen = of_three(fits.pollen, blocks.before[b, OF_DONORS] * n * n_d, n_d, n_a, n_x)
        by_donor = of_two(fits.by_donor, blocks.before[b, OF_MARKERS] * n * n_d, n_d, n_x)
        for d in range(n_d):
            for a in range(n_a):
                add_product(pollen[d, a], by_allele[a], a > 0, by_donor[d])
            product_over_markers(by_donor[d], total)
            for i in range(n):
                fits.donor[d, i] = total[i] if b == 0 else fits.donor[d, i] + total[i]


@compiled
def pollen_shares(blocks: Blocks, b: int, fits: Fits, posterior: Weights) -> Floats:
    """Weights (a, x) of pollen alleles at the markers of a block in the messages."""
    n_d, n = fits.donor.shape
    n_a, n_x = blocks.sizes[b, ALLELES], blocks.sizes[b, MARKERS] * n
    own = of_three(fits.pollen, blocks.before[b, OF_DONORS] * n * n_d, n_d, n_a, n_x)
    by_donor = of_two(fits.by_donor, blocks.before[b, OF_MARKERS] * n * n_d, n_d, n_x)
    pollen, share = np.zeros((n_a, n_x)), np.empty(n_x)
    for d in range(n_d):
        for m in range(blocks.sizes[b, MARKERS]):
            for i in range(n):
                share[m * n + i] = posterior.donor[d, i] / by_donor[d, m * n + i]
        for a in range(n_a):
            add_product(own[d, a], share, True, pollen[a])
    return pollen


@compiled
def maternal_weights(blocks: Blocks, b: int, live: Live, fits: Fits, posterior: Floats) -> Floats:
    """Weights (r, x) of the relations in the messages at markers inherited from the mother alone, for a
    posterior (live r, i)."""
    n = posterior.shape[1]
    emission = maternal_of(blocks, fits, b, n)
    out = np.empty(emission.shape)
    for row in range(len(live.relations)):
        r = live.relations[row]
        for m in range(blocks.sizes[b, MARKERS]):
            for i in range(n):
                out[r, m * n + i] = posterior[row, i] / emission[r, m * n + i]
    return out


@compiled
def send(
    blocks: Blocks,
    relations: Relations,
    live: Live,
    states: State,
    fits: Fits,
    posterior: Weights,
    damp: bool,
) -> None:
    """Messages of all plants under these posteriors, and the parents as they then have them."""
    n_c, n_x = fits.emission.shape
    n = len(posterior.flat)
    weights = np.zeros((n_c, n_x))
    component_weights(relations, live, fits, posterior.pair, weights)
    for b in range(len(blocks.sizes)):
        cells, state = cells_of(blocks, b, n), state_of(blocks, states, b, n)
        own, which = weights, live.components
        if blocks.sizes[b, MATERNAL] == 1:
            own, which = maternal_weights(blocks, b, live, fits, posterior.pair), live.relations
        elif cells.like.shape[1] != n_x:
            own = np.empty((n_c, cells.like.shape[1]))
            take_from_route(blocks, b, weights, n, which, own)
        pollen = pollen_shares(blocks, b, fits, posterior)
        tell(cells, which, own, pollen, posterior.flat, state.message, damp)
        gather(state, n)
