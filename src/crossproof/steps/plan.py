"""What planned crosses can prove, markers to add, seeds and flowers, and a ready plate plan."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.errors import InputError, Severity
from crossproof.inference.season_model import Panel, Wells
from crossproof.io.config.season_config import Config
from crossproof.model.arrays import Ints
from crossproof.model.plates import Role
from crossproof.planning.run_plan import Plan, make_plan
from crossproof.planning.season_inputs import panel_genotypes, plan_settings, rates_so_far, wish_list
from crossproof.report.draw.plan_page import write_plan
from crossproof.season.evidence import load_wells, read_located, read_panel
from crossproof.season.index import SeasonIndex, read_record
from crossproof.steps.panel import SeasonPanel
from crossproof.steps.rates import past_of


def plan(index: SeasonIndex) -> None:
    """Write results/plan: the page, its tables, and samples.csv for the plates to come."""
    folder, config = index.folder, index.config
    joined, fitted = read_panel(folder)
    located = read_located(folder.work("panel", "located"))
    wells = load_wells(folder, joined, located, located[0] >= 0)
    sheet = read_record(folder, "markers") if config.markers_file is not None else None
    made = season_plan(config, read_record(folder, "samples"), sheet, fitted, wells, located[0])
    title = " ".join(x for x in (config.crop, config.season) if x)
    write_plan(made, folder.results / "plan", title=title, digest=index.run_digest)


def plan_of(config: Config, samples: pd.DataFrame, sheet: pd.DataFrame | None, made: SeasonPanel) -> Plan:
    """The plan of a season judged in memory; raises InputError for a wish list with errors."""
    return season_plan(config, samples, sheet, made.fitted, made.wells, made.located[0])


def season_plan(
    config: Config,
    samples: pd.DataFrame,
    sheet: pd.DataFrame | None,
    panel: Panel,
    wells: Wells,
    located: Ints,
) -> Plan:
    """The plan of a season whose panel has been made; raises InputError for a wish list with errors.

    `sheet`: that of the markers. The wish list and the rates so far are those in the season's folder.
    """
    progeny = np.flatnonzero((samples["role"] == Role.PROGENY).to_numpy() & (located >= 0))
    genotypes = panel_genotypes(panel, wells, progeny if len(progeny) else None, sheet)
    settings = plan_settings(config, panel)
    planned, problems = wish_list(config.root, genotypes.lines, settings)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    done = config.root / "results" / "crosses.csv"
    rates = rates_so_far(pd.read_csv(done) if done.exists() else None, settings, past_of(config))
    return make_plan(settings=settings, panel=genotypes, planned=planned, rates=rates, problems=problems)
