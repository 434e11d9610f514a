"""People as facts: the rate of each, where it lies, and what may be said of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.rates.people.standing import Judgement, Position
from crossproof.report.content.inputs import numbers, texts


@dataclass(frozen=True)
class PersonFact:
    """One person. `judgement` is None where the table has none; rates are NaN where unknown."""

    name: str
    tags: float
    counted: float
    selfing: float
    selfing_low: float
    selfing_high: float
    position: Position
    judgement: Judgement | None

    @property
    def few(self) -> bool:
        """Whether there is too little to say anything of them."""
        return self.judgement is Judgement.TOO_FEW

    @property
    def outside(self) -> bool:
        """Whether they lie outside the 95 % limits, and there is enough to look at."""
        return self.position in _OUTSIDE and not self.few

    @property
    def apart(self) -> bool:
        """Whether they cannot be told apart from the mother lines they crossed."""
        return self.judgement is Judgement.APART

    @property
    def differs(self) -> bool:
        """Whether their selfs differ from what was to be expected, all people being compared."""
        return self.judgement in (Judgement.MORE, Judgement.FEWER)


_OUTSIDE = (Position.BELOW_95, Position.ABOVE_95, Position.BELOW_998, Position.ABOVE_998)


@dataclass(frozen=True)
class PeopleFacts:
    """All people, in the order of operators.csv; `allowed_for`: what their comparison allows for."""

    rows: tuple[PersonFact, ...]
    allowed_for: str
    left_out: int = 0
    """Plants with a verdict that no rate counts: others of their tags wait for a parent or an answer."""

    @property
    def outside(self) -> tuple[PersonFact, ...]:
        """Those outside the limits of chance."""
        return tuple(p for p in self.rows if p.outside)

    @property
    def differing(self) -> tuple[PersonFact, ...]:
        """Those who differ from what was expected."""
        return tuple(p for p in self.rows if p.differs)

    @property
    def by_chance(self) -> tuple[PersonFact, ...]:
        """Those outside the limits whom the comparison of all people does not single out."""
        return tuple(p for p in self.outside if p.judgement is Judgement.AS_EXPECTED)

    @property
    def few(self) -> int:
        """People of whom nothing can be said."""
        return sum(p.few for p in self.rows)

    @property
    def apart(self) -> int:
        """People who cannot be told apart from the mother lines they crossed."""
        return sum(p.apart for p in self.rows)


def people_facts(operators: pd.DataFrame) -> PeopleFacts:
    """The facts of a table of people; columns that are missing count as unknown."""
    names, positions, judged = (texts(operators, c) for c in ("operator", "funnel", "judgement"))
    tags, counted, rate, low, high = (
        numbers(operators, c).tolist()
        for c in ("tags", "counted", "selfing_rate", "selfing_rate_low", "selfing_rate_high")
    )
    rows = tuple(
        PersonFact(
            names[i],
            tags[i],
            counted[i],
            rate[i],
            low[i],
            high[i],
            _POSITIONS.get(positions[i], Position.UNKNOWN),
            _JUDGEMENTS.get(judged[i]),
        )
        for i in range(len(operators))
    )
    left_out = np.nansum(numbers(operators, "determined") - numbers(operators, "counted"))
    allowed_for = next((t for t in texts(operators, "allowed_for") if t), "")
    return PeopleFacts(rows, allowed_for, int(left_out))


_POSITIONS = {p.value: p for p in Position}
_JUDGEMENTS = {j.value: j for j in Judgement}
