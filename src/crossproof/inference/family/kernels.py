"""The family model's rounds of messages as compiled loops, for families of two fixed parents.

The arithmetic of `emissions`, `relation_plan`, `linkage` and `posteriors`, symbols as in `family_model`, at
the markers of one block (all of them: `kernel_blocks`) and along chromosomes; arrays and axes as in
`kernel_arrays`. The arrays of a family are small, so that numpy takes most of its time for being called;
`kernel_solve` makes one call of these. Sums are taken one after the other in a fixed order: a family gives
the same bits whichever families are judged beside it.
"""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np

from crossproof.inference.compilation import compiled
from crossproof.inference.family.kernel_arrays import Cells, Fits, Live, Relations, State, Sums
from crossproof.model.arrays import Floats, Ints

FACTORS = 16
"""Likelihoods of at least 1e-4 that are multiplied before a logarithm is taken, and steps along a chromosome
after which a pass is brought back to scale."""


@compiled
def fit_linked(relations: Relations, live: Live, fits: Fits) -> None:
    """Judge those of these relations that have descents."""
    total = np.empty(fits.pair.shape[1])
    for h in live.linked:
        forward(relations, h, fits.emission, fits.before[h], total)
        give(relations, live, relations.linked[h], total, fits.pair)


@compiled
def give(relations: Relations, live: Live, chain: int, total: Floats, pair: Floats) -> None:
    """Write the fit `total` (i,) of a chain to its relations in `pair` (live r, i)."""
    for row in range(len(live.relations)):
        if relations.of_relation[live.relations[row]] == chain:
            for i in range(len(total)):
                pair[row, i] = total[i]


@compiled
def add(share: float, values: Floats, begun: bool, out: Floats) -> None:
    """Add `share` times the values to `out` (x,), or write it there where nothing has begun."""
    if begun:
        for x in range(len(out)):
            out[x] += share * values[x]
    else:
        for x in range(len(out)):
            out[x] = share * values[x]


@compiled
def add_product(left: Floats, right: Floats, begun: bool, out: Floats) -> None:
    """Add left times right to `out` (x,), or write it there where nothing has begun."""
    if begun:
        for x in range(len(out)):
            out[x] += left[x] * right[x]
    else:
        for x in range(len(out)):
            out[x] = left[x] * right[x]


@compiled
def emit(outside: Floats, like: Floats, children: Sums, which: Ints, out: Floats) -> None:
    """Write P(D | component) of these components to `out` (c, x)."""
    n_g = len(like)
    child = np.empty(like.shape[1])
    for c in which:
        written = False
        for g in range(n_g):
            first, last = children.start[c * n_g + g], children.start[c * n_g + g + 1]
            for e in range(first, last):
                add(children.share[e], outside[children.place[e]], e > first, child)
            if last > first:
                add_product(child, like[g], written, out[c])
                written = True


