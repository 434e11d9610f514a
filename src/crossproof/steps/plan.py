"""What planned crosses can prove, markers to add, seeds and flowers, and a ready plate plan."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.errors import InputError, Severity
from crossproof.planning.run_plan import Plan, make_plan
from crossproof.planning.season_inputs import panel_genotypes, plan_settings, rates_so_far, wish_list
from crossproof.report.draw.plan_page import write_plan
from crossproof.season.evidence import load_wells, read_located, read_panel
from crossproof.season.index import SeasonIndex, read_record
from crossproof.steps.rates import past_of


def plan(index: SeasonIndex) -> None:
    """Write results/plan: the page, its tables, and samples.csv for the plates to come."""
    config = index.config
    title = " ".join(x for x in (config.crop, config.season) if x)
    write_plan(season_plan(index), index.folder.results / "plan", title=title, digest=index.run_digest)


def season_plan(index: SeasonIndex) -> Plan:
    """The plan of a season whose panel has been made; raises InputError for a wish list with errors."""
    folder, config = index.folder, index.config
    samples = read_record(folder, "samples")
    joined, panel = read_panel(folder)
    located = read_located(index.folder.work("panel", "located"))
    wells = load_wells(folder, joined, located, located[0] >= 0)
    progeny = np.flatnonzero((samples["role"] == "progeny").to_numpy() & (located[0] >= 0))
    sheet = read_record(folder, "markers") if config.markers_file is not None else None
    genotypes = panel_genotypes(panel, wells, progeny if len(progeny) else None, sheet)
    settings = plan_settings(config, panel)
    planned, problems = wish_list(folder.season, genotypes.lines, settings)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    done = folder.results / "crosses.csv"
    rates = rates_so_far(pd.read_csv(done) if done.exists() else None, settings, past_of(config))
    return make_plan(settings=settings, panel=genotypes, planned=planned, rates=rates, problems=problems)
