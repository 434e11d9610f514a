"""The smallest marker set that proves the crosses, under the full model.

    S        a marker set
    T        target crosses: those that all markers together prove
    n_c      contrast markers that cross c needs at least: with fewer, the relations between its two parents
             alone keep it from being proven, the best markers being taken

What a set proves is asked of the model itself, cross by cross (`Judge`). The integer programme only proposes:

1. Least cost with n_c contrast markers for every cross. The need of a cross that its proposal does not prove
   rises by one marker, and the programme is solved again, until all are proven.
2. Markers that no cross needs are dropped.
3. Where there are at most FEW_MARKERS to choose from, all cheaper sets are gone through: those that cannot
   prove a cross, by a strict ceiling of every set's chance (`set_ceilings`), are done with; the others are
   put to the model one by one, the cheapest first.

The answer is called smallest only where the third step ended, and no look of it was left open, or decided by
a random number. n_c is an estimate (the best markers are taken), so the first programme's optimum is what a
set may be expected to cost at least; nothing is claimed of it.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Protocol

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.planning.markers.marker_set import ROUND, MarkerChoice, PanelTask, chromosomes
from crossproof.planning.markers.set_ceilings import set_sizes
from crossproof.planning.markers.smallest_set import choose

_ROUNDS = 12
_MENDED = 3
FEW_MARKERS = 20
"""Of so many markers every set can be gone through."""

_FEW_SETS = 20
"""So few sets are sooner put to the model one by one."""

_LARGE = 20_000


class Held(Enum):
    """What a marker set makes of a cross: LIKELY was told by a random number, UNLIKELY by one or not told."""

    YES = "proven"
    LIKELY = "likely proven"
    UNLIKELY = "likely not proven"
    NO = "not proven"


_GOOD = (Held.YES, Held.LIKELY)


class Judge(Protocol):
    """Puts marker sets to the full model."""

    looks: int
    """Sets looked at so far."""

    def held(self, cross: int, chosen: Bools) -> Held:
        """Whether the chosen markers (marker,) prove a cross."""

    def may_prove(self, cross: int, markers: Ints, largest: int) -> Bools | None:
        """Sets of these markers that may prove a cross, (set,); the others do not, for certain.

        Sets are numbers whose bits are places in `markers`; those of more than `largest` are not looked at
        and may. None where that would take too long.
        """

    def parents_alone(self, cross: int, rows: Ints) -> bool:
        """Whether these contrast markers could do, were there no relations but those of the two parents."""

    def look_closer(self) -> None:
        """From now on as closely as a plan looks."""


@dataclass(frozen=True)
class ProvenSet:
    """The set found. `choice.reached`: the target crosses; `needs` (cross,): contrast markers each was given.

    `choice.proven`: no smaller set proves the targets. `choice.bound`: cost of the cheapest set that was not
    ruled out; of many markers, what a set may be expected to cost at least. See the module's head.
    """

    choice: MarkerChoice
    needs: Floats


def smallest_proven(
    task: PanelTask, judge: Judge, targets: Bools, *, looks: int, seconds: float
) -> ProvenSet:
    """The smallest set that proves all target crosses (cross,) bool.

    looks: at so many sets under the full model the search ends; seconds: time limit of one programme.
    """
    start = time.monotonic()
    search = _Search(task, judge, targets, seconds)
    chosen, bound = search.first()
    spent = judge.looks
    chosen = search.without_spares(chosen, spent + looks)
    first_cost = float(task.cost[chosen].sum())
    proven = False
    if int(search.allowed.sum()) <= FEW_MARKERS:
        chosen, bound, proven = search.closed(chosen, spent + looks)
    value, ended = float(task.cost[chosen].sum()), proven
    judge.look_closer()
    for _ in range(_MENDED):  # what mends one cross may just unprove another
        wrong = search.failing(chosen, search.crosses)
        if not wrong:
            break
        chosen = search.mended(chosen, wrong)
    proven = ended and float(task.cost[chosen].sum()) <= value + ROUND
    value = float(task.cost[chosen].sum())
    reached = targets & np.array([judge.held(c, chosen) in _GOOD if targets[c] else False
                                  for c in range(len(targets))], dtype=bool)  # fmt: skip
    choice = MarkerChoice(
        chosen, reached, value, value if proven else min(bound, value), first_cost, proven,
        time.monotonic() - start,
    )  # fmt: skip
    return ProvenSet(choice, search.need)


class _Search:
    """One search; holds what was learnt on the way."""

    def __init__(self, task: PanelTask, judge: Judge, targets: Bools, seconds: float) -> None:
        self._task, self._judge, self._seconds = task, judge, seconds
        self.crosses: list[int] = [int(c) for c in np.flatnonzero(targets)]
        self.allowed = ~task.forced_out
        self._contrast = (task.weight > 0) & self.allowed
        self.need = np.zeros(len(targets))
        for c in self.crosses:
            self.need[c] = self._least(c)
        self._floor = self.need.copy()

    def _best_first(self, cross: int) -> Ints:
        rows = np.flatnonzero(self._contrast[cross])
        return rows[np.argsort(-self._task.weight[cross, rows], kind="stable")]

    def _least(self, cross: int) -> int:
        rows = self._best_first(cross)
        low, high = 0, min(1, len(rows))
        while high < len(rows) and not self._judge.parents_alone(cross, rows[:high]):
            low, high = high, min(2 * high, len(rows))
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self._judge.parents_alone(cross, rows[:middle]) else (middle, high)
        return high

    def failing(self, chosen: Bools, among: Sequence[int], most: int = 0) -> list[int]:
        """Crosses of `among` that a set does not prove; the search ends at `most`, where given."""
        out: list[int] = []
        for c in among:
            if self._judge.held(c, chosen) not in _GOOD:
                out.append(c)
                if most and len(out) >= most:
                    break
        return out

    def first(self) -> tuple[Bools, float]:
        """A set that proves the targets, and the bound of the first programme."""
        counts = replace(self._task, weight=self._contrast.astype(float), need=self._floor)
        choice = choose(counts, seconds=self._seconds)
        bound = choice.objective if choice.proven else choice.bound
        large = len(self.crosses) * int(self.allowed.sum()) > _LARGE
        chosen, wrong = choice.chosen, self.failing(choice.chosen, self.crosses)
        for _ in range(0 if large else _ROUNDS):
            if not wrong:
                break
            most = self._contrast.sum(axis=1)
            raised = self.need.copy()
            raised[wrong] = np.minimum(raised[wrong] + 1, most[wrong])
            if np.array_equal(raised, self.need):
                break
            self.need = raised
            chosen = choose(replace(counts, need=raised), seconds=self._seconds / 4).chosen
            wrong = self.failing(chosen, self.crosses)
        return self.mended(chosen, wrong), bound

    def mended(self, chosen: Bools, wrong: list[int]) -> Bools:
        """Markers added until all targets are proven: the one most unproven crosses differ at per cost."""
        chosen = chosen.copy()
        free = self.allowed & ~chosen & ~self._near(chosen)
        while wrong and free.any():
            use = self._task.weight[wrong].sum(axis=0)
            # Where no contrast marker is left, shared ones tell foreign pollen.
            gain = np.where(free, (use + ROUND) / self._task.cost, -1.0)
            best = int(gain.argmax())
            chosen[best] = True
            free = self.allowed & ~chosen & ~self._near(chosen)
            wrong = self.failing(chosen, wrong)
        return chosen

    def _near(self, chosen: Bools) -> Bools:
        """Markers that are too close to a chosen one."""
        out = np.zeros(len(chosen), dtype=bool)
        if not self._task.min_spacing:
            return out
        for j in np.flatnonzero(chosen):
            if self._task.chromosome[j]:
                near = np.abs(self._task.position - self._task.position[j]) < self._task.min_spacing
                near[j] = False
                out |= near & (self._task.chromosome == self._task.chromosome[j])
        return out

    def without_spares(self, chosen: Bools, until: int) -> Bools:
        """Markers taken out that no target needs, the dearest and least used first."""
        chosen = chosen.copy()
        use = self._contrast[self.crosses].sum(axis=0)
        order = np.flatnonzero(chosen & ~self._task.forced_in)
        for j in order[np.lexsort((order, use[order], -self._task.cost[order]))]:
            here = self._task.chromosome == self._task.chromosome[j]
            if self._task.chromosome[j] and chosen[here].sum() <= self._task.min_per_chromosome:
                continue
            fewer = chosen.copy()
            fewer[j] = False
            if self._judge.looks < until and not self.failing(fewer, self._frailest(fewer), 1):
                chosen = fewer
        return chosen

    def _frailest(self, chosen: Bools) -> list[int]:
        """Targets, those with fewest contrast markers over their least first."""
        spare = (self._task.weight @ chosen)[self.crosses] - self._floor[self.crosses]
        return [self.crosses[i] for i in np.argsort(spare, kind="stable")]

    def closed(self, chosen: Bools, until: int) -> tuple[Bools, float, bool]:
        """All cheaper sets gone through: the cheapest found, the cost of the cheapest that was not ruled out,
        and whether the search ended."""
        cost, expected = float(self._task.cost[chosen].sum()), float(self._task.cost @ self._task.forced_in)
        if self.failing(chosen, self.crosses, 1):
            return chosen, expected, False
        columns = np.flatnonzero(self.allowed)
        able, sizes = self._able_sets(columns), set_sizes(len(columns))
        price = np.zeros(1)
        for each in self._task.cost[columns]:
            price = np.concatenate([price, price + each])
        able &= price < cost - ROUND
        largest = int(sizes[able].max(initial=0))
        for c in self._frailest(chosen):
            if able.sum() <= _FEW_SETS:
                break
            may = self._judge.may_prove(c, columns, largest)
            if may is not None:
                able &= may
        left, undecided = np.flatnonzero(able), np.inf
        tried = self._frailest(chosen)
        for at in left[np.lexsort((left, price[left]))]:
            if self._judge.looks >= until:
                return chosen, min(undecided, float(price[at])), False
            fewer = np.zeros_like(chosen)
            fewer[columns] = (at >> np.arange(len(columns))) & 1
            wrong = next((c for c in tried if self._judge.held(c, fewer) not in _GOOD), None)
            if wrong is None:
                chosen, cost = fewer, float(price[at])
                break
            tried.remove(wrong)
            tried.insert(0, wrong)
            if self._judge.held(wrong, fewer) is not Held.NO:
                may = self._judge.may_prove(wrong, columns, largest)
                if may is None or may[at]:
                    undecided = min(undecided, float(price[at]))
        return chosen, min(undecided, cost), undecided >= cost - ROUND

    def _able_sets(self, columns: Ints) -> Bools:
        """Sets of these markers that keep to what was asked for, (set,)."""
        task, every = self._task, np.arange(1 << len(columns))

        def held(rows: Bools) -> Ints:
            return every & int((rows[columns].astype(np.int64) << np.arange(len(columns))).sum())

        forced = held(task.forced_in)
        able: Bools = np.asarray(forced == forced.max())
        for name in chromosomes(task):
            here = (task.chromosome == name) & self.allowed
            able &= np.bitwise_count(held(here)) >= min(task.min_per_chromosome, int(here.sum()))
        if task.min_spacing:
            for j in columns:
                one = np.arange(len(self.allowed)) == j
                if not task.forced_in[j]:
                    able &= (held(one) == 0) | (held(self._near(one)) == 0)
        return able
