"""Lines, markers and plates as facts: what each is known by, and what can be said of all of them."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import pandas as pd

from crossproof.model.results import PlateState
from crossproof.report.content.inputs import flags, numbers, texts

DEPARTS = 0.05
"""Share of markers at which a parent plant departs from its line, at or above which the line is listed."""


class Agreement(StrEnum):
    """Whether the samples of a line say the same."""

    YES = "yes"
    NO = "no"
    ONE = "only one sample has calls"
    NONE = "no sample has calls"


@dataclass(frozen=True)
class LineFact:
    """One line. `typed`: samples with calls; rates are NaN where unknown."""

    line: str
    wells: float
    typed: float
    call_rate: float
    versions: float
    odd: str
    departs_in: str
    departure: float
    finding: str

    @property
    def agreement(self) -> Agreement:
        """Whether its samples agree; one sample agrees with nothing."""
        if self.versions > 1:
            return Agreement.NO
        if self.typed > 1:
            return Agreement.YES
        return Agreement.ONE if self.typed == 1 else Agreement.NONE

    @property
    def listed(self) -> bool:
        """Whether the report shows it among the lines to look at."""
        return self.agreement is Agreement.NO or bool(self.finding) or self.departure >= DEPARTS


@dataclass(frozen=True)
class LinesFacts:
    """All lines, in the order of lines.csv."""

    rows: tuple[LineFact, ...]

    @cached_property
    def agreements(self) -> Counter[Agreement]:
        """Lines by whether their samples agree."""
        return Counter(line.agreement for line in self.rows)

    @property
    def listed(self) -> tuple[LineFact, ...]:
        """Lines to look at."""
        return tuple(line for line in self.rows if line.listed)


def lines_facts(lines: pd.DataFrame) -> LinesFacts:
    """The facts of a table of lines; columns that are missing count as unknown."""
    t = [texts(lines, c) for c in ("line", "odd_tubes", "plant_departs_in", "findings")]
    x = [
        numbers(lines, c).tolist()
        for c in ("wells", "wells_with_calls", "call_rate", "versions", "largest_departure")
    ]
    return LinesFacts(
        tuple(
            LineFact(name, wells, typed, rate, versions, odd, departs, departure, finding)
            for name, odd, departs, finding, wells, typed, rate, versions, departure in zip(
                *t, *x, strict=True
            )
        )
    )


@dataclass(frozen=True)
class MarkersFacts:
    """Whether each marker was set aside, in the order of markers.csv."""

    aside: tuple[bool, ...]

    @property
    def set_aside(self) -> int:
        """Markers that no verdict uses."""
        return sum(self.aside)

    @property
    def used(self) -> int:
        """Markers that verdicts rest on."""
        return len(self.aside) - self.set_aside


def markers_facts(markers: pd.DataFrame) -> MarkersFacts:
    """The facts of a table of markers."""
    return MarkersFacts(tuple((~flags(markers, "used", missing=True)).tolist()))


@dataclass(frozen=True)
class PlateFact:
    """One plate. `state` is None where it was not worked out; rates are NaN where unknown."""

    plate: str
    state: PlateState | None
    call_rate: float


@dataclass(frozen=True)
class PlatesFacts:
    """All plates, in the order of plates.csv."""

    rows: tuple[PlateFact, ...]

    @cached_property
    def called(self) -> tuple[PlateFact, ...]:
        """Plates whose call rate is known."""
        return tuple(p for p in self.rows if math.isfinite(p.call_rate))

    @property
    def mean_call_rate(self) -> float:
        """Mean of the known call rates, NaN without any."""
        return sum(p.call_rate for p in self.called) / len(self.called) if self.called else math.nan

    @property
    def weakest(self) -> PlateFact | None:
        """The plate with the lowest known call rate."""
        return min(self.called, key=lambda p: p.call_rate, default=None)

    @property
    def without_calls(self) -> tuple[PlateFact, ...]:
        """Plates that give no calls: their file is missing or was set aside."""
        return tuple(p for p in self.rows if p.state in (PlateState.SET_ASIDE, PlateState.NO_CALLS))


def plates_facts(plates: pd.DataFrame) -> PlatesFacts:
    """The facts of a table of plates; unknown states count as not worked out."""
    names, states = (texts(plates, c) for c in ("plate", "state"))
    rows = zip(names, states, numbers(plates, "call_rate").tolist(), strict=True)
    return PlatesFacts(tuple(PlateFact(n, _STATES.get(s), rate) for n, s, rate in rows))


_STATES = {s.value: s for s in PlateState}