@compiled
def emit_pollen(outside: Floats, cells: Cells, n_a: int) -> Floats:
    """P(D | pollen allele) (a, x)."""
    n_g, n_x = cells.like.shape
    mother = np.zeros((n_g, n_x))
    for p in range(outside.shape[0]):
        for x in range(n_x):
            mother[p // n_g, x] += outside[p, x]
    by_allele = np.empty((n_a, n_x))
    emit(mother, cells.like, cells.by_pollen, np.arange(n_a), by_allele)
    return by_allele


@compiled
def fit_donors(cells: Cells, donors: Floats, state: State, total: Floats) -> None:
    """Add log P(D | donor) of all `donors` (m, a, d), at the markers of a block, to `total` (d, i)."""
    n_m, n_a, n_d = donors.shape
    n = cells.like.shape[1] // n_m
    by_allele = emit_pollen(state.outside, cells, n_a)
    product, one = np.ones((n, n_d)), np.empty(n_d)
    for m in range(n_m):
        for i in range(n):
            for a in range(n_a):
                add(by_allele[a, m * n + i], donors[m, a], a > 0, one)
            for d in range(n_d):
                product[i, d] *= one[d]
            if m % FACTORS == FACTORS - 1 or m == n_m - 1:
                for d in range(n_d):
                    total[d, i] += log(product[i, d])
                    product[i, d] = 1.0


@compiled
def product_over_markers(values: Floats, total: Floats) -> None:
    """Write the log of the product over markers of `values` (x,) to `total` (i,)."""
    n = len(total)
    n_m = len(values) // n
    product = np.ones(n)
    for i in range(n):
        total[i] = 0.0
    for m in range(n_m):
        for i in range(n):
            product[i] *= values[m * n + i]
        if m % FACTORS == FACTORS - 1 or m == n_m - 1:
            for i in range(n):
                total[i] += log(product[i])
                product[i] = 1.0


@compiled
def width(start: Ints, s: int) -> int:
    """Markers of step `s` of the route, 0 after its end."""
    return start[s + 1] - start[s] if s + 1 < len(start) else 0


@compiled
def forward(relations: Relations, h: int, emission: Floats, before: Floats, total: Floats) -> None:
    """A forward pass of chain h: states `before` (m, k, i) each marker's own emission, each marker on its own
    scale, and `total` (i,) log P(D | chain)."""
    start, component, steps = relations.start, relations.component, relations.steps
    n_m, _, n = before.shape
    n_k = relations.states[h]
    alpha = np.empty((n_m, n_k, n))
    for i in range(n):
        total[i] = 0.0
    for s in range(len(start) - 1):
        going_on = width(start, s + 1)
        for m in range(start[s], start[s + 1]):
            come = m - start[s] + start[s - 1] if s > 0 else 0
            for k in range(n_k):
                own, c = m * n, component[h, k]
                if s == 0:
                    for i in range(n):
                        before[m, k, i] = relations.weights[h, k]
                        alpha[m, k, i] = before[m, k, i] * emission[c, own + i]
                    continue
                for i in range(n):
                    said = 0.0
                    for j in range(n_k):
                        said += steps[m, h, j, k] * alpha[come, j, i]
                    before[m, k, i] = said
                    alpha[m, k, i] = said * emission[c, own + i]
            if s % FACTORS == FACTORS - 1 or m - start[s] >= going_on:
                for i in range(n):
                    scale = 0.0
                    for k in range(n_k):
                        scale += alpha[m, k, i]
                    total[i] += log(scale)
                    for k in range(n_k):
                        alpha[m, k, i] /= scale


@compiled
def backward(relations: Relations, h: int, emission: Floats, after: Floats) -> None:
    """What the markers after each one say of the states of chain h, `after` (m, k, i), up to a factor."""
    start, component, steps = relations.start, relations.component, relations.steps
    n_k, n = relations.states[h], after.shape[2]
    said = np.empty(n_k)
    for s in range(len(start) - 2, -1, -1):
        going_on = width(start, s + 1)
        for m in range(start[s], start[s + 1]):
            if m - start[s] >= going_on:
                after[m] = 1.0
                continue
            following = m - start[s] + start[s + 1]
            for i in range(n):
                for k in range(n_k):
                    said[k] = emission[component[h, k], following * n + i] * after[following, k, i]
                for k in range(n_k):
                    heard = 0.0
                    for j in range(n_k):
                        heard += steps[following, h, k, j] * said[j]
                    after[m, k, i] = heard
            if s % FACTORS == 0:
                for i in range(n):
                    top = 0.0
                    for k in range(n_k):
                        top = max(top, after[m, k, i])
                    for k in range(n_k):
                        after[m, k, i] /= top


@compiled
def component_weights(relations: Relations, live: Live, fits: Fits, posterior: Floats, out: Floats) -> None:
    """Add the weights of the components in the messages to `out` (c, x), for a posterior (live r, i)."""
    n = posterior.shape[1]
    n_m = fits.emission.shape[1] // n
    by_chain = np.zeros((len(relations.single) + len(relations.linked), n))
    for row in range(len(live.relations)):
        for i in range(n):
            by_chain[relations.of_relation[live.relations[row]], i] += posterior[row, i]
    for s in live.single:
        c = relations.single[s, 1]
        for m in range(n_m):
            for i in range(n):
                out[c, m * n + i] += by_chain[relations.single[s, 0], i] / fits.emission[c, m * n + i]
    if not len(live.linked):
        return
    after = np.empty((n_m, relations.component.shape[1], n))
    for h in live.linked:
        n_k = relations.states[h]
        backward(relations, h, fits.emission, after)
        for m in range(n_m):
            for i in range(n):
                x, own = m * n + i, 0.0
                for k in range(n_k):
                    after[m, k, i] *= fits.before[h, m, k, i]
                    own += after[m, k, i] * fits.emission[relations.component[h, k], x]
                own = by_chain[relations.linked[h], i] / own
                for k in range(n_k):
                    out[relations.component[h, k], x] += after[m, k, i] * own


@compiled
def tell(
    cells: Cells,
    which: Ints,
    weights: Floats,
    pollen: Floats,
    flat: Floats,
    message: Floats,
    damp: bool,
) -> None:
    """Write what every plant tells of each marker's parents to `message` (p, x), if `damp` the geometric mean
    with what it told before; `which`: components that have `weights` (c, x)."""
    n_g, n_x = cells.like.shape
    n = len(flat)
    told = np.zeros(len(weights), dtype=np.bool_)
    for c in which:
        told[c] = True
    parents, by_mother = cells.parents, cells.by_mother
    new, child = np.empty(n_x), np.empty(n_x)
    for p in range(message.shape[0]):
        written = False
        for g in range(n_g):
            begun, row = False, p * n_g + g
            for e in range(parents.start[row], parents.start[row + 1]):
                if told[parents.place[e]]:
                    add(parents.share[e], weights[parents.place[e]], begun, child)
                    begun = True
            row = (p // n_g) * n_g + g
            for e in range(by_mother.start[row], by_mother.start[row + 1]):
                add(by_mother.share[e], pollen[by_mother.place[e]], begun, child)
                begun = True
            if begun:
                add_product(child, cells.like[g], written, new)
                written = True
        for m in range(n_x // n):
            for i in range(n):
                new[m * n + i] += flat[i]
        for x in range(n_x):
            message[p, x] = sqrt(new[x] * message[p, x]) if damp else new[x]


@compiled
def gather(state: State, n: int) -> None:
    """Bring the messages of all n plants together, and divide them by each plant's own."""
    n_p, n_m = state.log_prior.shape
    for p in range(n_p):
        for m in range(n_m):
            said, product = state.log_prior[p, m], 1.0
            for i in range(n):
                product *= state.message[p, m * n + i]
                if i % FACTORS == FACTORS - 1 or i == n - 1:
                    said += log(product)
                    product = 1.0
            state.total[p, m] = said
    for m in range(n_m):
        top = state.total[0, m]
        for p in range(n_p):
            top = max(top, state.total[p, m])
        whole = 0.0
        for p in range(n_p):
            weight = exp(state.total[p, m] - top)
            whole += weight
            for x in range(m * n, (m + 1) * n):
                state.outside[p, x] = weight
        state.log_total[m] = top + log(whole)
    norm = np.zeros(n_m * n)
    for p in range(n_p):
        for x in range(n_m * n):
            state.outside[p, x] /= state.message[p, x]
            norm[x] += state.outside[p, x]
    for p in range(n_p):
        for x in range(n_m * n):
            state.outside[p, x] /= norm[x]
