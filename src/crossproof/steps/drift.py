"""How far the kept run-wide estimates are from fresh ones, and which verdicts those would change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from crossproof.inference.run_wide.expectation import sample_families
from crossproof.inference.season_model import (
    FamilyInput,
    Panel,
    Settings,
    Wells,
    fit_panel,
    judge,
    panel_from_arrays,
    prepare_crosses,
    verify_family,
)
from crossproof.io.calls.store import read_arrays
from crossproof.model.plates import Role
from crossproof.season.evidence import (
    batches_of,
    cross_records,
    family_inputs,
    line_inputs,
    load_wells,
    model_settings,
    read_joined,
    read_located,
    steady,
)
from crossproof.season.index import SeasonIndex, read_record
from crossproof.season.kept_loops import loops_are_kept
from crossproof.season.work_folder import write_kept
from crossproof.steps.calibrate import read_estimates


def drift(index: SeasonIndex) -> None:
    """Make a fresh estimate; write how far the kept one is off, and which verdicts it would change."""
    folder, settings = index.folder, model_settings(index.config)
    header, arrays = read_arrays(folder.work("panel", "fit"))
    kept = read_estimates(folder.calibration)
    if header["first"] or kept is None:
        write_kept(folder.work("drift.json"), {"first": True})
        return
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    joined, panel = read_joined(folder.work("panel", "joined")), panel_from_arrays(arrays)
    located = read_located(folder.work("panel", "located"))
    at = located[0].tolist()
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, at)]
    sample = sample_families(families, len(joined.markers))
    wanted = np.zeros(len(samples), dtype=bool)
    wanted[[w for f in sample for p in f.plants for w in p.wells]] = True
    wanted |= (samples["role"] == Role.PARENT).to_numpy()
    wells = load_wells(folder, joined, located, wanted)
    lines = line_inputs(samples, located[0], index.config)
    fresh = steady(fit_panel(wells, lines, sample, settings, kept_loops=loops_are_kept()))
    write_kept(folder.work("drift.json"), _drift(panel, fresh, wells, families, crosses, settings))


def _drift(
    kept: Panel,
    fresh: Panel,
    wells: Wells,
    families: Sequence[FamilyInput],
    crosses: pd.DataFrame,
    settings: Settings,
) -> dict[str, Any]:
    """How far fresh estimates are from the kept ones, and which verdicts of the sample they would change."""
    records = cross_records(crosses)
    sample = sample_families(families, len(wells.markers))
    others = prepare_crosses(records, kept), prepare_crosses(records, fresh)
    changed = []
    for family in sample:
        before = verify_family(family, wells, kept, settings, others[0])
        after = verify_family(family, wells, fresh, settings, others[1])
        for i, plant in enumerate(before.plants):
            old, new = judge(before, i, settings).verdict, judge(after, i, settings).verdict
            if old is not new:
                changed.append([str(plant), str(old), str(new)])
    return {
        "first": False,
        "parent_departure": [round(kept.h, 5), round(fresh.h, 5)],
        "class_prior": [np.round(p.class_prior, 5).tolist() for p in (kept, fresh)],
        "largest_change_false_heterozygote": round(float(np.abs(kept.f - fresh.f).max(initial=0)), 5),
        "largest_change_dropout": round(float(np.abs(kept.d - fresh.d).max(initial=0)), 5),
        "families_compared": len(sample),
        "families": len(families),
        "verdicts_that_would_change": sorted(changed),
    }
