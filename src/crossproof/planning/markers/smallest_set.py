"""The smallest marker set that proves the planned crosses, as an integer programme.

    x_j        marker j is on the panel
    y_c        cross c reaches its need (only where not all of them can)
    a_cj       weight of marker j in cross c: 0 where the parents do not differ, else its evidence in units
    of a
               marker with the panel's typical rates
    n_c        need of cross c in those units
    w_j, v_c   cost of marker j; worth of cross c

Cover:  min  sum_j w_j x_j   with  sum_j a_cj x_j >= n_c for every cross c
Reach:  max  sum_c v_c y_c   with  sum_j a_cj x_j >= n_c y_c,  sum_j x_j <= N

and in both markers forced in and out, at least so many on every chromosome, and at most one of two markers
closer than a spacing. Solved by HiGHS through scipy. A greedy set (the marker with most still-needed weight
per cost, until nothing is missing; Chvatal 1979, Math Oper Res 4:233-235, `memory`) is the start: the
programme is first solved on the markers that the linear relaxation and the greedy set point at, its answer
is an upper bound, the relaxation over all markers a lower bound, and the gap between them is reported.
"""

from __future__ import annotations

import time

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.planning.markers.marker_set import (
    ROUND,
    MarkerChoice,
    PanelTask,
    chromosomes,
    greedy,
    value_of,
    without_spares,
)

_POOL = 200
_REACH_POOL = 200


def choose(task: PanelTask, *, at_most: int = 0, seconds: float = 60.0) -> MarkerChoice:
    """Solve the cover (at_most 0) or the reach problem (at most so many markers).

    Cover asks for the crosses that all markers together reach; the others stay unreached. `seconds`: time
    limit of the solver; the best set found by then is returned with its gap.
    """
    start = time.monotonic()
    begin = greedy(task, at_most=at_most)
    solve = _reach if at_most else _cover
    chosen, bound, proven = solve(task, begin, at_most, start + seconds)
    chosen = without_spares(task, chosen) if not at_most else chosen
    value = value_of(task, chosen, at_most)
    return MarkerChoice(
        chosen=chosen,
        reached=task.reached(chosen),
        objective=value,
        bound=float(bound) if not proven else value,
        greedy=value_of(task, begin, at_most),
        proven=proven,
        seconds=time.monotonic() - start,
    )


def _shared_rows(task: PanelTask, columns: Ints) -> tuple[list[sparse.csr_array], list[float], list[float]]:
    """Constraints of both problems over the chosen columns: chromosomes and spacing."""
    rows, low, high = [], [], []
    chromosome, position = task.chromosome[columns], task.position[columns]
    forced = task.forced_in[columns]
    for name in chromosomes(task):
        here = np.flatnonzero(chromosome == name)
        if task.min_per_chromosome:
            offered = (task.chromosome == name) & ~task.forced_out
            need = min(task.min_per_chromosome, len(here), int(offered.sum()))
            if need and not task.min_spacing:
                rows.append(_row(here, len(columns)))
                low.append(float(need))
                high.append(np.inf)
            elif need:
                rows.append(_row(here, len(columns)))
                low.append(1.0)
                high.append(np.inf)
        if task.min_spacing:
            order = here[np.argsort(position[here], kind="stable")]
            place, end = position[order], 0
            for first in range(len(order)):
                last = int(np.searchsorted(place, place[first] + task.min_spacing, side="left"))
                if last - first > 1 and last > end:
                    window = order[first:last]
                    rows.append(_row(window, len(columns)))
                    low.append(-np.inf)
                    high.append(float(max(1, forced[window].sum())))
                end = max(end, last)
    return rows, low, high


def _row(at: Ints, width: int) -> sparse.csr_array:
    return sparse.csr_array((np.ones(len(at)), (np.zeros(len(at), dtype=np.int64), at)), shape=(1, width))


