"""Trying other parents in place of those as typed: untyped ones, relatives, lines of the panel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.family.parent_hypotheses import (
    DEPARTURE_SOLVED,
    GRAVITY,
    HETEROGENEOUS_WEIGHTS,
    RELATIVE_SHARE,
    RELATIVE_WEIGHTS,
    WHOLE_SHARE,
    Fault,
    Reading,
)
from crossproof.inference.family.reading_solver import ReadingSolver, Solved
from crossproof.inference.family.solution import Solution
from crossproof.inference.lines.line_doubts import UNTYPED_SHARE, TubeBelief
from crossproof.inference.lines.panel import Panel
from crossproof.model.arrays import Floats, Ints

SHOWN = 0.5
"""Posterior of a plant's being of a typed line, or of its pollen, at or above which that line is tried as the
parent: as the plant is explained already, an untyped parent learns nothing from it."""
LINES_TRIED = 2
"""Panel lines tried in place of one that its progeny contradict."""
PART_CLOSE = 4.0
"""Natural-log distance below the parents as typed within which an untyped parent of a part of the tag, of the
kinds of which the likeliest is not yet known, is looked at further."""
CLOSE = 12.0
"""Natural-log distance from the best hypothesis within which foreseen evidence is worth a solution."""


@dataclass(frozen=True)
class OtherLines:
    """Typed lines other than the family's own: their `versions` (donor,), in the order of the donors; `score`
    (donor, n): log prior x likelihood of a plant of the line itself."""

    versions: Ints
    score: Floats


class ParentSearch:
    """Tries other parents in place of those as typed."""

    def __init__(
        self,
        solver: ReadingSolver,
        panel: Panel,
        own: list[Ints],
        beliefs: list[TubeBelief],
        varied: list[float],
        wrong_plant: float,
        lines: OtherLines,
    ) -> None:
        self.solver, self.panel, self.own, self.beliefs = solver, panel, own, beliefs
        self.varied, self.log_plant = varied, float(np.log(wrong_plant))
        self.log_right = float(np.log1p(-wrong_plant))
        self.lines = lines

    def others(
        self, base: Reading, base_solution: Solution, side: int, whole: bool = True, part: bool = False
    ) -> tuple[Solved, Floats] | None:
        """Solve the hypotheses that differ from `base` in one parent (`side` 0 mother, 1 father).

        `whole`, `part`: whether the other parent may have had the whole tag, and a part of it.

        The one with a plant of the pool in its place, and what each version (version,) would gain over it.
        """
        solver = self.solver
        active = base_solution.active
        other = base.parents[1 - side]
        if other is None:
            return None
        reading, right, plant = self._from(base, other, side)
        parts = tuple(p for p, may in ((False, whole), (True, part)) if may)
        log_part = {False: float(np.log(WHOLE_SHARE)), True: float(np.log1p(-WHOLE_SHARE))}
        if self.solver.n_pods == 1 or base.fault is not Fault.NONE:
            log_part[False] = 0.0
        found: list[Solved] = []
        for some in parts:
            log_cause = self.log_plant + np.log(UNTYPED_SHARE) + log_part[some]
            found.append(solver.add(reading(None, right + log_cause, plant, part=some), active))
        # Another parent of a part of the tag that is no better as an untyped plant is no better as any.
        best = solver.best_as_typed().score
        found = [one for one in found if not one.reading.part or one.score > best - PART_CLOSE] or found[:1]
        parts = tuple(one.reading.part for one in found)
        if False in parts:
            self._other_line(reading, side, right, plant, active)
        if base.fault is Fault.NONE and base.parents[side] is not None:
            self._departing(reading, base, side, right, plant, active, {p: log_part[p] for p in parts})
        scores = [
            self._named(reading, one, side, right, plant, active, other, log_part[one.reading.part])
            for one in found
        ]
        return found[0], scores[0]

    def departing(self, base: Reading, base_solution: Solution, side: int) -> None:
        """Solve a relative and a plant of a heterogeneous line in place of one parent, and nothing else."""
        other = base.parents[1 - side]
        if other is not None and base.parents[side] is not None:
            reading, right, plant = self._from(base, other, side)
            log_whole = 0.0 if self.solver.n_pods == 1 else float(np.log(WHOLE_SHARE))
            self._departing(reading, base, side, right, plant, base_solution.active, {False: log_whole})

    def _from(self, base: Reading, other: int, side: int) -> tuple[Callable[..., Reading], float, Fault]:
        """Hypotheses that differ from `base` in one parent, by version, log prior and fault; the log prior
        left to them; and the fault of another plant."""
        plant = Fault.MOTHER_PLANT if side == 0 else Fault.FATHER_PLANT

        def reading(version: int | None, log_prior: float, fault: Fault, **more: object) -> Reading:
            pair = (version, other) if side == 0 else (other, version)
            # where both parents are wrong the graver fault decides what the plants are: seed of another
            # mother is off pedigree whatever the pollen was, as under a swapped tag
            fault = max(fault, base.fault, key=GRAVITY.index)
            return Reading(pair[0], pair[1], float(log_prior), fault, **more)  # type: ignore[arg-type]

        return reading, base.log_prior - self.log_right, plant

    def _other_line(
        self, reading: Callable[..., Reading], side: int, right: float, plant: Fault, active: Ints
    ) -> None:
        """The parent is of a line never typed, as the line's other tags demand it: the tube was wrong, or the
        plant in the nursery."""
        solver, belief = self.solver, self.beliefs[side]
        tube = reading(None, right + self.log_right + belief.log_odds + belief.log_untyped, Fault.TUBE)
        if not belief.modes:
            solver.add(tube, active)
        for number, mode in enumerate(belief.modes, 1):
            one = replace(tube, log_prior=tube.log_prior + mode.log_share)
            if not mode.learned:
                solver.add(one, active)
                continue
            solver.set_learned(side, number, mode.learned)
            one = replace(one, learned=(number, 0) if side == 0 else (0, number))
            solver.add(one, active)
            log_field = right + self.log_right + belief.log_odds_field + belief.log_untyped + mode.log_share
            fault = max(plant, tube.fault, key=GRAVITY.index)
            solver.add(replace(one, fault=fault, log_prior=log_field), active)

    def _departing(
        self,
        reading: Callable[..., Reading],
        base: Reading,
        side: int,
        right: float,
        plant: Fault,
        active: Ints,
        log_part: dict[bool, float],
    ) -> None:
        """A relative of the line, for the tag or a part of it; a plant of a heterogeneous line."""
        own = base.parents[side]
        departs = (DEPARTURE_SOLVED, None) if side == 0 else (None, DEPARTURE_SOLVED)
        for part, log_share in log_part.items():
            log_cause = self.log_plant + np.log(RELATIVE_SHARE) + log_share
            one = reading(own, right + log_cause, plant, departs=departs, part=part)
            self.solver.add(one, active, departures=(side, RELATIVE_WEIGHTS))
        if False in log_part:
            log_cause = self.log_right + np.log(self.varied[side])
            one = reading(own, right + log_cause, Fault.HETEROGENEOUS, departs=departs)
            self.solver.add(one, active, departures=(side, HETEROGENEOUS_WEIGHTS))

    def _named(
        self,
        reading: Callable[..., Reading],
        untyped: Solved,
        side: int,
        right: float,
        plant: Fault,
        active: Ints,
        other: int,
        log_part: float,
    ) -> Floats:
        """Try the panel lines that promise most; log evidence (version,) that each gains over the pool."""
        solver, panel, belief = self.solver, self.panel, self.beliefs[side]
        part = untyped.reading.part
        scores = solver.line_scores(untyped.solution, side)
        is_other = np.ones(len(panel.version_line), dtype=bool)
        is_other[self.own[side]] = is_other[other] = False
        others = np.flatnonzero(is_other)
        if not len(others):
            return scores
        n_lines = max(len(panel.lines) - 1, 1)
        log_named = float(np.log((1 - UNTYPED_SHARE - RELATIVE_SHARE) / len(others)))
        log_cause = np.full(len(others), self.log_plant + log_named + log_part)
        log_tube = np.full(len(others), -np.inf)
        if not part:
            log_lines = np.array(
                [belief.log_line(panel.lines[line], n_lines) for line in panel.version_line[others]]
            )
            log_tube = self.log_right + belief.log_odds + log_lines
            if belief.modes:
                log_cause = np.logaddexp(log_cause, self.log_right + belief.log_odds_field + log_lines)
        log_worth = right + np.maximum(log_cause, log_tube)
        evidence = untyped.score - untyped.reading.log_prior

        def solve(i: int) -> float:
            """The log evidence of the other line number `i`, added under each fault it may stand for."""
            version = int(others[i])
            one = solver.add(reading(version, right + log_cause[i], plant, part=part), active)
            if not part:
                solver.add(reading(version, right + log_tube[i], Fault.TUBE), active)
            return one.score - one.reading.log_prior

        shown = np.empty(0, dtype=np.int64)
        if not part and untyped.reading.fault is plant:
            shown = np.flatnonzero(np.isin(others, self._shown(side)))
        for i in shown.tolist():
            scores[others[i]] = solve(i) - evidence
        # What another line would gain is foreseen well enough to spare those that cannot matter.
        foreseen = evidence + scores[others] + log_worth
        within = foreseen >= solver.best().score - CLOSE
        within[shown] = False
        for i in np.argsort(-foreseen, kind="stable")[:LINES_TRIED].tolist():
            if within[i]:
                solve(i)
        return scores

    def _shown(self, side: int) -> Ints:
        """Versions that explain some plant as typed: as the donor of its pollen where the father is sought
        (`side` 1), as the plant itself where the mother is, whose self it would be; LINES_TRIED at most."""
        solver, own = self.solver, self.solver.family.priors
        solution = solver.as_typed.solution
        donor, total = own.donor[:, None] + solution.donor, solver.family.log_all(solution)
        posterior = np.exp((donor[:-1] if side == 1 else self.lines.score) - total)
        leading = np.flatnonzero((posterior >= SHOWN).any(axis=1))
        order = np.argsort(-posterior[leading].sum(axis=1), kind="stable")[:LINES_TRIED]
        return self.lines.versions[leading[order]]
