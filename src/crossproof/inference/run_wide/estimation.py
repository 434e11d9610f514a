"""Rounds of expectation and maximisation until no plant's class moves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.panel import Panel
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.run_wide.acceleration import Accelerator
from crossproof.inference.run_wide.expectation import Expected, Told, added_up, ask, count_lines
from crossproof.inference.run_wide.settled import SettledFamilies
from crossproof.inference.season_results import FamilyInput
from crossproof.model.settings import Settings

TOLERANCE = 1e-4
SAYS_ROUNDS = 3
"""Rounds after which what a family says of its parents' tubes stands, so that it cannot swing."""
WHOLE_ROUNDS = SAYS_ROUNDS
"""First rounds in which all families are asked."""
STIRRING = 1e-5
"""Change of a class posterior from which on a family in doubt is asked again."""

Move = Callable[[Panel, Expected, Callable[[Panel], Panel]], Panel]
"""The panel that some counts lead to; its new estimates pass through the function first."""


class Rounds:
    """Judges the same families under a panel's estimates and estimates anew, round after round."""

    def __init__(
        self,
        families: Sequence[FamilyInput],
        wells: Wells,
        settings: Settings,
        move: Move,
        *,
        said: bool,
        earlier: Rounds | None = None,
        each: Each = one_by_one,
    ) -> None:
        """`said`: what families say of their parents' tubes is known and stays as it is. `earlier`: rounds of
        some of the families, of whose parents' typing those that it found beyond doubt are not asked again.
        `each` calls a function with every family that has to be asked by itself.
        """
        self.families, self.wells, self.settings = families, wells, settings
        self.move, self.said, self._each = move, said, each
        self._together = SettledFamilies(wells, settings)
        self._told: dict[str, Told] = {}
        if earlier is not None:
            self._together = earlier._together
            self._told = {cross: told for cross, told in earlier._told.items() if told.typed}
        self._moved: dict[str, float] = {}
        self._left_out: list[FamilyInput] = []
        self._ahead = Accelerator().ahead
        self._rounds = 0

    def one(self, panel: Panel, *, last: bool = True) -> Panel:
        """The panel after one round; marked as converged where no plant's class has moved since the last.

        Once what families say stands, those in doubt of a parent are asked only while their plants move,
        and the rest of them once more when nothing does: what they tell hardly changes meanwhile, and they
        cost most (Neal and Hinton 1998, on expectation in parts; from memory). `last`: this round's estimates
        stand if nothing moved, so that but for the departure of parents they are not taken ahead then.
        """
        before, first, self._rounds = self._told, not self._rounds, self._rounds + 1
        asked = self._to_ask()
        new = self._answers(panel, asked)
        moved = {} if first else _moves(before, new)
        at_rest = not first and max(moved.values(), default=0.0) < TOLERANCE
        still = at_rest and (bool(self._left_out) or len(asked) == len(self.families))
        names = {family.cross_id for family in asked}
        waiting = last and at_rest and not still
        self._left_out = [f for f in self.families if waiting and f.cross_id not in names]
        self._moved |= moved
        self._told = {**before, **new}
        counts = added_up(count_lines(self.wells, panel), self._told.values())
        panel = self.move(panel, counts, self._departure_ahead if still and last else self._ahead)
        if not self.said and self._rounds <= SAYS_ROUNDS:
            panel = self._with_says(panel)
        return replace(panel, converged=still, rounds=self._rounds)

    def _answers(self, panel: Panel, asked: Sequence[FamilyInput]) -> dict[str, Told]:
        """What these families tell; those beyond doubt, and those never asked, are asked together."""
        settled = {cross for cross, told in self._told.items() if told.typed}
        together = [f for f in asked if f.cross_id in settled or f.cross_id not in self._told]
        new = self._together.ask(panel, together, settled)
        alone = [f for f in asked if f.cross_id not in new]
        new |= ask(self.wells, panel, alone, self.settings, settled, self._each)
        return {f.cross_id: new[f.cross_id] for f in asked if f.cross_id in new}

    @property
    def in_doubt(self) -> float:
        """Share of the families asked so far whose parents' typing is in doubt."""
        told = self._told.values()
        return sum(not one.typed for one in told) / max(len(told), 1)

    def _departure_ahead(self, panel: Panel) -> Panel:
        """The estimates as they are, but for the departure of parents where the last two moves tell where it
        leads: it comes to rest long after all plants have, which hardly depend on it."""
        return replace(panel, h=self._ahead(panel).h)

    def _to_ask(self) -> Sequence[FamilyInput]:
        """The families of this round: all, those that were left out so far, or those that still tell anew."""
        if self._left_out:
            return self._left_out
        if self._rounds == 1:
            return [f for f in self.families if f.cross_id not in self._told]
        if self._rounds > WHOLE_ROUNDS:
            return [f for f in self.families if f.cross_id not in self._told or self._stirs(f.cross_id)]
        return self.families

    def _with_says(self, panel: Panel) -> Panel:
        """The panel with what all families say of their parents' tubes as they were last asked."""
        parents = {f.cross_id: (f.mother, f.father) for f in self.families}
        return as_said(
            panel,
            [(c, *parents[c], *told.says) for c, told in self._told.items()],
            [told.faults[:, FAULTS.index(Fault.HETEROGENEOUS)].tolist() for told in self._told.values()],
            [d for told in self._told.values() for d in told.doubts],
        )

    def _stirs(self, cross: str) -> bool:
        """Whether a family's parents are beyond doubt, or its plants moved when it was last asked."""
        return self._told[cross].typed or self._moved[cross] >= STIRRING

    def until_rest(self, panel: Panel, most: int) -> Panel:
        """The panel after as many rounds as it takes until no plant's class moves, and `most` at most."""
        for _ in range(most):
            panel = self.one(panel)
            if panel.converged:
                break
        return panel


def as_said(
    panel: Panel,
    says: Sequence[tuple[str, str, str, int, int]],
    departing: Sequence[Sequence[float]],
    doubts: Sequence[Doubt],
) -> Panel:
    """The panel with what families said of their parents' typing: cross, mother, father, of either.

    `departing`: per family, the probability that either parent plant is one of a heterogeneous line.
    """
    return replace(
        panel,
        sample_departing=np.array(departing, dtype=np.float64).round(6).reshape(-1, 2),
        doubts=tuple(doubts),
        sample_cross=np.array([s[0] for s in says], dtype=np.str_),
        sample_parents=np.array([s[1:3] for s in says], dtype=np.str_).reshape(-1, 2),
        sample_says=np.array([s[3:5] for s in says], dtype=np.int64).reshape(-1, 2),
    )


def _moves(before: Mapping[str, Told], now: Mapping[str, Told]) -> dict[str, float]:
    """Largest change of a plant's class posterior, by family."""
    return {
        cross: float(np.abs(new.posterior - before[cross].posterior).max(initial=0.0))
        for cross, new in now.items()
    }
