"""Run-wide estimates: made at the first run, kept in calibration.json, an input ever after."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from crossproof.errors import InputError
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.run_wide.calibration import Calibration, calibration_from_dict, calibration_of
from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Panel,
    Settings,
    Wells,
    fit_panel,
)
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_json
from crossproof.model.arrays import Ints
from crossproof.season.evidence import (
    batches_of,
    family_inputs,
    line_inputs,
    model_settings,
    steady,
)
from crossproof.season.index import SeasonIndex
from crossproof.season.kept_lines import (
    KeptLines,
    keep_lines,
    kept_from_dict,
    with_kept_lines,
    with_new_lines,
)
from crossproof.season.kept_loops import loops_are_kept
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


@dataclass(frozen=True)
class Calibrated:
    """The run's panel; the families with calls; the estimates that it was made under and that later runs take
    over, None where there was no cross to make them from; whether they were made by this run."""

    panel: Panel
    families: tuple[FamilyInput, ...]
    kept: Kept | None
    first: bool


def calibrated(
    config: Config,
    wells: Wells,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    located: Ints,
    kept: Kept | None,
    each: Each = one_by_one,
) -> Calibrated:
    """The panel under kept estimates, which are made where there are none and crosses to make them from.

    `each` calls a function with every family that these are made from.
    """
    settings = model_settings(config)
    lines = line_inputs(samples, located, config)
    at = located.tolist()
    families = tuple(f for f in family_inputs(samples, crosses) if batches_of(f, at))
    placed = with_files(samples, wells)
    first = kept is None
    if kept is None:
        fitted = fit_panel(wells, lines, families, settings, each=each, kept_loops=loops_are_kept())
        # As the file will give them to later runs: what this run finds is then what those would find.
        estimates = calibration_from_dict(calibration_of(fitted, wells).to_dict())
        fitted = fit_panel(wells, lines, families, settings, estimates, kept_loops=loops_are_kept())
        kept = Kept(
            estimates,
            tuple(sorted(crosses["cross_id"])),
            keep_lines(fitted, wells.markers, placed),
        )
        if not families:
            return Calibrated(steady(fitted), families, None, first)
    else:
        fitted = _kept_panel(kept, wells, lines, families, placed, settings)
        kept = Kept(
            calibration_of(fitted, wells, kept.estimates),
            kept.crosses,
            with_new_lines(kept.lines, keep_lines(fitted, wells.markers, placed)),
        )
    panel = with_kept_lines(fitted, kept.lines, wells.markers, kept.lines.moved(placed))
    return Calibrated(panel, families, kept, first)


def write_kept_estimates(index: SeasonIndex, kept: Kept, param: str) -> None:
    """Write calibration.json where it says something new; `param`: its part of the panel's digest before."""
    folder, content = index.folder, kept.to_dict()
    if content != read_json(folder.calibration):
        write_json(folder.calibration, content)
    write_kept(
        folder.work("calibration_state.json"), {"sha256": file_sha256(folder.calibration), "param": param}
    )


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
    return fit_panel(wells, lines, families, settings, estimates, kept_loops=loops_are_kept())


def with_files(samples: pd.DataFrame, wells: Wells) -> pd.DataFrame:
    """The samples with the file that holds each one's calls in the column batch, else as the sheet has it."""
    batch = wells.place[0][samples.index.to_numpy()].tolist()
    names = [wells.batches[b].batch if b >= 0 else a for b, a in zip(batch, samples["batch"], strict=True)]
    return samples.assign(batch=names)


def read_estimates(path: Path) -> Kept | None:
    """What calibration.json holds, None where there is none; raises InputError where it cannot be read."""
    if not path.exists():
        return None
    content = read_json(path)
    if isinstance(content, dict) and content.get("format") in range(1, FORMAT):
        raise InputError.at(
            path.name,
            "The run-wide estimates in this file were made by an earlier version of crossproof.",
            "Estimate them again: crossproof run DIR --recalibrate. Verdicts can differ, see changes.csv.",
        )
    try:
        return kept_estimates(content)
    except (TypeError, KeyError, ValueError, AttributeError, zlib.error):
        raise InputError.at(
            path.name,
            "The run-wide estimates in this file cannot be read; it is not as crossproof wrote it.",
            "Put the file back as it was, or estimate them again: crossproof run DIR --recalibrate",
        ) from None


def kept_estimates(content: Mapping[str, Any]) -> Kept:
    """What `Kept.to_dict` gave; raises ValueError, KeyError or TypeError where it is of another form."""
    if content["format"] != FORMAT:
        raise ValueError(f"format {content['format']} is not {FORMAT}")
    crosses = tuple(str(c) for c in content["crosses"])
    return Kept(calibration_from_dict(content), crosses, kept_from_dict(content["kept_lines"]))
