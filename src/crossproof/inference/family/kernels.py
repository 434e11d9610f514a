"""The family model's rounds of messages as compiled loops, for families of two fixed parents.

The arithmetic of `emissions`, `relation_plan`, `linkage` and `posteriors`, symbols as in `family_model`, at
the markers of one nuclear block; arrays and axes as in `kernel_arrays`. The arrays of a family are small, so
that numpy takes most of its time for being called; here all rounds are one call. Sums are taken one after the
other in a fixed order: a family gives the same bits whichever families are judged beside it.
"""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np

from crossproof.inference.compilation import compiled
from crossproof.inference.family.kernel_arrays import Cells, Fits, Relations, State, Weights
from crossproof.model.arrays import Floats, Ints

FACTORS = 16
"""Likelihoods of at least 1e-4 that are multiplied before a logarithm is taken, and steps along a chromosome
after which a pass is brought back to scale."""


@compiled
def fit(cells: Cells, relations: Relations, state: State, fits: Fits) -> None:
    """Judge every relation and donor by the messages as they are."""
    n = fits.pair.shape[1]
    emit(state.outside, cells.like, cells.tables, fits.emission)
    emit_donors(state.outside, cells, fits.by_donor, fits.donor)
    by_chain = np.zeros((len(relations.single) + len(relations.linked), n))
    for s in range(len(relations.single)):
        product_over_markers(fits.emission[relations.single[s, 1]], by_chain[relations.single[s, 0]])
    for h in range(len(relations.linked)):
        forward(relations, h, fits.emission, fits.before[h], by_chain[relations.linked[h]])
    for r in range(len(relations.of_relation)):
        for i in range(n):
            fits.pair[r, i] = by_chain[relations.of_relation[r], i]


@compiled
def emit(outside: Floats, like: Floats, tables: Floats, out: Floats) -> None:
    """Write P(D | component) to `out` (c, x)."""
    n_x = like.shape[1]
    for c in range(tables.shape[0]):
        for x in range(n_x):
            out[c, x] = 0.0
        for g in range(tables.shape[2]):
            child = np.zeros(n_x)
            for p in range(tables.shape[1]):
                share = tables[c, p, g]
                if share != 0.0:
                    for x in range(n_x):
                        child[x] += share * outside[p, x]
            for x in range(n_x):
                out[c, x] += child[x] * like[g, x]


