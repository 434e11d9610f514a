"""Which markers to add, and the smallest set that would do, put to the planned crosses and checked on
them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Int8s
from crossproof.model.results import Provable
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.full_model import FullModel
from crossproof.planning.markers.least_markers import marker_worth
from crossproof.planning.markers.proven_set import FEW_MARKERS, ProvenSet, smallest_proven
from crossproof.planning.markers.smallest_set import MarkerChoice, PanelTask, choose
from crossproof.planning.plan_columns import MARKER_COLUMNS
from crossproof.text import agreeing, count_of

_THOROUGH = 6000
_LOOKS = 400
_LOOKS_A_CROSS = 15
"""How many marker sets are put to the full model in search of a smaller one: many where markers are few."""


@dataclass(frozen=True)
class MarkerPlan:
    """`missing` (cross): contrast markers still lacking, 0 where none; `suggested` (cross): markers to add
    for it.

    `smallest`, `added`: the two marker sets with their optimality gap; None where not asked or nothing to
    add. `proven_by_smallest`: crosses that the smallest set was checked to prove, of
    `attainable` with all markers.
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
    of typical quality that prove a cross. Sets are searched for under the full model (`proven_set`); with
    at most so many markers allowed, each marker counts by itself.
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
    still_open = int(open_cross.sum())
    missing = np.where(open_cross, np.maximum(1, np.ceil(need - have - 1e-9)), 0).astype(np.int64)
    ids = [str(x) for x in panel.markers.ids]
    forced_in = np.isin(np.array(ids, dtype=object), list(settings.forced_in))
    forced_out = np.isin(np.array(ids, dtype=object), list(settings.forced_out)) & ~forced_in
    forced_out |= ~panel.usable & ~forced_in
    unknown = [m for m in (*settings.forced_in, *settings.forced_out) if m not in set(ids)]
    if unknown:
        notes.append(f"Markers to force that no file holds, ignored: {', '.join(unknown)}.")
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
    smallest, proven = None, 0
    model = _model(pairs, panel, fixed, settings, ~forced_out)
    targets, open_still = model.attainable(~forced_out)
    if crosses and settings.max_panel_markers:
        smallest = choose(task, at_most=settings.max_panel_markers, seconds=settings.solver_seconds)
    elif targets.any():
        smallest = _smallest(task, model, targets, settings).choice
    if smallest is not None:
        states = model.states(np.flatnonzero(smallest.reached), smallest.chosen)
        proven, borderline = states.count(Provable.YES), states.count(Provable.BORDERLINE)
        smallest = replace(
            smallest, proven=smallest.proven and (not borderline or bool(settings.max_panel_markers))
        )
        whole = int(targets.sum()), int(open_still.sum())
        few = int((~forced_out).sum()) <= FEW_MARKERS
        notes.append(_smallest_note(smallest, (proven, borderline), whole, len(crosses), few, settings))
    added: MarkerChoice | None = None
    suggested: tuple[tuple[str, ...], ...] = tuple(() for _ in crosses)
    candidates = panel.usable & ~panel.on_panel & ~forced_out
    if open_cross.any() and candidates.any():
        more = replace(
            task,
            forced_in=(on | forced_in) & ~forced_out,
            forced_out=forced_out | ~(on | candidates | forced_in),
            min_per_chromosome=0,
            min_spacing=0,
        )
        # What is borderline today is what further markers are for.
        larger = _model(pairs, panel, fixed, settings, ~more.forced_out)
        mendable = open_cross & larger.attainable(~more.forced_out)[0]
        found = _smallest(more, larger, mendable, settings)
        added, needs = found.choice, np.where(mendable, found.needs, need)
        states = larger.states(np.flatnonzero(added.reached & open_cross), added.chosen)
        mended = states.count(Provable.YES)
        new = added.chosen & ~on
        has = (weight[:, on] > 0).sum(axis=1)
        missing = np.where(open_cross, np.maximum(missing, needs - has), 0).astype(np.int64)
        suggested = tuple(
            tuple(ids[j] for j in np.flatnonzero(new & differ[i])) if open_cross[i] else ()
            for i in range(len(crosses))
        )
        notes.append(
            f"{count_of(int(new.sum()), 'further marker')} would prove {mended} of the "
            f"{count_of(still_open, 'cross', 'crosses')} that cannot be proven for certain today"
            f"{_and_borderline(states.count(Provable.BORDERLINE))}."
        )
    elif open_cross.any():
        notes.append(
            f"{count_of(still_open, 'cross', 'crosses')} {agreeing(still_open, 'needs', 'need')} further "
            "contrast markers, and no candidate markers (typed in the lines, not on the panel) are known. "
            "Type the lines at more markers, or choose other parents."
        )
    return MarkerPlan(
        missing=tuple(int(x) for x in missing),
        suggested=suggested,
        smallest=smallest,
        added=added,
        proven_by_smallest=proven,
        attainable=int(targets.sum()),
        frame=_frame(panel, smallest, added, on, differ, worth),
        notes=tuple(notes),
    )


def _model(
    pairs: Sequence[tuple[int, int]],
    panel: PanelGenotypes,
    fixed: Int8s,
    settings: PlanSettings,
    allowed: Bools,
) -> FullModel:
    rough = int(allowed.sum()) > FEW_MARKERS
    return FullModel(pairs, panel, fixed, settings, rough=rough)


def _smallest(task: PanelTask, model: FullModel, targets: Bools, settings: PlanSettings) -> ProvenSet:
    crosses, markers = int(targets.sum()), int((~task.forced_out).sum())
    return smallest_proven(
        task, model, targets,
        looks=_THOROUGH if markers <= FEW_MARKERS else max(_LOOKS, _LOOKS_A_CROSS * crosses),
        seconds=settings.solver_seconds,
    )  # fmt: skip


def _smallest_note(
    choice: MarkerChoice,
    by_set: tuple[int, int],
    by_all: tuple[int, int],
    crosses: int,
    few: bool,
    settings: PlanSettings,
) -> str:
    """by_set, by_all: crosses proven and borderline with the chosen and with all markers; few: of so few
    markers that every set could be gone through."""
    size = int(choice.chosen.sum())
    counted = count_of(size, "marker")
    if settings.max_panel_markers:
        what = f"At most {settings.max_panel_markers} markers"
        how = f"Each marker counted by itself, their worth is {choice.objective:g}, and "
        how += "no set has more." if choice.proven else f"no set can have more than {choice.bound:g}."
    elif choice.proven:
        what, how = "The smallest set", "No smaller set proves as many."
        if choice.objective != size:
            what, how = "The cheapest set", f"It costs {choice.objective:g}; no cheaper set proves as many."
    else:
        what, how = "A small set", "No smaller set was found"
        if choice.objective != size:
            what, how = "A cheap set", f"It costs {choice.objective:g}. No cheaper set was found"
        # Of many markers nothing strict is known of smaller sets.
        how += (
            f", and none below {choice.bound:g} can prove as many."
            if few
            else f"; by a count of contrast markers, {choice.bound:g} or more are to be expected."
        )
    return (
        f"{what}: {counted} {agreeing(size, 'proves', 'prove')} {by_set[0]} of "
        f"{count_of(crosses, 'cross', 'crosses')}{_and_borderline(by_set[1])}. "
        f"All markers together prove {by_all[0]}{_and_borderline(by_all[1])}. {how}"
    )


def _and_borderline(crosses: int) -> str:
    return f" ({crosses} more would be borderline)" if crosses else ""


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