def _cover(task: PanelTask, begin: Bools, at_most: int, until: float) -> tuple[Bools, float, bool]:
    crosses = np.flatnonzero(task.reached(begin) & (task.need > 0))
    columns = np.flatnonzero(~task.forced_out)
    best, best_cost = begin, float(task.cost[begin].sum())
    unit = _unit(task.cost[columns])
    bound = _up(_summed_bound(task, crosses, columns), unit)
    if best_cost <= bound + ROUND:
        return best, best_cost, True
    # The relaxation over all markers bounds every set from below and prices the markers.
    matrix, need = _cover_system(task, crosses, columns)
    relaxed = linprog(
        task.cost[columns],
        A_ub=-matrix,
        b_ub=-need,
        bounds=np.column_stack([task.forced_in[columns], np.ones(len(columns))]),
        method="highs",
        options={"time_limit": max(1.0, (until - time.monotonic()) / 2)},
    )
    if relaxed.status == 0:
        bound = max(bound, _up(relaxed.fun, unit))
        if best_cost <= bound + ROUND:
            return best, best_cost, True
        reduced = relaxed.lower.marginals + relaxed.upper.marginals
        # A marker whose reduced cost alone lifts the bound to the greedy cost is in no better set.
        useful = (reduced <= best_cost - relaxed.fun + ROUND) | begin[columns]
        order = np.lexsort((np.arange(len(columns)), reduced, -relaxed.x))
    else:
        use = np.minimum(task.weight[crosses], task.need[crosses, None]).sum(axis=0)[columns]
        useful = np.ones(len(columns), dtype=bool)
        order = np.lexsort((np.arange(len(columns)), -use / task.cost[columns]))
    order = np.concatenate([np.flatnonzero(begin[columns]), order[useful[order]]])
    order = np.array(list(dict.fromkeys(order.tolist())), dtype=np.int64)
    for pool in (order[:_POOL], order):
        result_set, lower, done = _cover_milp(
            task, crosses, np.sort(columns[pool]), until, len(pool) < len(order)
        )
        if result_set is not None and task.cost[result_set].sum() < best_cost - ROUND:
            best, best_cost = result_set, float(task.cost[result_set].sum())
        if len(pool) == len(order):
            bound = max(bound, _up(lower, unit))
            return best, bound, done or best_cost <= bound + ROUND
        if best_cost <= bound + ROUND:
            return best, best_cost, True
    return best, bound, False


def _summed_bound(task: PanelTask, crosses: Ints, columns: Ints) -> float:
    """A lower bound of the cost from all needs added up: markers by weight per cost, the last in part."""
    forced = task.forced_in
    weight = np.minimum(task.weight[crosses], task.need[crosses, None])
    left = float(np.maximum(task.need[crosses] - task.weight[crosses] @ forced, 0.0).sum())
    free = columns[~forced[columns]]
    use, cost = weight[:, free].sum(axis=0), task.cost[free]
    order = np.argsort(-use / cost, kind="stable")
    total = float(task.cost[forced].sum())
    for j in order:
        if left <= ROUND or use[j] <= 0:
            break
        part = min(1.0, left / use[j])
        total += part * float(cost[j])
        left -= part * float(use[j])
    return total


def _cover_system(task: PanelTask, crosses: Ints, columns: Ints) -> tuple[sparse.csr_array, Floats]:
    rows, low, high = _shared_rows(task, columns)
    parts = [sparse.csr_array(task.weight[np.ix_(crosses, columns)])]
    need = [task.need[crosses]]
    for row, lo, hi in zip(rows, low, high, strict=True):
        if np.isfinite(lo):
            parts.append(row)
            need.append(np.array([lo]))
        if np.isfinite(hi):
            parts.append(-row)
            need.append(np.array([-hi]))
    return sparse.csr_array(sparse.vstack(parts)), np.concatenate(need)


def _cover_milp(
    task: PanelTask, crosses: Ints, columns: Ints, until: float, partly: bool
) -> tuple[Bools | None, float, bool]:
    left = until - time.monotonic()
    if left < 0.5:
        return None, -np.inf, False
    matrix, need = _cover_system(task, crosses, columns)
    result = milp(
        task.cost[columns],
        integrality=np.ones(len(columns)),
        bounds=Bounds(task.forced_in[columns].astype(float), 1.0),
        constraints=LinearConstraint(matrix, need - ROUND, np.inf),
        options={"time_limit": left / 2 if partly else left},
    )
    lower = -np.inf if result.mip_dual_bound is None else float(result.mip_dual_bound)
    if result.x is None:
        return None, lower, False
    chosen = np.zeros(len(task.cost), dtype=bool)
    chosen[columns[result.x > 0.5]] = True
    return chosen, lower, result.status == 0


