"""What planned crosses can prove, markers to add, seeds and flowers, plates."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.errors import InputError, Severity
from crossproof.planning.run_plan import make_plan
from crossproof.planning.season_inputs import panel_genotypes, plan_settings, rates_so_far, wish_list
from crossproof.report.plan_page import write_plan
from crossproof.season_evidence import load_wells, locate_wells
from crossproof.season_index import SeasonIndex, read_record
from crossproof.steps.panel import read_panel


def plan(index: SeasonIndex) -> None:
    """Write the tables and the page of results/plan/.

    Rates come from results/crosses.csv where a run has left it. Raises InputError for a wish list that cannot
    be used.
    """
    folder = index.folder
    samples = read_record(folder, "samples")
    joined, fitted = read_panel(folder)
    located = locate_wells(samples, joined.stored)
    typed = located[0] >= 0
    wells = load_wells(folder, joined, located, typed)
    progeny = np.flatnonzero(typed & (samples["role"] == "progeny").to_numpy())
    settings = plan_settings(index.config, fitted)
    has_sheet = (folder.records / "markers.parquet").exists()
    panel = panel_genotypes(fitted, wells, progeny, read_record(folder, "markers") if has_sheet else None)
    planned, problems = wish_list(index.config.root, panel.lines, settings)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    known = folder.results / "crosses.csv"
    rates = rates_so_far(pd.read_csv(known) if known.exists() else None, settings)
    made = make_plan(settings=settings, panel=panel, planned=planned, rates=rates, problems=problems)
    for note in made.notes:
        print(note, flush=True)
    write_plan(made, folder.results / "plan", title=index.config.season, digest=index.run_digest)
