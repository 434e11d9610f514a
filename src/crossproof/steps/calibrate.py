"""Run-wide estimates: made at the first run, kept in calibration.json, an input ever after."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import InputError, error
from crossproof.inference.run_wide.calibration import Calibration, calibration_from_dict, calibration_of
from crossproof.inference.run_wide.expectation import sample_families
from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
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
from crossproof.io.files.atomic import write_json
from crossproof.model.arrays import Ints
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
from crossproof.season.index import SeasonIndex, calibration_param, read_record
from crossproof.season.kept_lines import (
    KeptLines,
    keep_lines,
    kept_from_dict,
    with_kept_lines,
    with_new_lines,
)
from crossproof.season.work_folder import file_sha256, read_json, write_kept

FORMAT = 3


@dataclass(frozen=True)
class Kept:
    """calibration.json: run-wide estimates, the crosses on record when they were made, lines as they were."""

    estimates: Calibration
    crosses: tuple[str, ...]
    lines: KeptLines

    def to_dict(self) -> dict[str, Any]:
        """As plain data for the file."""
        return {
            "format": FORMAT,
            "crosses": list(self.crosses),
            **self.estimates.to_dict(),
            "kept_lines": self.lines.to_dict(),
        }


def calibrated_panel(
    index: SeasonIndex, wells: Wells, samples: pd.DataFrame, crosses: pd.DataFrame, located: Ints
) -> tuple[Panel, bool]:
    """The run's panel under the season's kept estimates, and whether they were made by this run.

    They are made and written where there are none yet and there are crosses to make them from.
    """
    folder, settings = index.folder, model_settings(index.config)
    lines = line_inputs(samples, located, index.config)
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, located)]
    param = calibration_param(folder)
    placed = with_files(samples, wells)
    kept = read_kept(index)
    first = kept is None
    if kept is None:
        fitted = fit_panel(wells, lines, families, settings)
        # As the file will give them to later runs: what this run finds is then what those would find.
        estimates = calibration_from_dict(calibration_of(fitted, wells).to_dict())
        fitted = fit_panel(wells, lines, families, settings, estimates)
        kept = Kept(
            estimates,
            tuple(sorted(crosses["cross_id"])),
            keep_lines(fitted, wells.markers, placed),
        )
        if not families:
            return steady(fitted), first
    else:
        fitted = _kept_panel(kept, wells, lines, families, placed, settings)
        kept = Kept(
            calibration_of(fitted, wells, kept.estimates),
            kept.crosses,
            with_new_lines(kept.lines, keep_lines(fitted, wells.markers, placed)),
        )
    content = kept.to_dict()
    if content != read_json(folder.calibration):
        write_json(folder.calibration, content)
    write_kept(
        folder.work("calibration_state.json"), {"sha256": file_sha256(folder.calibration), "param": param}
    )
    return with_kept_lines(fitted, kept.lines, wells.markers, kept.lines.moved(placed)), first


def _kept_panel(
    kept: Kept,
    wells: Wells,
    lines: Sequence[LineInput],
    families: Sequence[FamilyInput],
    samples: pd.DataFrame,
    settings: Settings,
) -> Panel:
    """The panel under kept estimates; where tubes were moved to other lines, families are asked anew.

    Not yet in whole percents, see `with_kept_lines`.
    """
    estimates = kept.estimates
    now = {f.cross_id: (f.mother, f.father) for f in families}
    renamed = any(now.get(c, (m, f)) != (m, f) for c, m, f, _, _ in estimates.says or ())
    if renamed or kept.lines.moved(samples):
        estimates = replace(estimates, says=None)
    return fit_panel(wells, lines, families, settings, estimates)


def with_files(samples: pd.DataFrame, wells: Wells) -> pd.DataFrame:
    """The samples with the file that holds each one's calls in the column batch, else as the sheet has it."""
    batch = wells.place[0][samples.index.to_numpy()].tolist()
    names = [wells.batches[b].batch if b >= 0 else a for b, a in zip(batch, samples["batch"], strict=True)]
    return samples.assign(batch=names)


def drift(index: SeasonIndex) -> None:
    """Make a fresh estimate; write how far the kept one is off, and which verdicts it would change."""
    folder, settings = index.folder, model_settings(index.config)
    header, arrays = read_arrays(folder.work("panel", "fit"))
    kept = read_kept(index)
    if header["first"] or kept is None:
        write_kept(folder.work("drift.json"), {"first": True})
        return
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    joined, panel = read_joined(folder.work("panel", "joined")), panel_from_arrays(arrays)
    located = read_located(folder.work("panel", "located"))
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, located[0])]
    sample = sample_families(families, len(joined.markers))
    wanted = np.zeros(len(samples), dtype=bool)
    wanted[[w for f in sample for p in f.plants for w in p.wells]] = True
    wanted |= (samples["role"] == "parent").to_numpy()
    wells = load_wells(folder, joined, located, wanted)
    lines = line_inputs(samples, located[0], index.config)
    fresh = steady(fit_panel(wells, lines, sample, settings))
    write_kept(folder.work("drift.json"), _drift(panel, fresh, wells, families, crosses, settings))


def known_crosses(index: SeasonIndex) -> list[str]:
    """Crosses on record when the run-wide estimates were made."""
    return list((read_json(index.folder.calibration) or {}).get("crosses", []))


def read_kept(index: SeasonIndex) -> Kept | None:
    """What calibration.json holds, None where there is none; raises InputError where it cannot be read."""
    path = index.folder.calibration
    if not path.exists():
        return None
    content = read_json(path)
    try:
        if content["format"] != FORMAT:
            raise ValueError(f"format {content['format']} is not {FORMAT}")
        crosses = tuple(str(c) for c in content["crosses"])
        return Kept(calibration_from_dict(content), crosses, kept_from_dict(content["kept_lines"]))
    except (TypeError, KeyError, ValueError, AttributeError, zlib.error):
        raise InputError(
            error(
                path.name,
                "The run-wide estimates in this file cannot be read; crossproof did not write it as it is.",
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
