"""What a season already knows, as a plan wants it: fitted panel, wish list, the team's rates, settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import Problem, error
from crossproof.inference.season_model import Panel, Wells
from crossproof.io.sheets.headings import heading_key
from crossproof.io.sheets.sheet import read_sheet
from crossproof.model.arrays import Bools, Floats, Ints, Objects
from crossproof.model.genotypes import Markers
from crossproof.model.sentinels import NO_CALL_CODE
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.numbers import TeamRates, team_rates
from crossproof.planning.planned import PLANNED_COLUMNS, read_planned
from crossproof.planning.wish_list_files import WISH_LIST_NAMES
from crossproof.rates.tables.past import PastTags

_WELLS_AT_ONCE = 512


def plan_settings(config: object, panel: Panel | None = None, **more: Any) -> PlanSettings:
    """Settings of a plan: those of config.yaml by their names, run-wide estimates of the panel, then `more`.

    config: anything with the settings as attributes (`io.config.Config`). Its marker limit per cross is taken
    where it is below the planner's own, which bounds the time of a plan.
    """
    own = {f.name: f.default for f in fields(PlanSettings)}
    values = {name: getattr(config, name) for name in own if getattr(config, name, None) is not None}
    if "plate_wells" in values:
        values["plate_wells"] = int(values["plate_wells"])
    values["wanted"] = values["min_posterior"] if "wanted" not in more else more["wanted"]
    most = int(PlanSettings.max_markers_per_cross)
    values["max_markers_per_cross"] = min(int(values.get("max_markers_per_cross", most)), most)
    if panel is not None:
        values["parent_departure"] = float(panel.h)
        values["class_prior"] = tuple(float(x) for x in panel.class_prior)
    return PlanSettings(**(values | more))


def panel_genotypes(
    panel: Panel,
    wells: Wells,
    progeny_wells: Ints | None = None,
    marker_sheet: pd.DataFrame | None = None,
) -> PanelGenotypes:
    """The season's lines and markers.

    progeny_wells: numbers of the progeny's wells; a marker scored in none of them is a candidate, not on the
    panel (none given: all are on it). marker_sheet: `Season.markers`; its own columns `panel` (yes or no) and
    `cost` (of one assay) decide where they are filled in. A line with conflicting tubes is taken as its
    largest cluster of wells shows it.
    """
    return genotypes_of(panel, wells.markers, panel_typing(panel, wells, progeny_wells, marker_sheet))


@dataclass(frozen=True)
class PanelTyping:
    """What the calls say beside the fitted panel.

    `typed` (marker, line) bool: the line has a call there, lines as in `PanelGenotypes`. `on_panel` (marker,)
    bool, `cost` (marker,): as there.
    """

    typed: Bools
    on_panel: Bools
    cost: Floats


def _versions(panel: Panel) -> tuple[Ints, Ints]:
    """Numbers of the lines with a genotype, and the version that each is taken as."""
    first = {int(line): v for v, line in reversed(list(enumerate(panel.version_line)))}
    lines = np.array(sorted(first), dtype=np.int64)
    return lines, np.array([first[int(i)] for i in lines], dtype=np.int64)


def panel_typing(
    panel: Panel, wells: Wells, progeny_wells: Ints | None = None, marker_sheet: pd.DataFrame | None = None
) -> PanelTyping:
    """Where lines and progeny have calls; parameters as of `panel_genotypes`."""
    n = len(wells.markers)
    every = np.arange(n)
    _, versions = _versions(panel)
    typed = np.zeros((n, len(versions)), dtype=bool)
    for place, version in enumerate(versions):
        typed[:, place] = _any_call(wells, every, np.array(panel.version_wells[version], dtype=np.int64))
    on_panel, cost = np.ones(n, dtype=bool), np.ones(n)
    if progeny_wells is not None and len(progeny_wells):
        on_panel = _any_call(wells, every, np.asarray(progeny_wells))
    if marker_sheet is not None:
        on_panel, cost = _from_sheet(wells.markers.ids, marker_sheet, on_panel, cost)
    return PanelTyping(typed, on_panel, cost)


def _any_call(wells: Wells, rows: Ints, those: Ints) -> Bools:
    """Whether any of these wells has a call, (marker,); part by part, as all calls at once may not fit."""
    found = np.zeros(len(rows), dtype=bool)
    for start in range(0, len(those), _WELLS_AT_ONCE):
        found |= (wells.codes(rows, those[start : start + _WELLS_AT_ONCE]) != NO_CALL_CODE).any(axis=1)
    return found


def genotypes_of(panel: Panel, markers: Markers, typing: PanelTyping) -> PanelGenotypes:
    """The season's lines and markers from the fitted panel and where it has calls."""
    lines, versions = _versions(panel)
    blocks = tuple(
        PanelBlock(
            block.k,
            block.rows,
            block.consensus[:, versions].astype(np.float64),
            np.asarray(block.q, dtype=np.float64),
            typing.typed[block.rows],
        )
        for block in panel.blocks
        if not block.maternal
    )
    return PanelGenotypes(
        lines=tuple(panel.lines[i] for i in lines),
        markers=markers,
        blocks=blocks,
        false_heterozygote=np.asarray(panel.f, dtype=np.float64),
        dropout=np.asarray(panel.d, dtype=np.float64),
        call_rate=np.clip(np.asarray(panel.marker_call_rate, dtype=np.float64), 0.01, 1.0),
        usable=(panel.set_aside == "") & ~markers.maternal,
        on_panel=typing.on_panel,
        cost=typing.cost,
    )