def _reach(task: PanelTask, begin: Bools, at_most: int, until: float) -> tuple[Bools, float, bool]:
    crosses = np.flatnonzero(task.attainable())
    columns = np.flatnonzero(~task.forced_out)
    best, value = begin, value_of(task, begin, at_most)
    bound = float(task.worth[crosses].sum())
    if value >= bound - ROUND:
        return best, value, True
    priced = np.zeros(len(columns))
    if len(columns) > _REACH_POOL:
        # Many more markers than the programme can branch on: the relaxation prices them, as in the cover.
        cost, matrix, low, high, lower_bound = _reach_system(task, crosses, columns, at_most)
        finite = np.isfinite(low)
        relaxed = linprog(
            cost,
            A_ub=sparse.csr_array(sparse.vstack([-matrix[finite], matrix[~finite]])),
            b_ub=np.concatenate([-low[finite], high[~finite]]),
            bounds=np.column_stack([lower_bound, np.ones(len(cost))]),
            method="highs",
            options={"time_limit": max(1.0, (until - time.monotonic()) / 2)},
        )
        if relaxed.status == 0:
            bound = min(bound, -float(relaxed.fun) + 1e-6)
            priced = relaxed.x[: len(columns)]
    use = np.minimum(task.weight[crosses], task.need[crosses, None]).sum(axis=0)[columns]
    order = np.lexsort((np.arange(len(columns)), -use, -priced, ~begin[columns]))
    pool = np.sort(columns[order[:_REACH_POOL]])
    cost, matrix, low, high, lower_bound = _reach_system(task, crosses, pool, at_most)
    left = until - time.monotonic()
    if left < 0.5:
        return best, bound, False
    result = milp(
        cost,
        integrality=np.ones(len(cost)),
        bounds=Bounds(lower_bound, np.ones(len(cost))),
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": left},
    )
    whole = len(pool) == len(columns)
    if whole and result.mip_dual_bound is not None:
        bound = min(bound, -float(result.mip_dual_bound) + 1e-6)
    if result.x is not None:
        chosen = np.zeros(len(task.cost), dtype=bool)
        chosen[pool[result.x[: len(pool)] > 0.5]] = True
        if value_of(task, chosen, at_most) > value:
            best, value = chosen, value_of(task, chosen, at_most)
    return best, bound, (whole and result.status == 0) or value >= bound - 1e-5


def _reach_system(
    task: PanelTask, crosses: Ints, columns: Ints, at_most: int
) -> tuple[Floats, sparse.csr_array, Floats, Floats, Floats]:
    """Cost, matrix, row limits and lower bounds of the reach problem; unknowns are x, then y."""
    n_x, n_y = len(columns), len(crosses)
    weight = sparse.csr_array(np.minimum(task.weight[np.ix_(crosses, columns)], task.need[crosses, None]))
    needs = sparse.csr_array(sparse.diags_array(task.need[crosses]))
    rows, low, high = _shared_rows(task, columns)
    count = _row(np.arange(n_x), n_x)
    blank = sparse.csr_array((len(rows) + 1, n_y))
    matrix = sparse.vstack(
        [sparse.hstack([weight, -needs]), sparse.hstack([sparse.vstack([count, *rows]), blank])]
    )
    most = float(max(at_most, int(task.forced_in.sum())))
    return (
        np.concatenate([np.full(n_x, 1e-9), -task.worth[crosses]]),
        sparse.csr_array(matrix),
        np.concatenate([np.full(n_y, -ROUND), [-np.inf], low]),
        np.concatenate([np.full(n_y, np.inf), [most], high]),
        np.concatenate([task.forced_in[columns].astype(float), np.zeros(n_y)]),
    )


def _unit(cost: Floats) -> float:
    """The step in which costs go up: 1 where all costs are whole multiples of the first, else 0."""
    first = float(cost[0]) if len(cost) else 0.0
    return first if len(cost) and np.allclose(cost, first) else 0.0


def _up(bound: float, unit: float) -> float:
    """A bound lifted to the next value a set can cost."""
    return float(np.ceil(bound / unit - 1e-6) * unit) if unit and np.isfinite(bound) else float(bound)


__all__ = ["MarkerChoice", "PanelTask", "choose", "greedy"]
