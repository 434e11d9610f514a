"""What a marker choice is made from, what it answers, and the greedy set it starts from.

The greedy set takes the marker with most still-needed weight per cost until nothing is missing (Chvatal 1979,
Math Oper Res 4:233-235, `memory`). The symbols are those of `panel`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints, Objects

ROUND = 1e-7
"""Sums this close to a need meet it."""


@dataclass(frozen=True)
class MarkerChoice:
    """A chosen marker set.

    `chosen` (marker,) bool. `reached` (cross,) bool: the need is met. `objective`: cost, or worth reached.
    `bound`: no set can do better than this. `gap`: |bound - objective| / |objective|, 0 when proven the
    best. `greedy`: what the greedy set alone would cost or reach. `proven`: the programme was solved over
    all markers to the end.
    """

    chosen: Bools
    reached: Bools
    objective: float
    bound: float
    greedy: float
    proven: bool
    seconds: float

    @property
    def gap(self) -> float:
        """Relative optimality gap."""
        if self.proven:
            return 0.0
        return abs(self.bound - self.objective) / max(abs(self.objective), 1e-12)


@dataclass(frozen=True)
class PanelTask:
    """What to choose from. `weight` (cross, marker) at least 0; `need` (cross,); `cost` (marker,) above 0.

    `worth` (cross,); `chromosome` (marker,) str, "" unknown; `position` (marker,); `forced_in`, `forced_out`
    (marker,) bool; `min_per_chromosome`: at least so many chosen on each known chromosome, as far as it has
    them; `min_spacing`: base pairs between two chosen markers of one chromosome, 0 for none.
    """

    weight: Floats
    need: Floats
    cost: Floats
    worth: Floats
    chromosome: Objects
    position: Ints
    forced_in: Bools
    forced_out: Bools
    min_per_chromosome: int = 0
    min_spacing: int = 0

    def __post_init__(self) -> None:
        crosses, markers = self.weight.shape
        assert self.need.shape == self.worth.shape == (crosses,)
        for array in (self.cost, self.chromosome, self.position, self.forced_in, self.forced_out):
            assert array.shape == (markers,)
        assert not np.any(self.forced_in & self.forced_out)
        assert np.all(self.cost > 0)

    def reached(self, chosen: Bools) -> Bools:
        """Crosses whose need a set meets, (cross,) bool."""
        return self.weight @ chosen >= self.need - ROUND

    def attainable(self) -> Bools:
        """Crosses that all allowed markers together would reach, spacing left aside, (cross,) bool."""
        return self.reached(~self.forced_out)


def greedy(task: PanelTask, *, at_most: int = 0) -> Bools:
    """The greedy set, (marker,) bool; markers that became superfluous on the way are taken out again."""
    open_cross = task.attainable()
    chosen = task.forced_in.copy()
    allowed = ~task.forced_out & ~chosen
    _block_neighbours(task, np.flatnonzero(chosen), allowed)
    for name in chromosomes(task):
        here = task.chromosome == name
        while chosen[here].sum() < task.min_per_chromosome and (allowed & here).any():
            if at_most and chosen.sum() >= at_most:
                break
            gain = np.where(allowed & here, task.weight[open_cross].sum(axis=0) / task.cost, -1.0)
            _take(task, int(gain.argmax()), chosen, allowed)
    worth = task.worth / np.maximum(task.need, ROUND) if at_most else np.ones(len(task.need))
    left = np.where(open_cross, task.need - task.weight @ chosen, 0.0)
    while left.max(initial=0.0) > ROUND and allowed.any():
        if at_most and chosen.sum() >= at_most:
            break
        wanting = np.flatnonzero(left > ROUND)
        gain = worth[wanting] @ np.minimum(task.weight[wanting], left[wanting, None])
        gain = np.where(allowed, gain / task.cost, -1.0)
        best = int(gain.argmax())
        if gain[best] <= 0:
            break
        _take(task, best, chosen, allowed)
        left = np.maximum(left - task.weight[:, best], 0.0)
    return chosen if at_most else without_spares(task, chosen)


def _take(task: PanelTask, j: int, chosen: Bools, allowed: Bools) -> None:
    chosen[j], allowed[j] = True, False
    _block_neighbours(task, np.array([j]), allowed)


def _block_neighbours(task: PanelTask, taken: Ints, allowed: Bools) -> None:
    if not task.min_spacing:
        return
    for j in taken:
        if task.chromosome[j]:
            near = (task.chromosome == task.chromosome[j]) & (
                np.abs(task.position - task.position[j]) < task.min_spacing
            )
            allowed[near] = False


def chromosomes(task: PanelTask) -> list[str]:
    return sorted({str(c) for c in task.chromosome if c})


def value_of(task: PanelTask, chosen: Bools, at_most: int) -> float:
    if at_most:
        return float(task.worth[task.reached(chosen)].sum())
    return float(task.cost[chosen].sum())


def without_spares(task: PanelTask, chosen: Bools) -> Bools:
    """Take out markers that no reached cross and no chromosome needs, dearest and least used first."""
    chosen = chosen.copy()
    total = task.weight @ chosen
    must = total >= task.need - ROUND
    order = np.flatnonzero(chosen & ~task.forced_in)
    use = (task.weight[must] > 0).sum(axis=0)
    for j in order[np.lexsort((order, use[order], -task.cost[order]))]:
        here = task.chromosome == task.chromosome[j]
        if task.chromosome[j] and chosen[here].sum() <= task.min_per_chromosome:
            continue
        if np.all((total - task.weight[:, j])[must] >= task.need[must] - ROUND):
            chosen[j] = False
            total = total - task.weight[:, j]
    return chosen