def _from_sheet(ids: Objects, sheet: pd.DataFrame, on_panel: Bools, cost: Floats) -> tuple[Bools, Floats]:
    place = {str(name): i for i, name in enumerate(ids)}
    on_panel, cost = on_panel.copy(), cost.copy()
    for row in sheet.to_dict("records"):
        i = place.get(str(row["marker"]), -1)
        if i < 0:
            continue
        answer = str(row.get("panel") or "").strip().lower()
        if answer in ("yes", "no"):
            on_panel[i] = answer == "yes"
        try:
            price = float(row.get("cost") or "nan")
        except ValueError:
            continue
        if np.isfinite(price) and price > 0:
            cost[i] = price
    return on_panel, cost


def rates_so_far(
    crosses: pd.DataFrame | None, settings: PlanSettings, past: PastTags | None = None
) -> TeamRates:
    """The team's rates: of this season's crosses.csv, None where there is none, and of earlier seasons.

    `past`: their tags, each of which counts as far as seasons are alike.
    """
    crosses = pd.DataFrame() if crosses is None else crosses
    column = {
        name: pd.to_numeric(crosses[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        if name in crosses
        else np.full(len(crosses), np.nan)
        for name in ("hybrid", "determined", "flowers", "pods", "seeds")
    }
    own = np.ones(len(crosses))
    hybrid, determined, flowers, pods, seeds = column.values()
    if "counted" in crosses:
        # hybrids wait where their tag does, so that its verdicts would be of selfs alone
        determined = pd.to_numeric(crosses["counted"], errors="coerce").to_numpy(
            dtype=np.float64, na_value=np.nan
        )
        hybrid = np.where(determined > 0, hybrid, 0.0)
    if past is None:
        return team_rates(hybrid, determined, flowers, pods, seeds, settings.class_prior)
    return team_rates(
        np.concatenate([hybrid, past.hybrids]),
        np.concatenate([determined, past.determined]),
        np.concatenate([flowers, past.flowers]),
        np.concatenate([pods, past.pods]),
        np.concatenate([seeds, past.seeds]),
        settings.class_prior,
        hybrid_weight=np.concatenate([own, past.hybrid_weight]),
        pod_weight=np.concatenate([own, past.pod_weight]),
    )


def wish_list(
    folder: Path,
    lines: Sequence[str],
    settings: PlanSettings,
) -> tuple[tuple[PlannedCross, ...] | None, tuple[Problem, ...]]:
    """The planned crosses of a season folder (planned.csv, .tsv or .xlsx) and every problem of the sheet.

    None where there is no such file: then all pairs of lines are planned. Headings are matched without regard
    to case, spaces and underscores; columns that are not ours are passed over.
    """
    for name in WISH_LIST_NAMES:
        path = folder / name
        if not path.is_file():
            continue
        sheet = read_sheet(path, shown_as=name, known=tuple(PLANNED_COLUMNS))
        if not sheet.headings:
            return (), tuple(sheet.problems)
        keys = [heading_key(h) for h in sheet.headings]
        missing = [c for c in ("mother", "father") if c not in keys]
        if missing:
            remedy = "Add it to the first row."
            found = [error(name, f"The column {c} is missing.", remedy, column=c) for c in missing]
            return (), (*sheet.problems, *found)
        rows = [{k: v.strip() for k, v in zip(keys, row, strict=True)} for row in sheet.rows]
        crosses, problems = read_planned(rows, sheet.row_numbers, lines, settings, file=name)
        return crosses, (*sheet.problems, *problems)
    return None, ()
