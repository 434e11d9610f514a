"""Rounds of messages of one family under one reading of its parents, by compiled loops.

Those of `family_model`, and the choice of the relations that take part in them, symbols as there; arithmetic
at markers and along chromosomes in `kernel_blocks`, arrays and axes as in `kernel_arrays`.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from crossproof.inference.compilation import compiled_from
from crossproof.inference.family.kernel_arrays import Blocks, Fits, Limits, Live, Relations, State, Weights
from crossproof.inference.family.kernel_blocks import fit_all_donors, fit_heard, fit_single, send, spread
from crossproof.inference.family.kernels import fit_linked, product_over_markers
from crossproof.model.arrays import Bools, Floats, Ints

compiled = compiled_from(fit_single)


@compiled
def living(relations: Relations, mask: Bools, n_components: int) -> Live:
    """The relations of `mask` (r,), and what they need."""
    used = np.zeros(len(relations.single) + len(relations.linked), dtype=np.bool_)
    for r in np.flatnonzero(mask):
        used[relations.of_relation[r]] = True
    with_single = np.zeros(len(relations.single), dtype=np.bool_)
    for row in range(len(with_single)):
        with_single[row] = used[relations.single[row, 0]]
    with_linked = np.zeros(len(relations.linked), dtype=np.bool_)
    for row in range(len(with_linked)):
        with_linked[row] = used[relations.linked[row]]
    single, linked = np.flatnonzero(with_single), np.flatnonzero(with_linked)
    needed = np.zeros(n_components, dtype=np.bool_)
    for s in single:
        needed[relations.single[s, 1]] = True
    for h in linked:
        for k in range(relations.states[h]):
            needed[relations.component[h, k]] = True
    return Live(np.flatnonzero(mask), single, linked, np.flatnonzero(needed))


@compiled
def room(live: Live, pollen: Floats, n_d: int, n_m: int, fits: Fits) -> Fits:
    """Arrays for the fits by these relations and n_d donors of `pollen` at n_m markers; what `fits`, those of
    all, has of single relations is there already, and is written over."""
    n_r, n = len(live.relations), fits.pair.shape[1]
    return Fits(
        fits.emission,
        fits.before,
        np.empty((n_r, n)),
        np.empty((n_d, n)),
        fits.maternal,
        np.empty((n_r, n)),
        pollen,
        np.empty(n_d * n * n_m),
    )


@compiled
def weigh(fits: Fits, priors: Weights, posterior: Weights, log_plants: Floats) -> float:
    """Write the posteriors that the fits give, and the log of the summed prior x likelihood of every plant to
    `log_plants` (i,); the most that a posterior has moved."""
    n_r, n_d, n = len(fits.pair), len(fits.donor), len(priors.flat)
    moved = 0.0
    score = np.empty(n_r + n_d + 1)
    for i in range(n):
        for r in range(n_r):
            score[r] = priors.pair[r] + (fits.pair[r, i] + fits.of_maternal[r, i])
        for d in range(n_d):
            score[n_r + d] = priors.donor[d] + fits.donor[d, i]
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
def bound(
    relations: Relations,
    fits: Fits,
    emission: Floats,
    pair: Floats,
    priors: Weights,
    distance: float,
) -> bool:
    """Take an upper bound for the relations along chromosomes where it leaves each of them `distance` below a
    better explanation for all plants, as `RelationPlan.fit` does; whether it does.

    `emission`, `pair`: of an earlier fit of all relations.
    """
    n_c, n_x = fits.emission.shape
    n = len(priors.flat)
    most = np.zeros(n_x)
    for c in range(n_c):
        for x in range(n_x):
            most[x] = max(most[x], fits.emission[c, x] / emission[c, x])
    gained = np.empty(n)
    product_over_markers(most, gained)
    linked = np.zeros(len(relations.single) + len(relations.linked), dtype=np.bool_)
    for h in range(len(relations.linked)):
        linked[relations.linked[h]] = True
    for i in range(n):
        leading = priors.flat[i]
        for d in range(len(fits.donor)):
            leading = max(leading, priors.donor[d] + fits.donor[d, i])
        for r in range(len(fits.pair)):
            if not linked[relations.of_relation[r]]:
                leading = max(leading, priors.pair[r] + (fits.pair[r, i] + fits.of_maternal[r, i]))
        for r in range(len(fits.pair)):
            if linked[relations.of_relation[r]]:
                if priors.pair[r] + pair[r, i] + gained[i] + fits.of_maternal[r, i] >= leading - distance:
                    return False
    for r in range(len(fits.pair)):
        if linked[relations.of_relation[r]]:
            for i in range(n):
                fits.pair[r, i] = pair[r, i] + gained[i]
    return True


@compiled
def worth_a_message(posterior: Weights, limits: Limits) -> tuple[Bools, Ints]:
    """The relations (r,) and donors that are worth a place in the messages, as `posteriors` has it."""
    n_r, n_d = len(posterior.pair), len(posterior.donor)
    live = np.zeros(n_r, dtype=np.bool_)
    for r in range(n_r):
        live[r] = r < 2 or posterior.pair[r].max() >= limits.faded
    best = np.empty(n_d)
    for d in range(n_d):
        best[d] = np.inf if d == n_d - 1 else posterior.donor[d].max()
    heard = np.zeros(n_d, dtype=np.bool_)
    for _ in range(min(limits.donors, n_d)):
        d = int(best.argmax())
        heard[d] = best[d] >= limits.faded
        best[d] = -1.0
    return live, np.flatnonzero(heard)


@compiled
def left_out(posterior: Weights, live: Bools, heard: Ints) -> float:
    """Highest posterior among the relations, and among the donors, that are not in the messages, together."""
    pair, donor = 0.0, 0.0
    for r in range(len(live)):
        if not live[r]:
            pair = max(pair, posterior.pair[r].max())
    silent = np.ones(len(posterior.donor), dtype=np.bool_)
    for d in heard:
        silent[d] = False
    for d in range(len(silent)):
        if silent[d]:
            donor = max(donor, posterior.donor[d].max())
    return pair + donor


@compiled
def exchange(
    blocks: Blocks,
    relations: Relations,
    live: Live,
    heard: Ints,
    states: State,
    every: Fits,
    known: bool,
    priors: Weights,
    posterior: Weights,
    rounds: int,
    limits: Limits,
) -> tuple[int, bool]:
    """Pass messages until posteriors and evidence rest, `rounds` being done; rounds, and whether they do.

    `every`: the fits of all relations and donors, written over; `known`: all of them are of the messages as
    they are.
    """
    n = len(priors.flat)
    pollen = spread(blocks, heard, n, len(every.donor))
    fits = room(live, pollen, len(heard), len(states.log_total), every)
    log_plants = np.empty(n)
    evidence, done = np.inf, rounds
    while True:
        if rounds > done or not known:
            fit_single(blocks, relations, live, states, fits)
            fit_linked(relations, live, fits)
        fit_heard(blocks, states, fits)
        if rounds > done:
            moved = weigh(fits, priors, posterior, log_plants)
            before, evidence = evidence, 0.0
            for i in range(n):
                evidence += log_plants[i]
            for m in range(len(states.log_total)):
                evidence += states.log_total[m]
            if moved < limits.moved and abs(evidence - before) < limits.evidence:
                return rounds, True
        if rounds >= limits.rounds:
            return rounds, False
        rounds += 1
        send(blocks, relations, live, states, fits, posterior, rounds > limits.damp_after)


@compiled
def of_rows(values: Floats, rows: Ints) -> Floats:
    """These rows of an array of two axes."""
    out = np.empty((len(rows), values.shape[1]))
    for row in range(len(rows)):
        for i in range(values.shape[1]):
            out[row, i] = values[rows[row], i]
    return out


@compiled
def of_places(values: Floats, places: Ints) -> Floats:
    """These places of an array of one axis."""
    out = np.empty(len(places))
    for place in range(len(places)):
        out[place] = values[places[place]]
    return out


@compiled
def settle(
    blocks: Blocks,
    relations: Relations,
    states: State,
    fits: Fits,
    priors: Weights,
    posterior: Weights,
    log_plants: Floats,
    limits: Limits,
    begun: bool,
) -> tuple[Ints, int, bool]:
    """Judge all plants from the state of the parents on, as `Family.solve` does, writing to `fits`,
    `posterior` and the log of the summed prior x likelihood `log_plants` (i,).

    `begun`: messages go on from this posterior, `fits` being those of the state. Gives the donors in the
    messages, rounds, and whether they came to rest.
    """
    n = len(priors.flat)
    emission, pair = fits.emission, fits.pair  # of the first turn, once there has been one
    mask = np.ones(len(relations.of_relation), dtype=np.bool_)
    every = living(relations, mask, len(emission))
    heard = np.arange(len(priors.donor))
    rounds, converged, known = 0, True, True
    for turn in range(limits.revivals + 1):
        if turn > 0 or not begun:
            fit_single(blocks, relations, every, states, fits)
            fit_all_donors(blocks, states, fits.donor)
            known = turn == 0 or not bound(relations, fits, emission, pair, priors, limits.distance)
            if known:
                fit_linked(relations, every, fits)
            weigh(fits, priors, posterior, log_plants)
        if turn > 0 and (not converged or left_out(posterior, mask, heard) < limits.revived):
            return heard, rounds, converged
        mask, heard = worth_a_message(posterior, limits)
        if n == 1 or limits.rounds == 0:
            return heard, rounds, converged
        if turn == 0:
            emission, pair = fits.emission.copy(), fits.pair.copy()
        if turn < limits.revivals:
            live = living(relations, mask, len(emission))
            rounds, converged = exchange(
                blocks,
                relations,
                live,
                heard,
                states,
                fits,
                known,
                Weights(of_places(priors.pair, live.relations), of_places(priors.donor, heard), priors.flat),
                Weights(
                    of_rows(posterior.pair, live.relations),
                    of_rows(posterior.donor, heard),
                    posterior.flat.copy(),
                ),
                rounds,
                limits,
            )
    return np.arange(len(priors.donor)), rounds, converged
