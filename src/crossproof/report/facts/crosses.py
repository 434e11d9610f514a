"""Crosses as facts: the record, what was found, and the one next step of each."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from crossproof.model.results import NextStep, Provable
from crossproof.report.content.inputs import numbers, texts


@dataclass(frozen=True)
class CrossFact:
    """One cross. `step` is None where it was not worked out; counts are 0, `flowers` NaN, where unknown."""

    cross: str
    mother: str
    father: str
    operator: str
    tested: int
    hybrids: int
    held: int
    target: int
    provable: Provable
    step: NextStep | None
    detail: str
    seeds: int
    flowers: float
    p_target: float

    @property
    def reached(self) -> bool:
        """Whether it has the hybrids wanted."""
        return self.hybrids >= self.target > 0

    @property
    def fruitless(self) -> bool:
        """Whether plants were tested, none was a hybrid, and none that may be one is on hold."""
        return self.tested > 0 and self.hybrids == 0 and self.held == 0


@dataclass(frozen=True)
class CrossesFacts:
    """All crosses of a season, in the order of crosses.csv."""

    rows: tuple[CrossFact, ...]

    @cached_property
    def steps(self) -> Counter[NextStep | None]:
        """Crosses by their next step."""
        return Counter(c.step for c in self.rows)

    @cached_property
    def left(self) -> tuple[CrossFact, ...]:
        """Crosses with something left to do: in the order of the steps, most flowers first."""
        rank = {step: k for k, step in enumerate(NextStep)}
        open_ = [c for c in self.rows if c.step not in (None, NextStep.DONE)]
        return tuple(sorted(open_, key=lambda c: (rank[c.step or NextStep.DONE], -_known(c.flowers))))

    @property
    def wanting(self) -> int:
        """Crosses of which hybrids are wanted."""
        return sum(c.target > 0 for c in self.rows)

    @property
    def reached(self) -> int:
        """Those of them that have as many as wanted."""
        return sum(c.reached for c in self.rows)

    @property
    def tested(self) -> int:
        """Crosses with plants tested."""
        return sum(c.tested > 0 for c in self.rows)

    @property
    def held(self) -> int:
        """Crosses with plants on hold."""
        return sum(c.held > 0 for c in self.rows)

    @property
    def fruitless(self) -> int:
        """Crosses whose plants were tested and gave no hybrid."""
        return sum(c.fruitless for c in self.rows)

    @property
    def flowers(self) -> int:
        """Flowers to pollinate, where their number is known."""
        return round(sum(_known(c.flowers) for c in self.rows))

    @property
    def seeds(self) -> int:
        """Stored seeds to test."""
        return sum(c.seeds for c in self.rows)

    @property
    def people(self) -> int:
        """People named on the tags."""
        return len({c.operator for c in self.rows if c.operator})

    def of(self, *states: Provable) -> tuple[CrossFact, ...]:
        """Crosses in some states of proof, in the order of the states."""
        return tuple(c for state in states for c in self.rows if c.provable is state)


def _known(value: float) -> float:
    return value if math.isfinite(value) else 0.0


_TEXTS = ("cross_id", "mother", "father", "operator", "verifiable", "next_step", "next_step_detail")
_COUNTS = ("tested", "hybrid", "held", "target", "seeds_to_test")
_NUMBERS = ("flowers_to_repeat", "p_target")
CROSS_COLUMNS = (*_TEXTS, *_COUNTS, *_NUMBERS)
"""Columns of crosses.csv that the facts of crosses are made from."""


def crosses_facts(crosses: pd.DataFrame) -> CrossesFacts:
    """The facts of a table of crosses; columns that are missing count as unknown."""
    if not _LAST or _LAST[0][0] is not crosses:
        _LAST[:] = [(crosses, _facts_of(crosses))]
    return _LAST[0][1]


_LAST: list[tuple[pd.DataFrame, CrossesFacts]] = []
"""The facts last asked for, with their table: all parts of a report ask for the same ones."""


def _facts_of(crosses: pd.DataFrame) -> CrossesFacts:
    t = {c: texts(crosses, c) for c in _TEXTS}
    x = {c: [_known(v) for v in numbers(crosses, c).tolist()] for c in _COUNTS}
    flowers, p_target = (numbers(crosses, c).tolist() for c in _NUMBERS)
    return CrossesFacts(
        tuple(
            CrossFact(
                cross=t["cross_id"][i],
                mother=t["mother"][i],
                father=t["father"][i],
                operator=t["operator"][i],
                tested=int(x["tested"][i]),
                hybrids=int(x["hybrid"][i]),
                held=int(x["held"][i]),
                target=int(x["target"][i]),
                provable=_PROVABLE.get(t["verifiable"][i], Provable.UNKNOWN),
                step=_STEPS.get(t["next_step"][i]),
                detail=t["next_step_detail"][i],
                seeds=int(x["seeds_to_test"][i]),
                flowers=flowers[i],
                p_target=p_target[i],
            )
            for i in range(len(crosses))
        )
    )


_STEPS = {s.value: s for s in NextStep}
_PROVABLE = {p.value: p for p in Provable}
