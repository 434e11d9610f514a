"""Run-wide estimates: made at the first run, kept in calibration.json, an input ever after."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.errors import InputError, error
from crossproof.inference.calibration import (
    Calibration,
    calibration_from_dict,
    calibration_of,
    sample_families,
)
from crossproof.inference.season_model import (
    FamilyInput,
    Panel,
    Settings,
    Wells,
    fit_panel,
    judge,
    prepare_crosses,
    verify_family,
)
from crossproof.season_evidence import (
    batches_of,
    cross_records,
    family_inputs,
    line_inputs,
    model_settings,
    steady,
)
from crossproof.season_index import SeasonIndex, calibration_param
from crossproof.work_folder import file_sha256, read_json, write_json

FORMAT = 1


def calibrated_panel(
    index: SeasonIndex, wells: Wells, samples: pd.DataFrame, crosses: pd.DataFrame, located: NDArray[np.int64]
) -> Panel:
    """The run's panel under the season's kept estimates, which are made and written where there are none.

    A fresh estimate is made each run; how far it is off, and which verdicts it would change, is written to
    work/panel/drift.json.
    """
    folder, settings = index.folder, model_settings(index.config)
    lines = line_inputs(samples, located, index.config)
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, located)]
    param = calibration_param(folder)
    kept = _read(index)
    if kept is None:
        fitted = fit_panel(wells, lines, families, settings)
        estimates, known = calibration_of(fitted, wells), sorted(crosses["cross_id"])
        drift: dict[str, Any] = {"first": True}
    else:
        estimates, known = kept
        fitted = fit_panel(wells, lines, families, settings, estimates)
        fresh = fit_panel(wells, lines, families, settings)
        drift = _drift(steady(fitted), steady(fresh), wells, families, crosses, settings)
        estimates = calibration_of(fitted, wells, estimates)
    content = {"format": FORMAT, "crosses": known, **estimates.to_dict()}
    if content != read_json(folder.calibration):
        write_json(folder.calibration, content)
    write_json(folder.work("panel", "drift.json"), drift)
    write_json(
        folder.work("calibration_state.json"), {"sha256": file_sha256(folder.calibration), "param": param}
    )
    return fitted


def known_crosses(index: SeasonIndex) -> list[str]:
    """Crosses on record when the run-wide estimates were made."""
    return list((read_json(index.folder.calibration) or {}).get("crosses", []))


def _read(index: SeasonIndex) -> tuple[Calibration, list[str]] | None:
    path = index.folder.calibration
    if not path.exists():
        return None
    content = read_json(path)
    try:
        if content["format"] != FORMAT:
            raise ValueError(f"format {content['format']} is not {FORMAT}")
        return calibration_from_dict(content), [str(c) for c in content["crosses"]]
    except (TypeError, KeyError, ValueError, AttributeError) as fault:
        raise InputError(
            error(
                path.name,
                f"The run-wide estimates in this file cannot be read ({fault}).",
                "Put the file back as it was, or make the estimates anew: crossproof run DIR --recalibrate",
            )
        ) from None


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
