"""A plant whose data corrections.csv leaves out is still in the bed: it stays listed, to be typed again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from seasons import crossproof
from test_season_without_dna import PLAN

from crossproof.io.records.season_records import read_season
from crossproof.simulate import simulate_season, write_season
from crossproof.steps.in_memory import judged_in_memory


def test_an_excluded_well_leaves_its_plant_in_its_place_and_to_be_typed_again(tmp_path: Path) -> None:
    folder = tmp_path / "season"
    write_season(simulate_season(PLAN, np.random.default_rng(4)), folder)
    before = judged_in_memory(read_season(folder)).frame
    well = before.iloc[5]
    row = f"kind,target,other,detail,note\nexclude well,{well['plate']}:{well['well']},,,\n"
    (folder / "corrections.csv").write_text(row, encoding="utf-8")
    assert crossproof("run", folder, "--cores", "1", "--allow-findings").returncode == 0
    after = pd.read_csv(folder / "results" / "verdicts.csv", dtype=str, keep_default_na=False)
    assert after["plant"].tolist() == before["plant"].tolist()
    told = after.loc[5, ["plant", "verdict", "decision", "reason", "well", "mother"]].tolist()
    assert told == [well["plant"], "undetermined", "retest", "no genotype data", well["well"], well["mother"]]
    assert (after["reason"] == "no genotype data").sum() == 1
    problems = pd.read_csv(folder / "results" / "problems.csv", dtype=str, keep_default_na=False)
    assert not problems["problem"].str.contains("in no sheet of wells").any()
    again = judged_in_memory(read_season(folder)).frame
    assert again["verdict"].astype(str).tolist() == after["verdict"].tolist()
