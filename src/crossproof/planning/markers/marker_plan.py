"""Which markers to add, and the smallest set that would do, put to the planned crosses and checked on
them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Int8s, Ints
from crossproof.model.results import Provable
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.least_markers import marker_worth
from crossproof.planning.markers.smallest_set import MarkerChoice, PanelTask, choose
from crossproof.planning.plan_columns import MARKER_COLUMNS
from crossproof.planning.power.bounds import FEW_BRANCHES
from crossproof.planning.power.cross_power import cross_power, proven_by, simulate
from crossproof.planning.power.evidence import CrossEvidence, choose_markers, cross_evidence
from crossproof.planning.power.outcomes import MOST_BRANCHES
from crossproof.planning.power.provable import provable

MANY_CROSSES = 100
"""More crosses than this are checked in full once only."""

_ROUNDS = 5
_CHECK_DRAWS = 1000


@dataclass(frozen=True)
class MarkerPlan:
    """`missing` (cross): contrast markers still lacking, 0 where none; `suggested` (cross): markers to add
    for it.

    `smallest`, `added`: the two marker sets with their optimality gap; None where not asked or nothing to
    add. `proven_by_smallest`: crosses that the smallest set was checked to prove, of `attainable`.
    """

    missing: tuple[int, ...]
    suggested: tuple[tuple[str, ...], ...]
    smallest: MarkerChoice | None
    added: MarkerChoice | None
    proven_by_smallest: int
    attainable: int
    frame: pd.DataFrame
    notes: tuple[str, ...]


def plan_markers(
    crosses: Sequence[PlannedCross],
    pairs: Sequence[tuple[int, int]],
    reached: Sequence[bool],
    panel: PanelGenotypes,
    fixed: Int8s,
    settings: PlanSettings,
    need: int,
) -> MarkerPlan:
    """Choose markers.

    pairs: places of mother and father; reached: the cross is proven on today's panel; need: contrast markers
    of typical quality that prove a cross. The linear need is put to the integer programme; what it chooses
    is then checked cross by cross under the full model, and the need of a cross that fails is raised by one
    marker.
    """
    notes: list[str] = []
    worth = marker_worth(panel, settings)
    mothers = np.array([m for m, _ in pairs], dtype=np.int64)
    fathers = np.array([f for _, f in pairs], dtype=np.int64)
    a, b = fixed[:, mothers].T, fixed[:, fathers].T
    differ = (a >= 0) & (b >= 0) & (a != b)  # cross, marker
    weight = np.where(differ, worth[None, :], 0.0)
    on = panel.usable & panel.on_panel
    have = weight[:, on].sum(axis=1)
    open_cross = ~np.asarray(reached, dtype=bool)
    missing = np.where(open_cross, np.maximum(1, np.ceil(need - have - 1e-9)), 0).astype(np.int64)
    ids = [str(x) for x in panel.markers.ids]
    forced_in = np.isin(np.array(ids, dtype=object), list(settings.forced_in))
    forced_out = np.isin(np.array(ids, dtype=object), list(settings.forced_out)) & ~forced_in
    forced_out |= ~panel.usable & ~forced_in
    unknown = [m for m in (*settings.forced_in, *settings.forced_out) if m not in set(ids)]
    if unknown:
        notes.append(f"Markers to force that no file holds, passed over: {', '.join(unknown)}.")
    task = PanelTask(
        weight=weight,
        need=np.full(len(crosses), float(need)),
        cost=panel.cost,
        worth=np.array([c.priority for c in crosses]) if crosses else np.empty(0),
        chromosome=panel.markers.chrom,
        position=panel.markers.pos,
        forced_in=forced_in,
        forced_out=forced_out,
        min_per_chromosome=settings.min_per_chromosome,
        min_spacing=settings.min_spacing,
    )
    smallest, proven, attainable = None, 0, int(task.attainable().sum()) if crosses else 0
    check = _Check(pairs, panel, fixed, settings)
    if crosses and attainable:
        smallest, _, _ = check.choose(task, settings.max_panel_markers)
        states = check.states(np.flatnonzero(smallest.reached), np.flatnonzero(smallest.chosen))
        proven, borderline = states.count(Provable.YES), states.count(Provable.BORDERLINE)
        notes.append(_smallest_note(smallest, proven, borderline, attainable, len(crosses), settings))
    added: MarkerChoice | None = None
    suggested: tuple[tuple[str, ...], ...] = tuple(() for _ in crosses)
    candidates = panel.usable & ~panel.on_panel & ~forced_out
    if open_cross.any() and candidates.any():
        more = replace(
            task,
            need=np.where(open_cross, np.maximum(need, have + missing), 0.0),
            forced_in=(on | forced_in) & ~forced_out,
            forced_out=forced_out | ~(on | candidates | forced_in),
            min_per_chromosome=0,
            min_spacing=0,
        )
        added, _, needs = check.choose(more, 0, open_cross)
        states = check.states(np.flatnonzero(added.reached & open_cross), np.flatnonzero(added.chosen))
        mended = states.count(Provable.YES)
        new = added.chosen & ~on
        short = np.maximum(missing, np.ceil(needs - have - 1e-9))
        missing = np.where(open_cross, short, 0).astype(np.int64)
        suggested = tuple(
            tuple(ids[j] for j in np.flatnonzero(new & differ[i])) if open_cross[i] else ()
            for i in range(len(crosses))
        )
        notes.append(
            f"{int(new.sum())} further markers would prove {mended} of the {int(open_cross.sum())} crosses "
            f"that cannot be proven for certain today{_and_borderline(states.count(Provable.BORDERLINE))}."
        )
    elif open_cross.any():
        notes.append(
            f"{int(open_cross.sum())} crosses need further contrast markers, and no candidate markers "
            f"(typed in the "
            "lines, not on the panel) are known. Type the lines at more markers, or choose other parents."
        )
    return MarkerPlan(
        missing=tuple(int(x) for x in missing),
        suggested=suggested,
        smallest=smallest,
        added=added,
        proven_by_smallest=proven,
        attainable=attainable,
        frame=_frame(panel, smallest, added, on, differ, worth),
        notes=tuple(notes),
    )


@dataclass(frozen=True)
class _Check:
    """Puts a chosen marker set to the full model, cross by cross."""

    pairs: Sequence[tuple[int, int]]
    panel: PanelGenotypes
    fixed: Int8s
    settings: PlanSettings

    def choose(
        self, task: PanelTask, at_most: int, which: Bools | None = None
    ) -> tuple[MarkerChoice, int, Floats]:
        """The choice, how many crosses (of `which`) it proves, and the needs it was made with.

        Needs of crosses that fail go up by one marker and the programme is solved again, a few times. Of many
        crosses only those that failed are looked at again, the set so far being kept: a marker more does not
        unprove a cross, and the set may then be a little larger than it need be.
        """
        many = len(self.pairs) > MANY_CROSSES
        seconds = self.settings.solver_seconds
        chosen = choose(task, at_most=at_most, seconds=seconds)
        wrong: list[int] = []
        for round_ in range(_ROUNDS):
            reached = chosen.reached if which is None else chosen.reached & which
            again = np.array(wrong, dtype=np.int64) if many and round_ else np.flatnonzero(reached)
            wrong = self._failing(again, np.flatnonzero(chosen.chosen))
            proven = int(reached.sum()) - len(wrong)
            if not wrong or round_ == _ROUNDS - 1 or at_most:
                break
            raised = task.need.copy()
            most = (task.weight * ~task.forced_out).sum(axis=1)
            raised[wrong] = np.minimum(raised[wrong] + 1, most[wrong])
            if np.array_equal(raised, task.need):
                break
            task = replace(task, need=raised, forced_in=chosen.chosen if many else task.forced_in)
            mended = choose(task, seconds=seconds / 2)
            if many:  # the best addition to a set is not the best set: the first bound stays
                mended = replace(mended, bound=chosen.bound, greedy=chosen.greedy, proven=False)
            chosen = mended
        return chosen, proven, task.need

    def _failing(self, crosses: Ints, rows: Ints) -> list[int]:
        """Crosses that these markers do not prove.

        Of a borderline one the likeliest value tells, by Monte Carlo: this guides the choice alone, what the
        chosen markers prove is said by `states`.
        """
        wrong = []
        for i in crosses:
            evidence = self._evidence(int(i), rows)
            state = provable(evidence, self.settings, FEW_BRANCHES)
            good = state is Provable.YES
            rng = np.random.default_rng([self.settings.seed, int(i)])
            if state is Provable.BORDERLINE:
                found = (simulate(evidence, c, self.settings, _CHECK_DRAWS, rng)[c] for c in (0, 1))
                good = min(found) >= self.settings.wanted
            if good and self.settings.prove_all_classes:
                good = proven_by(cross_power(evidence, self.settings, _CHECK_DRAWS, rng), self.settings)
            if not good:
                wrong.append(int(i))
        return wrong

    def states(self, crosses: Ints, rows: Ints) -> list[Provable]:
        """Whether these markers prove each cross, as it would stand in a plan."""
        branches = MOST_BRANCHES if len(self.pairs) <= MANY_CROSSES else FEW_BRANCHES
        return [provable(self._evidence(int(i), rows), self.settings, branches) for i in crosses]

    def _evidence(self, cross: int, rows: Ints) -> CrossEvidence:
        mother, father = self.pairs[cross]
        if len(rows) > self.settings.max_markers_per_cross:
            rows = self._useful(rows, mother, father)
        return cross_evidence(self.panel, self.fixed, mother, father, self.settings, rows)

    def _useful(self, rows: Ints, mother: int, father: int) -> Ints:
        a, b = self.fixed[rows, mother], self.fixed[rows, father]
        known = (a >= 0) & (b >= 0)
        return rows[choose_markers(known & (a != b), known & (a == b), self.settings.max_markers_per_cross)]


def _smallest_note(
    choice: MarkerChoice, proven: int, borderline: int, attainable: int, crosses: int, settings: PlanSettings
) -> str:
    size = int(choice.chosen.sum())
    if choice.proven:
        how = "proven optimal, each marker counted by itself"
    elif settings.max_panel_markers:
        how = f"no set can reach more than {choice.bound:g} (gap {choice.gap:.0%})"
    else:
        how = f"no set can cost less than {choice.bound:g} (gap {choice.gap:.0%})"
    what = f"At most {settings.max_panel_markers} markers" if settings.max_panel_markers else "A smallest set"
    return (
        f"{what}: {size} markers prove {proven} of {crosses} crosses{_and_borderline(borderline)} "
        f"({attainable} are within reach of all markers together); cost or worth {choice.objective:g}, {how}."
    )


def _and_borderline(crosses: int) -> str:
    return f"; {crosses} more would be borderline" if crosses else ""


def _frame(
    panel: PanelGenotypes,
    smallest: MarkerChoice | None,
    added: MarkerChoice | None,
    on: Bools,
    differ: Bools,
    worth: Floats,
) -> pd.DataFrame:
    none = np.zeros(len(panel.markers), dtype=bool)
    return pd.DataFrame(
        {
            "marker": [str(x) for x in panel.markers.ids],
            "chrom": [str(x) for x in panel.markers.chrom],
            "pos": panel.markers.pos,
            "on_panel": panel.on_panel,
            "smallest_set": none if smallest is None else smallest.chosen,
            "add": none if added is None else added.chosen & ~on,
            "crosses": differ.sum(axis=0) if len(differ) else np.zeros(len(panel.markers), dtype=np.int64),
            "worth": worth,
            "call_rate": panel.call_rate,
            "false_heterozygote": panel.false_heterozygote,
            "dropout": panel.dropout,
            "cost": panel.cost,
        },
        columns=[c.name for c in MARKER_COLUMNS],
    )
