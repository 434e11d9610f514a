"""One call that makes a season's plan from objects already read; nothing here opens a file.

Tables are frames here and nowhere else in planning; the numbers come from the neighbouring modules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.errors import Problem
from crossproof.model.results import CLASSES
from crossproof.planning.evidence import contrast_table, cross_evidence
from crossproof.planning.exclusion import combined, fits_own_alone, marker_exclusion
from crossproof.planning.family_power import family_tail
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.least_markers import LeastMarkers, least_markers
from crossproof.planning.marker_plan import MarkerPlan, plan_markers
from crossproof.planning.numbers import MOST_SEEDS, TeamRates, flowers_needed, sedcole, seeds_needed
from crossproof.planning.operator_view import CAUTION, week_loads
from crossproof.planning.plan_columns import CROSS_COLUMNS, NUMBER_COLUMNS
from crossproof.planning.planned import SisterLines, all_pairs, contrast_counts, sister_lines
from crossproof.planning.plate_plan import PlannedPlate, plan_plates
from crossproof.planning.power import CrossPower, cross_power, proven_by

MOST_CROSSES = 500
"""Crosses whose power is computed; of more, those with the fewest contrast markers."""

TOTAL_DRAWS = 200_000
"""Monte Carlo draws of a whole plan; shared out over its crosses and classes."""

SHARP_CROSSES = 60
"""More crosses than this get Chernoff's bounds only; what they leave open is Monte Carlo."""

MOST_PLATED_CROSSES = 2000


@dataclass(frozen=True)
class CrossPlan:
    """What is known of one planned cross. `power` None: a line of it has no contrast data at all.

    `family_hybrid`, `family_self`: against each other in a family, exact. `seeds`, `flowers`: needed, None
    where more than any number looked at. `further`: contrast markers still missing, 0 where none.
    """

    cross: PlannedCross
    power: CrossPower
    family_hybrid: float
    family_self: float
    verifiable: bool
    all_classes: bool
    further: int
    suggested: tuple[str, ...]
    seeds: int | None
    flowers: int | None


