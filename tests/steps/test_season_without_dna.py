"""The only plate of a season holds no DNA where its sheet has samples: found, and said of its plants."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.io.records.season_records import read_season
from crossproof.model.findings import FindingKind, Hold
from crossproof.model.results import Decision, Reason
from crossproof.simulate import BatchFormat, Operator, SeasonPlan, simulate_season, write_season
from crossproof.steps.in_memory import judged_in_memory

PLAN = SeasonPlan(
    n_crosses=4,
    plants_per_cross=8,
    n_lines=6,
    n_markers=40,
    missing=0.02,
    operators=(Operator("Ada"),),
    formats=(BatchFormat.WIDE,),
)
FAINT = 0.03
"""Share of the calls that are left, as of wells that hold water (invented)."""


def test_the_only_plate_is_dead(tmp_path: Path) -> None:
    folder = tmp_path / "season"
    rng = np.random.default_rng(3)
    write_season(simulate_season(PLAN, rng), folder)
    for path in (folder / "genotypes").glob("*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        calls = table.iloc[:, 1:].to_numpy(copy=True)
        calls[rng.random(calls.shape) > FAINT] = ""
        table.iloc[:, 1:] = calls
        table.to_csv(path, index=False)
    judged = judged_in_memory(read_season(folder))
    [dead] = [f for f in judged.findings.found if f.critical]
    assert (dead.kind, dead.hold) == (FindingKind.DEAD_PLATE, Hold.PLATE)
    assert set(judged.frame["reason"]) == {str(Reason.PLATE_HELD)}
    assert set(judged.frame["decision"]) == {str(Decision.RETEST)}
    assert set(judged.frame["verifiable"]) == {""}
