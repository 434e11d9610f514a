"""One call that makes a season's plan from objects already read; nothing here opens a file.

Tables are frames here and nowhere else in planning; the numbers come from the neighbouring modules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from crossproof.errors import Problem
from crossproof.model.arrays import Bools, Int8s, Ints
from crossproof.model.results import Provable
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.least_markers import LeastMarkers, least_markers
from crossproof.planning.markers.marker_plan import MarkerPlan, plan_markers
from crossproof.planning.numbers import TeamRates, flowers_needed, seeds_needed
from crossproof.planning.operator_view import week_loads
from crossproof.planning.plan_tables import (
    WEEK_COLUMNS,
    CrossPlan,
    crosses_frame,
    numbers_frame,
    plan_notes,
    samples_frame,
    seen_share,
    sisters_frame,
    waiting_notes,
)
from crossproof.planning.planned import (
    WaitingCross,
    all_pairs,
    contrast_counts,
    sister_lines,
    waiting_crosses,
)
from crossproof.planning.plate_plan import PlannedPlate, plan_plates, plates_needed
from crossproof.planning.plate_twins import fill_notes
from crossproof.planning.power.cross_power import CrossPower, cross_power, proven_by
from crossproof.planning.power.evidence import contrast_table, cross_evidence
from crossproof.planning.power.family_power import family_tail
from crossproof.text import agreeing, count_of

MOST_CROSSES = 500
"""Crosses whose power is computed; of more, those with the fewest contrast markers."""

TOTAL_DRAWS = 200_000
"""Monte Carlo draws of a whole plan; shared out over its crosses and classes."""

MOST_PLATED_CROSSES = 2000


@dataclass(frozen=True)
class Plan:
    """A plan ready to be written and drawn; the frames are not to be changed.

    `waiting`: planned crosses that wait for a parent to be typed; they are in `crosses` alone.
    """

    settings: PlanSettings
    crosses: pd.DataFrame
    markers: pd.DataFrame
    numbers: pd.DataFrame
    samples: pd.DataFrame
    weeks: pd.DataFrame
    sisters: pd.DataFrame
    plates: tuple[PlannedPlate, ...]
    waiting: tuple[WaitingCross, ...]
    marker_plan: MarkerPlan
    rates: TeamRates
    least: LeastMarkers
    from_list: bool
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]


def make_plan(
    *,
    settings: PlanSettings,
    panel: PanelGenotypes,
    planned: Sequence[PlannedCross] | None,
    rates: TeamRates,
    problems: Sequence[Problem] = (),
) -> Plan:
    """Plan a season.

    settings: `season_inputs.plan_settings`. panel: `season_inputs.panel_genotypes`. planned:
    `planned.read_planned`, or None for all pairs of lines, reciprocals once (then no plates are laid out);
    crosses with a parent that is not among the panel's lines wait.
    rates: `season_inputs.rates_so_far`. problems: those of the wish list, passed through.
    """
    notes: list[str] = []
    fixed = contrast_table(panel, settings.clear_share)
    on = panel.usable & panel.on_panel
    wished = planned if planned is not None else all_pairs(panel.lines, settings)
    ready, waiting = waiting_crosses(wished, panel.lines)
    crosses = list(ready)
    notes += waiting_notes(waiting)
    counts = contrast_counts(fixed, on)
    crosses = _fewest_first(crosses, counts, panel, notes)
    least = _least(panel, on, settings)
    need = _need(least, settings)
    plans, marker_plan = _cross_plans(crosses, panel, fixed, on, settings, rates, least)
    from_list = planned is not None
    plates = _plates(plans, settings, notes) if from_list else ()
    flowers = [p.cross.flowers or (p.flowers or 0) for p in plans]
    seen = float(np.mean([seen_share(p.power) for p in plans])) if plans else 1.0
    weeks = week_loads([p.cross for p in plans], flowers, rates, seen)
    sisters = sister_lines(panel.lines, list(panel.markers.ids), fixed, on, need)
    notes += plan_notes(plans, panel, rates, marker_plan, sisters, plates, settings, from_list)
    return Plan(
        settings=settings,
        crosses=crosses_frame(plans, waiting, settings),
        markers=marker_plan.frame,
        numbers=numbers_frame(plans, rates, settings),
        samples=samples_frame(plates),
        weeks=pd.DataFrame([vars(w) for w in weeks], columns=list(WEEK_COLUMNS)),
        sisters=sisters_frame(sisters),
        plates=plates,
        waiting=waiting,
        marker_plan=marker_plan,
        rates=rates,
        least=least,
        from_list=from_list,
        notes=tuple(notes),
        problems=tuple(problems),
    )


def _fewest_first(
    crosses: list[PlannedCross], counts: Ints, panel: PanelGenotypes, notes: list[str]
) -> list[PlannedCross]:
    if len(crosses) <= MOST_CROSSES:
        return crosses
    place = {line: i for i, line in enumerate(panel.lines)}
    known = np.array([counts[place[c.mother], place[c.father]] for c in crosses])
    kept = np.sort(np.argsort(known, kind="stable")[:MOST_CROSSES])
    notes.append(
        f"{len(crosses):,} crosses were asked for. The {MOST_CROSSES} with the fewest contrast markers are "
        f"worked "
        f"out; every other one has at least {int(np.sort(known)[MOST_CROSSES]):,} contrast markers."
    )
    return [crosses[i] for i in kept]


def _least(panel: PanelGenotypes, on: Bools, settings: PlanSettings) -> LeastMarkers:
    use = on if on.any() else panel.usable
    middle = [
        float(np.median(x[use])) if use.any() else fallback
        for x, fallback in (
            (panel.false_heterozygote, 0.005),
            (panel.dropout, 0.02),
            (panel.call_rate, 0.9),
        )
    ]
    return least_markers(middle[0], middle[1], middle[2], settings)


def _need(least: LeastMarkers, settings: PlanSettings) -> int:
    wish = least.all_of_the_parents if settings.prove_all_classes else least.hybrid_and_self
    return wish if wish is not None else 2 * (least.hybrid_and_self or 30)


def _cross_plans(
    crosses: Sequence[PlannedCross],
    panel: PanelGenotypes,
    fixed: Int8s,
    on: Bools,
    settings: PlanSettings,
    rates: TeamRates,
    least: LeastMarkers,
) -> tuple[list[CrossPlan], MarkerPlan]:
    place = {line: i for i, line in enumerate(panel.lines)}
    pairs = [(place[c.mother], place[c.father]) for c in crosses]
    # In steps, so that one cross more on the list does not change the draws of all others.
    share = TOTAL_DRAWS / (4 * max(len(crosses), 1))
    draws = min(settings.draws, next((n for n in (5000, 2000, 1000, 500, 200) if n <= share), 100))
    today = np.where(on[:, None], fixed, -1).astype(np.int8)
    powers: list[CrossPower] = []
    families: list[tuple[float, float]] = []
    for i, (mother, father) in enumerate(pairs):
        evidence = cross_evidence(panel, today, mother, father, settings)
        # Each cross draws from its own stream, so that a cross added to the list changes no other.
        rng = np.random.default_rng([settings.seed, *crosses[i].name.encode()])
        power = cross_power(evidence, settings, draws, rng)
        powers.append(power)
        if min(power.against_self, power.against_hybrid) > 0.9999 or power.provable is Provable.NO:
            families.append((power.against_self, power.against_hybrid))
        else:
            tails = family_tail(panel, evidence, mother, father, settings, settings.family_size)
            families.append((tails[0].value, tails[1].value))
    reached = [proven_by(p, settings) for p in powers]
    marker_plan = plan_markers(crosses, pairs, reached, panel, fixed, settings, _need(least, settings))
    needed: dict[tuple[int, float], tuple[int | None, int | None]] = {}
    plans = []
    for i, cross in enumerate(crosses):
        seen = round(seen_share(powers[i]), 3)
        key = (cross.target_hybrids, seen)
        if key not in needed:
            cluster = max(1, round(rates.mean_seeds))
            wanted = settings.success_probability
            needed[key] = (
                seeds_needed(cross.target_hybrids, wanted, rates, seen, cluster),
                flowers_needed(cross.target_hybrids, wanted, rates, seen),
            )
        plans.append(
            CrossPlan(
                cross=cross,
                power=powers[i],
                family_hybrid=families[i][0],
                family_self=families[i][1],
                provable=powers[i].provable,
                all_classes=proven_by(powers[i], replace(settings, prove_all_classes=True)),
                further=marker_plan.missing[i],
                suggested=marker_plan.suggested[i],
                seeds=needed[key][0],
                flowers=needed[key][1],
            )
        )
    return plans, marker_plan


def _plates(plans: Sequence[CrossPlan], settings: PlanSettings, notes: list[str]) -> tuple[PlannedPlate, ...]:
    able = [p for p in plans if p.cross.seeds or p.seeds]
    left_out = len(plans) - len(able)
    if left_out:
        notes.append(
            f"{count_of(left_out, 'cross', 'crosses')} {agreeing(left_out, 'is', 'are')} on no plate: no "
            "number of seeds gives the hybrids wanted with the wanted probability."
        )
    if len(able) > MOST_PLATED_CROSSES:
        notes.append(f"Plates are laid out for the first {MOST_PLATED_CROSSES} crosses.")
        able = able[:MOST_PLATED_CROSSES]
    if not able:
        return ()
    plants = [p.cross.seeds or int(p.seeds or 0) for p in able]
    crosses = [p.cross for p in able]
    plates = plan_plates(crosses, plants, settings)
    notes += fill_notes(plates, plates_needed(crosses, plants, replace(settings, split_families=True)))
    return plates
