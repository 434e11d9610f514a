"""Rounds of expectation and maximisation until no plant's class moves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.panel import Panel
from crossproof.inference.run_wide.acceleration import Accelerator
from crossproof.inference.run_wide.expectation import Expected, Told, added_up, ask, count_lines
from crossproof.inference.season_results import FamilyInput
from crossproof.model.settings import Settings

TOLERANCE = 1e-4
SAYS_ROUNDS = 3
"""Rounds after which what a family says of its parents' tubes stands, so that it cannot swing."""

Move = Callable[[Panel, Expected, Callable[[Panel], Panel]], Panel]
"""The panel that some counts lead to; its new estimates pass through the function first."""


class Rounds:
    """Judges the same families under a panel's estimates and estimates anew, round after round."""

    def __init__(
        self, families: Sequence[FamilyInput], wells: Wells, settings: Settings, move: Move, *, said: bool
    ) -> None:
        """`said`: what families say of their parents' tubes is known and stays as it is."""
        self.families, self.wells, self.settings = families, wells, settings
        self.move, self.said = move, said
        self._told: dict[str, Told] = {}
        self._ahead = Accelerator().ahead
        self._rounds = 0

    def one(self, panel: Panel, *, last: bool = True) -> Panel:
        """The panel after one round; marked as converged where no plant's class has moved since the last.

        `last`: this round's estimates stand if nothing moved, so that they are not taken ahead then.
        """
        before, self._rounds = self._told, self._rounds + 1
        settled = [cross for cross, told in before.items() if told.typed]
        self._told = ask(self.wells, panel, self.families, self.settings, settled)
        still = bool(before) and _largest_move(before, self._told) < TOLERANCE
        counts = added_up(count_lines(self.wells, panel), self._told.values())
        panel = self.move(panel, counts, _as_it_is if still and last else self._ahead)
        if not self.said and self._rounds <= SAYS_ROUNDS:
            parents = {f.cross_id: (f.mother, f.father) for f in self.families}
            panel = as_said(
                panel,
                [(c, *parents[c], *told.says) for c, told in self._told.items()],
                [told.faults[:, FAULTS.index(Fault.HETEROGENEOUS)].tolist() for told in self._told.values()],
                [d for told in self._told.values() for d in told.doubts],
            )
        return replace(panel, converged=still, rounds=self._rounds)

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


def _as_it_is(panel: Panel) -> Panel:
    return panel


def _largest_move(before: Mapping[str, Told], now: Mapping[str, Told]) -> float:
    """Largest change of a plant's class posterior."""
    moves = (new.posterior - before[cross].posterior for cross, new in now.items())
    return max((float(np.abs(move).max(initial=0.0)) for move in moves), default=0.0)
