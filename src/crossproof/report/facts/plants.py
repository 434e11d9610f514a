"""Plants as facts: what each is, what to do with it, what it waits for, and how many there are of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache
from typing import NamedTuple

import pandas as pd

from crossproof.model.results import Decision, Need, Reason, Verdict, need_of
from crossproof.report.content.inputs import texts


class Pile(StrEnum):
    """Where a plant goes: its decision, with the plants to retest parted by what helps them."""

    KEEP = "keep"
    CULL = "cull"
    SAMPLE_AGAIN = "sample again"
    WAIT = "wait"
    """For a parent to be typed, or for more markers: a second sample of the plant would not help."""
    HOLD = "hold"


class PlantFact(NamedTuple):
    """One progeny plant. `decision`, `pile` (where it goes) are None where nobody decided."""

    plant: str
    cross: str
    verdict: Verdict
    decision: Decision | None
    reason: Reason
    need: Need
    parents_to_type: tuple[str, ...]
    pile: Pile | None

    @property
    def counts(self) -> bool:
        """Whether it has a verdict that rates count: not one on hold."""
        return self.verdict is not Verdict.UNDETERMINED and self.decision is not Decision.HOLD


@dataclass(frozen=True)
class PlantFacts:
    """All plants of a season, in the order of verdicts.csv."""

    rows: tuple[PlantFact, ...]

    @cached_property
    def piles(self) -> Counter[Pile | None]:
        """Plants in each pile."""
        return Counter(p.pile for p in self.rows)

    @cached_property
    def needs(self) -> Counter[Need]:
        """Plants by what they wait for."""
        return Counter(p.need for p in self.rows)

    @cached_property
    def verdicts(self) -> Counter[Verdict]:
        """Plants by verdict, those on hold left out, as the rates count them."""
        return Counter(p.verdict for p in self.rows if p.decision is not Decision.HOLD)

    @property
    def held(self) -> int:
        """Plants on hold."""
        return self.piles[Pile.HOLD]

    @cached_property
    def determined(self) -> int:
        """Plants with a verdict that counts."""
        return sum(p.counts for p in self.rows)

    @property
    def crosses_kept(self) -> int:
        """Crosses with a plant to keep."""
        return len({p.cross for p in self.rows if p.pile is Pile.KEEP})

    def where(self, condition: Callable[[PlantFact], bool]) -> list[int]:
        """Numbers of the plants for which a condition holds."""
        return [i for i, p in enumerate(self.rows) if condition(p)]


PLANT_COLUMNS = ("plant", "cross_id", "verdict", "decision", "reason", "parents_to_type")
"""Columns of verdicts.csv that the facts of plants are made from."""


def plant_facts(verdicts: pd.DataFrame) -> PlantFacts:
    """The facts of a table of verdicts; unknown words count as undetermined, undecided, without a reason."""
    cells = tuple(texts(verdicts, c) for c in PLANT_COLUMNS)
    if not _LAST or _LAST[0][0] != cells:
        _LAST[:] = [(cells, PlantFacts(tuple(plant_fact(*row) for row in zip(*cells, strict=True))))]
    return _LAST[0][1]


_LAST: list[tuple[tuple[list[str], ...], PlantFacts]] = []
"""The facts last asked for, with the cells they were made of: all parts of a report ask for the same ones."""


def plant_fact(plant: str, cross: str, verdict: str, decision: str, reason: str, parents: str) -> PlantFact:
    """The fact of one row of verdicts; `parents` joins names by ;."""
    return PlantFact(plant, cross, *_read(verdict, decision, reason, parents))


@lru_cache(maxsize=1 << 12)
def _read(
    verdict: str, decision: str, reason: str, parents: str
) -> tuple[Verdict, Decision | None, Reason, Need, tuple[str, ...], Pile | None]:
    """The words of a row of verdicts as their closed choices, the lines to type, and the pile."""
    decided = _DECISIONS.get(decision)
    why = _REASONS.get(reason, Reason.NONE)
    need = Need.NOTHING if decided is None else need_of(decided, why)
    return (
        _VERDICTS.get(verdict, Verdict.UNDETERMINED),
        decided,
        why,
        need,
        tuple(name for name in parents.split(";") if name),
        _pile(decided, need),
    )


def _pile(decision: Decision | None, need: Need) -> Pile | None:
    """Where a plant goes."""
    if decision is Decision.RETEST:
        return Pile.SAMPLE_AGAIN if need is Need.SAMPLE else Pile.WAIT
    return None if decision is None else Pile(decision.value)


_VERDICTS = {v.value: v for v in Verdict}
_DECISIONS = {d.value: d for d in Decision}
_REASONS = {r.value: r for r in Reason}
