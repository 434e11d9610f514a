"""The list of faults and of faultless kinds of season that plate_seasons.py measures."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from assay_disturbances import (
    dead_plates,
    edge_failed,
    marker_wrong,
    nothing,
    parent_spilled,
    pods_exchanged,
    tags_reversed,
    tips_carry_over,
)
from disturbed_seasons import Fault
from plate_disturbances import (
    column_shifted,
    half_filled,
    half_sorted,
    half_turned,
    halves,
    quadrant,
    quadrants_exchanged,
    rotated,
    row_missing,
    scrambled,
    sorted_as_text,
    strip_copied,
)

from crossproof.simulate import BatchFormat, SeasonPlan


def season_plan(fault: Fault, rng: np.random.Generator) -> SeasonPlan:
    """The plan of a season of two or three plates; its parents on each plate or on the first alone."""
    base = SeasonPlan(
        n_lines=10,
        n_crosses=14,
        plants_per_cross=11,
        parent_departure=0.02,
        missing=0.04,
        bad_assays=0.05,
        failed_wells=0.02,
        base_self=0.25,
        blanks_per_plate=2,
        panel_on_every_plate=bool(rng.random() < 0.5),
    )
    return replace(base, **fault.plan)  # type: ignore[arg-type]


BIG: dict[str, object] = {
    "plate_wells": 384,
    "n_crosses": 32,
    "plants_per_cross": 11,
    "n_lines": 14,
    "blanks_per_plate": 4,
}


FAULTS = [
    Fault("two dead plates beside a good one", dead_plates, {"n_crosses": 20, "panel_on_every_plate": True}),
    Fault(
        "half-filled plate turned",
        half_filled,
        {"n_crosses": 10, "plants_per_cross": 12, "panel_on_every_plate": True},
    ),
    Fault(
        "rotated, single parent tubes",
        rotated,
        {"n_crosses": 7, "line_replicates": 1, "panel_on_every_plate": False},
    ),
    Fault("15 % of the progeny scrambled", scrambled(0.15)),
    Fault("30 % of the progeny scrambled", scrambled(0.30)),
    Fault("45 % of the progeny scrambled", scrambled(0.45)),
    Fault("half of the sheet sorted", half_sorted),
    Fault("whole sheet sorted as text", sorted_as_text),
    Fault("shifted from a row on", row_missing),
    Fault("384: quadrant rotated", quadrant, BIG),
    Fault("384: quadrants exchanged", quadrants_exchanged, BIG),
    Fault("halves exchanged, left and right", halves(True)),
    Fault("halves exchanged, top and bottom", halves(False)),
    Fault("half of the plate turned within itself", half_turned),
    Fault("one column shifted by a well", column_shifted),
    Fault("row or column copied over its neighbour", strip_copied),
    Fault("mother and father exchanged on a tag", tags_reversed, {"n_crosses": 14, "base_self": 0.4}),
    Fault("pods exchanged", pods_exchanged),
    Fault("parent spilled, calls", parent_spilled(False)),
    Fault(
        "parent spilled, reads", parent_spilled(True), {"formats": (BatchFormat.VCF_DEPTH,), "depth": 25.0}
    ),
    Fault("tips carry over from the column before", tips_carry_over),
    Fault("a marker wrong on one plate", marker_wrong),
    Fault("edge wells failed", edge_failed),
]


CLEAN_KINDS: dict[str, dict[str, object]] = {
    "two plates": {},
    "one plate, single parent tubes": {"n_crosses": 7, "line_replicates": 1, "panel_on_every_plate": False},
    "three plates": {"n_crosses": 20, "panel_on_every_plate": True},
    "384 wells": BIG,
    "parents that depart from their lines": {"parent_departure": 0.05, "missing": 0.08, "dropout": 0.04},
    "bad assays": {"bad_assays": 0.15},
    "much foreign pollen": {"outcross": 0.2},
    "one donor for a pod": {"pod_donors": 1.0},
    "much seed off pedigree": {"off_pedigree": 0.06},
    "sister lines": {"sister_groups": 2, "sisters_per_group": 2},
    "reads": {"formats": (BatchFormat.VCF_DEPTH,), "depth": 12.0},
    "failed wells": {"failed_wells": 0.1},
}


CLEAN = [Fault(f"no fault: {name}", nothing, plan) for name, plan in CLEAN_KINDS.items()]