@dataclass(frozen=True)
class Plan:
    """A plan ready to be written and drawn; the frames are not to be changed."""

    settings: PlanSettings
    crosses: pd.DataFrame
    markers: pd.DataFrame
    numbers: pd.DataFrame
    samples: pd.DataFrame
    weeks: pd.DataFrame
    sisters: pd.DataFrame
    plates: tuple[PlannedPlate, ...]
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
    `planned.read_planned`, or None for all pairs of lines, reciprocals once (then no plates are laid out).
    rates: `season_inputs.rates_so_far`. problems: those of the wish list, passed through.
    """
    notes: list[str] = []
    fixed = contrast_table(panel, settings.clear_share)
    on = panel.usable & panel.on_panel
    crosses = list(planned) if planned is not None else list(all_pairs(panel.lines, settings))
    counts = contrast_counts(fixed, on)
    crosses = _fewest_first(crosses, counts, panel, notes)
    least = _least(panel, on, settings)
    need = _need(least, settings)
    plans, marker_plan = _cross_plans(crosses, panel, fixed, on, settings, rates, least)
    from_list = planned is not None
    plates = _plates(plans, settings, notes) if from_list else ()
    flowers = [p.cross.flowers or (p.flowers or 0) for p in plans]
    seen = float(np.mean([_seen(p.power) for p in plans])) if plans else 1.0
    weeks = week_loads([p.cross for p in plans], flowers, rates, seen)
    sisters = sister_lines(panel.lines, list(panel.markers.ids), fixed, on, need)
    notes += _notes(plans, panel, rates, marker_plan, sisters, plates, settings, from_list)
    return Plan(
        settings=settings,
        crosses=crosses_frame(plans, settings),
        markers=marker_plan.frame,
        numbers=numbers_frame(plans, rates, settings),
        samples=samples_frame(plates),
        weeks=pd.DataFrame([vars(w) for w in weeks], columns=list(WEEK_COLUMNS)),
        sisters=sisters_frame(sisters),
        plates=plates,
        marker_plan=marker_plan,
        rates=rates,
        least=least,
        from_list=from_list,
        notes=tuple(notes),
        problems=tuple(problems),
    )


WEEK_COLUMNS = ("week", "operator", "crosses", "flowers", "wanted", "expected", "low", "high")


def _fewest_first(
    crosses: list[PlannedCross], counts: NDArray[np.int64], panel: PanelGenotypes, notes: list[str]
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


def _least(panel: PanelGenotypes, on: NDArray[np.bool_], settings: PlanSettings) -> LeastMarkers:
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
    fixed: NDArray[np.int8],
    on: NDArray[np.bool_],
    settings: PlanSettings,
    rates: TeamRates,
    least: LeastMarkers,
) -> tuple[list[CrossPlan], MarkerPlan]:
    place = {line: i for i, line in enumerate(panel.lines)}
    pairs = [(place[c.mother], place[c.father]) for c in crosses]
    settings = replace(settings, sharp_bounds=settings.sharp_bounds and len(crosses) <= SHARP_CROSSES)
    draws = int(min(settings.draws, TOTAL_DRAWS / (4 * max(len(crosses), 1))))
    today = np.where(on[:, None], fixed, -1).astype(np.int8)
    powers: list[CrossPower] = []
    families: list[tuple[float, float]] = []
    for i, (mother, father) in enumerate(pairs):
        evidence = cross_evidence(panel, today, mother, father, settings)
        # Each cross draws from its own stream, so that a cross added to the list changes no other.
        rng = np.random.default_rng([settings.seed, *crosses[i].name.encode()])
        power = cross_power(evidence, settings, draws, rng)
        powers.append(power)
        if min(power.against_self, power.against_hybrid) > 0.9999 or not power.contrast:
            families.append((power.against_self, power.against_hybrid))
        else:
            tails = family_tail(panel, evidence, mother, father, settings, settings.family_size)
            families.append((tails[0].value, tails[1].value))
    reached = [proven_by(p, settings) for p in powers]
    marker_plan = plan_markers(crosses, pairs, reached, panel, fixed, settings, _need(least, settings))
    needed: dict[tuple[int, float], tuple[int | None, int | None]] = {}
    plans = []
    for i, cross in enumerate(crosses):
        seen = round(_seen(powers[i]), 3)
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
                verifiable=powers[i].verifiable(settings.wanted),
                all_classes=bool(np.nan_to_num(powers[i].right).min() >= settings.wanted),
                further=marker_plan.missing[i],
                suggested=marker_plan.suggested[i],
                seeds=needed[key][0],
                flowers=needed[key][1],
            )
        )
    return plans, marker_plan


def _seen(power: CrossPower) -> float:
    value = float(power.right[0])
    return value if np.isfinite(value) else 0.0


def _plates(plans: Sequence[CrossPlan], settings: PlanSettings, notes: list[str]) -> tuple[PlannedPlate, ...]:
    able = [p for p in plans if p.cross.seeds or p.seeds]
    if len(able) < len(plans):
        notes.append(
            f"{len(plans) - len(able)} crosses are on no plate: no number of seeds gives their hybrids at "
            f"the wanted "
            "probability."
        )
    if len(able) > MOST_PLATED_CROSSES:
        notes.append(f"Plates are laid out for the first {MOST_PLATED_CROSSES} crosses.")
        able = able[:MOST_PLATED_CROSSES]
    plants = [p.cross.seeds or int(p.seeds or 0) for p in able]
    return plan_plates([p.cross for p in able], plants, settings) if able else ()


def crosses_frame(plans: Sequence[CrossPlan], settings: PlanSettings) -> pd.DataFrame:
    """plan_crosses.csv: one row per planned cross."""
    rows = []
    for p in plans:
        row: dict[str, object] = {
            "cross_id": p.cross.cross_id,
            "mother": p.cross.mother,
            "father": p.cross.father,
            "verifiable": p.verifiable,
            "all_classes": p.all_classes,
            "contrast_markers": p.power.contrast,
            "expected_scored": p.power.expected_scored,
            "further_markers": p.further,
            "suggested_markers": ";".join(p.suggested),
        }
        for place, verdict in enumerate(CLASSES):
            row[f"p_{verdict}"] = p.power.right[place]
            row[f"p_{verdict}_low"] = p.power.low[place]
            row[f"p_{verdict}_high"] = p.power.high[place]
            row[f"p_{verdict}_how"] = "exact" if p.power.exact[place] else "Monte Carlo"
        row["hybrid_against_self"] = p.power.against_self
        row["self_against_hybrid"] = p.power.against_hybrid
        row["family_size"] = settings.family_size
        row["family_hybrid_against_self"] = p.family_hybrid
        row["family_self_against_hybrid"] = p.family_self
        row["whole_family_right"] = max(0.0, 1 - settings.family_size * (1 - float(p.power.right[:2].min())))
        rows.append(row)
    return pd.DataFrame(rows, columns=[c.name for c in CROSS_COLUMNS])


def numbers_frame(plans: Sequence[CrossPlan], rates: TeamRates, settings: PlanSettings) -> pd.DataFrame:
    """plan_numbers.csv: seeds, flowers and wells, cross by cross."""
    rows = []
    for p in plans:
        seen = _seen(p.power)
        fixed = min(max(rates.hybrid_rate * seen, 0.0), 1.0)
        plants = p.cross.seeds or p.seeds
        target = p.cross.target_hybrids
        rows.append(
            {
                "cross_id": p.cross.cross_id,
                "mother": p.cross.mother,
                "father": p.cross.father,
                "target_hybrids": target,
                "probability": settings.success_probability,
                "hybrid_rate": rates.hybrid_rate,
                "verified_share": seen,
                "seeds_to_test": p.seeds,
                "seeds_fixed_rate": sedcole(fixed, target, settings.success_probability)
                if fixed > target / MOST_SEEDS and target > 0
                else None,
                "flowers_to_pollinate": p.flowers,
                "flowers_planned": p.cross.flowers or None,
                "wells": plants,
                "test_cost": plants * settings.test_cost if plants and settings.test_cost else None,
            }
        )
    frame = pd.DataFrame(rows, columns=[c.name for c in NUMBER_COLUMNS])
    whole = ["target_hybrids", "seeds_to_test", "seeds_fixed_rate", "flowers_to_pollinate", "flowers_planned"]
    return frame.astype(dict.fromkeys([*whole, "wells"], "Int64"))


def samples_frame(plates: Sequence[PlannedPlate]) -> pd.DataFrame:
    """plan_samples.csv: a samples sheet ready to use, in the columns of the input contract."""
    rows = [
        {
            "sample_id": f"{w.plate}_{w.well}",
            "batch": "",
            "plate": w.plate,
            "well": w.well,
            "role": w.role,
            "line": w.line,
            "cross_id": w.cross_id,
            "pod": "",
            "plant": w.plant,
            "inbreeding": "",
        }
        for plate in plates
        for w in plate.wells
    ]
    columns = [
        "sample_id",
        "batch",
        "plate",
        "well",
        "role",
        "line",
        "cross_id",
        "pod",
        "plant",
        "inbreeding",
    ]
    return pd.DataFrame(rows, columns=columns)


def sisters_frame(sisters: Sequence[SisterLines]) -> pd.DataFrame:
    """Pairs of lines that the panel tells apart too little."""
    rows = [
        {
            "line": s.first,
            "other_line": s.second,
            "contrast_markers": s.on_panel,
            "markers_that_would": ";".join(s.candidates),
        }
        for s in sisters
    ]
    return pd.DataFrame(rows, columns=["line", "other_line", "contrast_markers", "markers_that_would"])


def _notes(
    plans: Sequence[CrossPlan],
    panel: PanelGenotypes,
    rates: TeamRates,
    marker_plan: MarkerPlan,
    sisters: Sequence[SisterLines],
    plates: Sequence[PlannedPlate],
    settings: PlanSettings,
    from_list: bool,
) -> list[str]:
    notes = []
    if not from_list:
        notes.append("There is no wish list, so every pair of lines is shown, reciprocal crosses once.")
    if rates.assumed:
        parts = {
            "hybrid rate": f"a hybrid rate of {rates.hybrid_rate:.0%}",
            "pod set": f"a pod set of {rates.pod_set:.0%}",
            "seeds per pod": f"{rates.mean_seeds:g} seeds per pod",
        }
        listed = ", ".join(parts[a] for a in rates.assumed)
        notes.append(f"Without records of the team, {listed} are assumed, with wide limits.")
    notes += marker_plan.notes
    notes += _naming(plans, panel, settings)
    same = sum(s.on_panel == 0 for s in sisters)
    if same:
        notes.append(f"{same} pairs of lines are told apart by no marker on the panel.")
    for plate in plates:
        if plate.unseen:
            some = ", ".join(plate.unseen[:3]) + (" ..." if len(plate.unseen) > 3 else "")
            notes.append(
                f"Plate {plate.name}: {len(plate.unseen)} ways to misplace a strip would show in fewer "
                f"than two wells "
                f"({some}). More blanks or parents in more wells would show them."
            )
    if any(p.cross.week or p.cross.operator for p in plans):
        notes.append(CAUTION)
    return notes


def _naming(plans: Sequence[CrossPlan], panel: PanelGenotypes, settings: PlanSettings) -> list[str]:
    """Whether a swapped tag could be named: how often a plant fits no other pair of the list."""
    mothers, fathers = {p.cross.mother for p in plans}, {p.cross.father for p in plans}
    if len(mothers) * len(fathers) < 2:
        return []
    one, pair = [], []
    for block in panel.blocks:
        use = (panel.usable & panel.on_panel)[block.rows]
        q_one, q_pair = marker_exclusion(block.pool[use], settings.inbreeding)
        one.append(q_one)
        pair.append(q_pair)
    chance = fits_own_alone(
        combined(np.concatenate(one)), combined(np.concatenate(pair)), len(mothers), len(fathers)
    )
    return [
        f"Of the {len(mothers)} mothers and {len(fathers)} fathers planned, a hybrid fits its own two "
        f"parents alone "
        f"with probability {chance:.3f}, were they unrelated and every call right: how surely a swapped "
        f"tag could be "
        "named."
    ]