@compiled
def emit_donors(outside: Floats, cells: Cells, out: Floats, total: Floats) -> None:
    """Write P(D | donor) to `out` (x, d), and its log over all markers to `total` (d, i)."""
    n_g, n_x = cells.like.shape
    n_m, n_a, n_d = cells.donors.shape
    n = n_x // n_m
    mother = np.zeros((n_g, n_x))
    for p in range(outside.shape[0]):
        for x in range(n_x):
            mother[p // n_g, x] += outside[p, x]
    by_allele = np.empty((n_a, n_x))
    pollen = cells.by_pollen.reshape(n_a, n_g, n_g).transpose(0, 2, 1)
    emit(mother, cells.like, np.ascontiguousarray(pollen), by_allele)
    product = np.ones((n, n_d))
    for d in range(n_d):
        for i in range(n):
            total[d, i] = 0.0
    for m in range(n_m):
        for i in range(n):
            x = m * n + i
            for d in range(n_d):
                out[x, d] = cells.donors[m, 0, d] * by_allele[0, x]
            for a in range(1, n_a):
                for d in range(n_d):
                    out[x, d] += cells.donors[m, a, d] * by_allele[a, x]
            for d in range(n_d):
                product[i, d] *= out[x, d]
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
    n_m, n_k, n = before.shape
    alpha = np.empty((n_m, n_k, n))
    for i in range(n):
        total[i] = 0.0
    for s in range(len(start) - 1):
        going_on = width(start, s + 1)
        for m in range(start[s], start[s + 1]):
            for k in range(n_k):
                for i in range(n):
                    before[m, k, i] = relations.weights[h, k] if s == 0 else 0.0
                for j in range(n_k if s > 0 else 0):
                    come = m - start[s] + start[s - 1]
                    for i in range(n):
                        before[m, k, i] += steps[m, h, j, k] * alpha[come, j, i]
                for i in range(n):
                    alpha[m, k, i] = before[m, k, i] * emission[component[h, k], m * n + i]
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
    _, n_k, n = after.shape
    said = np.empty((n_k, n))
    for s in range(len(start) - 2, -1, -1):
        going_on = width(start, s + 1)
        for m in range(start[s], start[s + 1]):
            if m - start[s] >= going_on:
                after[m] = 1.0
                continue
            following = m - start[s] + start[s + 1]
            for k in range(n_k):
                for i in range(n):
                    said[k, i] = emission[component[h, k], following * n + i] * after[following, k, i]
            for k in range(n_k):
                for i in range(n):
                    after[m, k, i] = 0.0
                for j in range(n_k):
                    for i in range(n):
                        after[m, k, i] += steps[following, h, k, j] * said[j, i]
            if s % FACTORS == 0:
                for i in range(n):
                    top = 0.0
                    for k in range(n_k):
                        top = max(top, after[m, k, i])
                    for k in range(n_k):
                        after[m, k, i] /= top


@compiled
def component_weights(relations: Relations, fits: Fits, posterior: Floats, out: Floats) -> None:
    """Add the weights of the components in the messages to `out` (c, x), for a posterior (r, i)."""
    n = posterior.shape[1]
    n_m = fits.emission.shape[1] // n
    n_h, n_k = relations.component.shape
    by_chain = np.zeros((len(relations.single) + n_h, n))
    for r in range(len(relations.of_relation)):
        for i in range(n):
            by_chain[relations.of_relation[r], i] += posterior[r, i]
    for s in range(len(relations.single)):
        c = relations.single[s, 1]
        for m in range(n_m):
            for i in range(n):
                out[c, m * n + i] += by_chain[relations.single[s, 0], i] / fits.emission[c, m * n + i]
    after = np.ones((n_m, n_k, n))
    own = np.empty(n)
    for h in range(n_h):
        backward(relations, h, fits.emission, after)
        for m in range(n_m):
            for i in range(n):
                own[i] = 0.0
            for k in range(n_k):
                for i in range(n):
                    after[m, k, i] *= fits.before[h, m, k, i]
                    own[i] += after[m, k, i] * fits.emission[relations.component[h, k], m * n + i]
            for i in range(n):
                own[i] = by_chain[relations.linked[h], i] / own[i]
            for k in range(n_k):
                for i in range(n):
                    out[relations.component[h, k], m * n + i] += after[m, k, i] * own[i]


@compiled
def send(
    cells: Cells, relations: Relations, state: State, fits: Fits, posterior: Weights, damp: bool
) -> None:
    """Messages of all plants under these posteriors, and the parents as they then have them."""
    n_c, n_x = fits.emission.shape
    n_m, n_a, n_d = cells.donors.shape
    n = n_x // n_m
    weights = np.zeros((n_c, n_x))
    component_weights(relations, fits, posterior.pair, weights)
    pollen = np.zeros((n_a, n_x))
    for m in range(n_m):
        for i in range(n):
            for d in range(n_d):
                share = posterior.donor[d, i] / fits.by_donor[m * n + i, d]
                for a in range(n_a):
                    pollen[a, m * n + i] += cells.donors[m, a, d] * share
    tell(cells, weights, pollen, posterior.flat, state.message, damp)
    gather(cells.log_prior, state, n)


@compiled
def tell(cells: Cells, weights: Floats, pollen: Floats, flat: Floats, message: Floats, damp: bool) -> None:
    """Write what every plant tells of each marker's parents to `message` (p, x), if `damp` the geometric mean
    with what it told before."""
    n_g, n_x = cells.like.shape
    n = len(flat)
    for p in range(message.shape[0]):
        new = np.zeros(n_x)
        for g in range(n_g):
            child = np.zeros(n_x)
            for c in range(weights.shape[0]):
                share = cells.tables[c, p, g]
                if share != 0.0:
                    for x in range(n_x):
                        child[x] += share * weights[c, x]
            for a in range(pollen.shape[0]):
                share = cells.by_mother[(p // n_g) * n_g + g, a]
                if share != 0.0:
                    for x in range(n_x):
                        child[x] += share * pollen[a, x]
            for x in range(n_x):
                new[x] += child[x] * cells.like[g, x]
        for m in range(n_x // n):
            for i in range(n):
                new[m * n + i] += flat[i]
        for x in range(n_x):
            message[p, x] = sqrt(new[x] * message[p, x]) if damp else new[x]


@compiled
def gather(log_prior: Floats, state: State, n: int) -> None:
    """Bring the messages of all n plants together, and divide them by each plant's own."""
    n_p, n_m = log_prior.shape
    for p in range(n_p):
        for m in range(n_m):
            said, product = log_prior[p, m], 1.0
            for i in range(n):
                product *= state.message[p, m * n + i]
                if i % FACTORS == FACTORS - 1 or i == n - 1:
                    said += log(product)
                    product = 1.0
            state.total[p, m] = said
    weight = np.empty(n_p)
    for m in range(n_m):
        top = state.total[0, m]
        for p in range(n_p):
            top = max(top, state.total[p, m])
        whole = 0.0
        for p in range(n_p):
            weight[p] = exp(state.total[p, m] - top)
            whole += weight[p]
        state.log_total[m] = top + log(whole)
        for p in range(n_p):
            for x in range(m * n, (m + 1) * n):
                state.outside[p, x] = weight[p] / state.message[p, x]
    norm = np.zeros(n_m * n)
    for p in range(n_p):
        for x in range(n_m * n):
            norm[x] += state.outside[p, x]
    for p in range(n_p):
        for x in range(n_m * n):
            state.outside[p, x] /= norm[x]


@compiled
def weigh(fits: Fits, priors: Weights, posterior: Weights, log_plants: Floats) -> float:
    """Write the posteriors that the fits give, and the log of the summed prior x likelihood of every plant to
    `log_plants` (i,); the most that a posterior has moved."""
    n_r, n_d, n = len(fits.pair), len(fits.donor), len(priors.flat)
    moved = 0.0
    score = np.empty(n_r + n_d + 1)
    for i in range(n):
        for r in range(n_r):
            score[r] = priors.pair[r, 0] + fits.pair[r, i]
        for d in range(n_d):
            score[n_r + d] = priors.donor[d, 0] + fits.donor[d, i]
        score[-1] = priors.flat[i]
        top = score[-1]
        for s in range(len(score)):
            top = max(top, score[s])
        total = 0.0
        for s in range(len(score)):
            score[s] = exp(score[s] - top)
            total += score[s]
        log_plants[i] = top + log(total)
        for s in range(len(score)):
            score[s] /= total
        for r in range(n_r):
            moved = max(moved, abs(score[r] - posterior.pair[r, i]))
            posterior.pair[r, i] = score[r]
        for d in range(n_d):
            moved = max(moved, abs(score[n_r + d] - posterior.donor[d, i]))
            posterior.donor[d, i] = score[n_r + d]
        moved = max(moved, abs(score[-1] - posterior.flat[i]))
        posterior.flat[i] = score[-1]
    return moved


@compiled
def bound(relations: Relations, fits: Fits, earlier: Fits, priors: Weights, distance: float) -> None:
    """Take an upper bound for the relations along chromosomes where it leaves each of them `distance` below a
    better explanation for all plants, as `RelationPlan.fit` does; `earlier`: of the same relations."""
    n_c, n_x = fits.emission.shape
    n = len(priors.flat)
    most = np.zeros(n_x)
    for c in range(n_c):
        for x in range(n_x):
            most[x] = max(most[x], fits.emission[c, x] / earlier.emission[c, x])
    gained = np.empty(n)
    product_over_markers(most, gained)
    linked = np.zeros(len(relations.single) + len(relations.linked), dtype=np.bool_)
    for h in range(len(relations.linked)):
        linked[relations.linked[h]] = True
    for i in range(n):
        leading = priors.flat[i]
        for d in range(len(fits.donor)):
            leading = max(leading, priors.donor[d, 0] + fits.donor[d, i])
        for r in range(len(fits.pair)):
            if not linked[relations.of_relation[r]]:
                leading = max(leading, priors.pair[r, 0] + fits.pair[r, i])
        for r in range(len(fits.pair)):
            if linked[relations.of_relation[r]]:
                if priors.pair[r, 0] + earlier.pair[r, i] + gained[i] >= leading - distance:
                    return
    for r in range(len(fits.pair)):
        if linked[relations.of_relation[r]]:
            for i in range(n):
                fits.pair[r, i] = earlier.pair[r, i] + gained[i]


@compiled
def judge(
    cells: Cells,
    relations: Relations,
    state: State,
    fits: Fits,
    earlier: Fits,
    priors: Weights,
    posterior: Weights,
    log_plants: Floats,
    rounds: tuple[int, int, int],
    limits: tuple[float, float, float],
) -> tuple[int, bool]:
    """Pass messages until posteriors and evidence rest; rounds, and whether they do.

    `rounds`: those done, the most there may be, and that from which messages are averaged with the last.
    `limits`: what posteriors and evidence may still move by, and `distance` of `bound`. Where no more rounds
    may be, all is weighed by the messages as they are; at a distance of 0 without a bound or `earlier`.
    """
    done, most, damp_after = rounds
    tolerance, evidence_tolerance, distance = limits
    fit(cells, relations, state, fits)
    if done >= most:
        if distance > 0.0:
            bound(relations, fits, earlier, priors, distance)
        weigh(fits, priors, posterior, log_plants)
        return done, False
    evidence = np.inf
    while done < most:
        done += 1
        send(cells, relations, state, fits, posterior, done > damp_after)
        fit(cells, relations, state, fits)
        moved = weigh(fits, priors, posterior, log_plants)
        known, evidence = evidence, 0.0
        for i in range(len(log_plants)):
            evidence += log_plants[i]
        for m in range(len(state.log_total)):
            evidence += state.log_total[m]
        if moved < tolerance and abs(evidence - known) < evidence_tolerance:
            return done, True
    return done, False
