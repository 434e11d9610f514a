"""The plan's tables and the remarks that go with them, from what was worked out cross by cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.model.results import CLASSES, Provable
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.marker_plan import MarkerPlan
from crossproof.planning.numbers import MOST_SEEDS, TeamRates, sedcole
from crossproof.planning.operator_view import CAUTION
from crossproof.planning.plan_columns import CROSS_COLUMNS, NUMBER_COLUMNS
from crossproof.planning.planned import REMEDY_UNTYPED, SisterLines, WaitingCross
from crossproof.planning.plate_plan import PlannedPlate
from crossproof.planning.plate_twins import alike_notes
from crossproof.planning.power.cross_power import CrossPower
from crossproof.planning.power.exclusion import combined, fits_own_alone, marker_exclusion
from crossproof.text import agreeing, count_of, percent, probability

_NAMED = 10

WEEK_COLUMNS = ("week", "operator", "crosses", "flowers", "wanted", "expected", "low", "high")


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
    provable: Provable
    all_classes: bool
    further: int
    suggested: tuple[str, ...]
    seeds: int | None
    flowers: int | None


def seen_share(power: CrossPower) -> float:
    value = float(power.right[0])
    return value if np.isfinite(value) else 0.0


def crosses_frame(
    plans: Sequence[CrossPlan], waiting: Sequence[WaitingCross], settings: PlanSettings
) -> pd.DataFrame:
    """plan_crosses.csv: one row per planned cross; those that wait for a parent come last, their numbers
    empty."""
    rows = []
    for p in plans:
        row: dict[str, object] = {
            "cross_id": p.cross.cross_id,
            "mother": p.cross.mother,
            "father": p.cross.father,
            "verifiable": str(p.provable),
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
    rows += [
        {
            "cross_id": w.cross.cross_id,
            "mother": w.cross.mother,
            "father": w.cross.father,
            "verifiable": str(Provable.UNTYPED),
            "all_classes": False,
            "suggested_markers": "",
        }
        for w in waiting
    ]
    frame = pd.DataFrame(rows, columns=[c.name for c in CROSS_COLUMNS])
    return frame.astype(dict.fromkeys(("contrast_markers", "further_markers", "family_size"), "Int64"))


def waiting_notes(waiting: Sequence[WaitingCross]) -> list[str]:
    """A remark on the crosses that nothing can be said of yet."""
    if not waiting:
        return []
    lines = list(dict.fromkeys(line for w in waiting for line in w.untyped))
    named = ", ".join(lines[:_NAMED]) + (f" and {len(lines) - _NAMED} more" if len(lines) > _NAMED else "")
    return [
        f"{count_of(len(waiting), 'cross', 'crosses')} cannot be planned yet, as "
        f"{agreeing(len(lines), 'a parent has', 'parents have')} no genotypes on the panel: {named}. "
        f"{REMEDY_UNTYPED}"
    ]


def numbers_frame(plans: Sequence[CrossPlan], rates: TeamRates, settings: PlanSettings) -> pd.DataFrame:
    """plan_numbers.csv: seeds, flowers and wells, cross by cross."""
    rows = []
    for p in plans:
        seen = seen_share(p.power)
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


def plan_notes(
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
            "hybrid rate": f"a hybrid rate of {percent(rates.hybrid_rate)}",
            "pod set": f"a pod set of {percent(rates.pod_set)}",
            "seeds per pod": f"{rates.mean_seeds:g} seeds per pod",
        }
        listed = ", ".join(parts[a] for a in rates.assumed)
        notes.append(f"Without records of the team, {listed} are assumed, with wide limits.")
    notes += marker_plan.notes
    notes += _naming(plans, panel, settings)
    same = sum(s.on_panel == 0 for s in sisters)
    if same:
        notes.append(
            f"{count_of(same, 'pair')} of lines {agreeing(same, 'is', 'are')} told apart by no marker on the "
            "panel."
        )
    hard = [plate for plate in plates if plate.unseen]
    if hard:
        worst = max(hard, key=lambda plate: len(plate.unseen))
        some = ", ".join(worst.unseen[:3]) + (" ..." if len(worst.unseen) > 3 else "")
        notes.append(
            f"On {len(hard)} of {len(plates)} plates some ways to misplace a strip would show in fewer than "
            f"two wells, most on {worst.name}: {len(worst.unseen)} ({some}). More blanks, or parents in more "
            "wells, would show them."
        )
    one_line = [(s.first, s.second) for s in sisters if s.on_panel == 0]
    notes += alike_notes(plates, [p.cross for p in plans], one_line)
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
        f"Among the {count_of(len(mothers), 'mother')} and {count_of(len(fathers), 'father')} planned, a "
        f"hybrid fits its own two parents alone with probability {probability(chance)}, if the lines were "
        "unrelated and every call correct. That says how surely the true cross of a swapped tag could be "
        "named."
    ]
