"""Answers of docs/questions.md, tried on an invented season: a line missing from the plate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crossproof.io.records.season_records import read_season
from crossproof.model.results import Decision, NextStep, Reason, Verdict
from crossproof.report.content.explain import sentences
from crossproof.report.content.inputs import ReportInputs
from crossproof.simulate import BatchFormat, Operator, SeasonPlan, simulate_season, write_season
from crossproof.steps.report_in_memory import report_in_memory

PLAN = SeasonPlan(
    n_crosses=3,
    plants_per_cross=8,
    n_lines=6,
    line_replicates=2,
    n_markers=48,
    base_self=0.4,
    outcross=0.0,
    off_pedigree=0.0,
    missing=0.02,
    operators=(Operator("Ada"),),
    formats=(BatchFormat.WIDE,),
)


def without(folder: Path, parent: str) -> tuple[ReportInputs, str]:
    """The season judged without the samples of the mother or father of C001, and that line."""
    write_season(simulate_season(PLAN, np.random.default_rng(5)), folder)
    crosses = pd.read_csv(folder / "crosses.csv", dtype=str).set_index("cross_id")
    line = str(crosses.loc["C001", parent])
    (sheet,) = (folder / "samples").glob("*.csv")
    wells = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    wells[wells["line"] != line].to_csv(sheet, index=False)
    return report_in_memory(read_season(folder)), line


@pytest.mark.slow
@pytest.mark.parametrize(
    ("parent", "reasons"),
    [("father", {"", str(Reason.FATHER_UNPROVEN)}), ("mother", {""})],
)
def test_a_line_missing_from_the_plate(tmp_path: Path, parent: str, reasons: set[str]) -> None:
    inputs, line = without(tmp_path / "season", parent)
    v = inputs.verdicts[inputs.verdicts["cross_id"] == "C001"]
    assert set(v["reason"]) <= reasons
    truth = pd.read_csv(tmp_path / "season" / "truth.csv", dtype=str).set_index("sample_id")["truth"]
    if parent == "father":
        selfs = {p for p in v["plant"] if truth[p] == "self"}
        assert set(v.loc[v["verdict"] == Verdict.SELF, "plant"]) == selfs, "selfs are still found"
        assert set(v.loc[v["decision"] == Decision.RETEST, "plant"]) == set(v["plant"]) - selfs
    else:
        assert dict(zip(v["plant"], v["verdict"], strict=True)) == {p: truth[p] for p in v["plant"]}
        said = " ".join(sentences(v.iloc[0].to_dict()))
        assert "A parent of this cross is not typed" in said
        assert "No marker is fixed for different alleles" not in said
        return
    row = inputs.crosses.set_index("cross_id").loc["C001"]
    assert (row["next_step"], row["next_step_detail"]) == (NextStep.TYPE_PARENT, f"type {line}")
