"""A wish list seen from the bench: how many hybrids a week's flowers should bring at the team's own rates.

Everyone is given the team's rates, with what is not known of them. The spread between two people of this
view is therefore the spread of their tasks, and no judgement of either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crossproof.planning.inputs import PlannedCross
from crossproof.planning.numbers import TeamRates, hybrids_from_flowers, interval

CAUTION = (
    "Expected numbers at the whole team's rates: they describe the work that was shared out, not the "
    "people who do "
    "it. Whoever has the difficult mothers or the hot hours will find fewer."
)

LEVEL = 0.95


@dataclass(frozen=True)
class WeekLoad:
    """One person's (or everyone's, operator "") crosses of one week; `week` "" where none was said.

    `wanted`: hybrids asked for. `expected`, `low`, `high`: verified hybrids, the mean and 95 % limits.
    """

    week: str
    operator: str
    crosses: int
    flowers: int
    wanted: int
    expected: float
    low: int
    high: int


def week_loads(
    crosses: Sequence[PlannedCross], flowers: Sequence[int], rates: TeamRates, seen: float
) -> tuple[WeekLoad, ...]:
    """Loads by week, everyone together first and then person by person.

    flowers (cross,): to be pollinated, as planned or as computed. seen: mean probability that a hybrid is
    verified.
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for i, cross in enumerate(crosses):
        groups.setdefault((cross.week, ""), []).append(i)
        if cross.operator:
            groups.setdefault((cross.week, cross.operator), []).append(i)
    known: dict[int, tuple[float, int, int]] = {}
    out = []
    for week, operator in sorted(groups, key=lambda key: (key[0] == "", key[0], key[1])):
        members = groups[week, operator]
        total = sum(flowers[i] for i in members)
        if total not in known:
            known[total] = interval(hybrids_from_flowers(total, rates, seen), LEVEL) if total else (0.0, 0, 0)
        mean, low, high = known[total]
        wanted = sum(crosses[i].target_hybrids for i in members)
        out.append(WeekLoad(week, operator, len(members), total, wanted, mean, low, high))
    return tuple(out)
