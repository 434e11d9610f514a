"""From a fault of whole pods and tags to the row that mends it: named, previewed, written, followed.

Every season is invented by `crossproof.simulate` and its sheets then spoilt; what the plants are is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crossproof.io.records.season_records import read_season
from crossproof.model.findings import Finding
from crossproof.model.results import Decision
from crossproof.report.content.inputs import ReportInputs
from crossproof.season.index import build_index
from crossproof.simulate import BatchFormat, Operator, SeasonPlan, simulate_season, write_season
from crossproof.steps.correct import plan_answer, write_answer
from crossproof.steps.findings import FindingsOfSeason, write_findings
from crossproof.steps.report_in_memory import report_in_memory

PLAN = SeasonPlan(
    n_crosses=6,
    plants_per_cross=8,
    n_lines=7,
    line_replicates=2,
    n_markers=48,
    base_self=0.35,
    outcross=0.0,
    off_pedigree=0.0,
    missing=0.02,
    operators=(Operator("Ada"),),
    formats=(BatchFormat.WIDE,),
)
SEED = 2


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    rng = np.random.default_rng(SEED)
    write_season(simulate_season(PLAN, rng), folder)
    return folder


def exchange_pods(folder: Path) -> None:
    """The first pods of C001 and C002 change places in the sheet of wells."""
    (sheet,) = (folder / "samples").glob("*.csv")
    frame = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    one, two = (frame.index[(frame["cross_id"] == c) & (frame["pod"] == "1")] for c in ("C001", "C002"))
    assert len(one) == len(two)
    columns = ["cross_id", "pod", "plant"]
    first = frame.loc[one, columns].to_numpy()
    frame.loc[one, columns] = frame.loc[two, columns].to_numpy()
    frame.loc[two, columns] = first
    frame.to_csv(sheet, index=False)


def change_cross(folder: Path, cross: str, **parents: str) -> None:
    frame = pd.read_csv(folder / "crosses.csv", dtype=str, keep_default_na=False)
    for column, line in parents.items():
        frame.loc[frame["cross_id"] == cross, column] = line
    frame.to_csv(folder / "crosses.csv", index=False)


def reverse_cross(folder: Path) -> None:
    """C005, seven selfs and a hybrid of LN07 x LN03, is recorded as LN03 x LN07."""
    change_cross(folder, "C005", mother="LN03", father="LN07")


def other_pollen(folder: Path) -> None:
    """C003, made with pollen of LN05, is recorded as made with LN01."""
    change_cross(folder, "C003", father="LN01")


def judged(folder: Path) -> ReportInputs:
    inputs = report_in_memory(read_season(folder))
    write_findings(build_index(folder), FindingsOfSeason(inputs.findings))
    return inputs


FAULTS = [
    (exchange_pods, "pods-exchanged:C001", "swap pods,C001:1,C002:1", 8),
    (reverse_cross, "reciprocal-cross:C005", "reverse cross,C005,", 7),
    (other_pollen, "pollen-of-another-plant:C003", "father is,C003,LN05", 4),
]


@pytest.mark.slow
@pytest.mark.parametrize(("spoil", "name", "row", "n_changes"), FAULTS)
def test_a_fault_is_named_previewed_and_mended_by_its_row(season, spoil, name, row, n_changes) -> None:
    spoil(season)
    before = judged(season)
    (found,) = [f for f in before.findings if f.name == name]
    others = {f.name for f in before.findings if not f.note} - {name}
    assert not {n for n in others if n.partition(":")[2] in found.place}, "one cause is named once"
    assert found.changes is not None
    assert len(found.changes) == n_changes
    answer = plan_answer(season, name)
    said = " ".join(answer.words())
    assert all(c.plant in said for c in found.changes)
    write_answer(answer)
    assert row in (season / "corrections.csv").read_text(encoding="utf-8")
    after = judged(season)
    assert name not in {f.name for f in after.findings}
    verdicts = after.verdicts.set_index("plant")["verdict"]
    assert {c.plant: verdicts[c.plant] for c in found.changes} == {
        c.plant: str(c.after) for c in found.changes
    }
    assert not (after.verdicts["decision"] == Decision.HOLD).any()


@pytest.mark.slow
def test_a_dismissed_finding_is_said_no_more_and_releases_its_plants(season) -> None:
    exchange_pods(season)
    before = judged(season)
    assert (before.verdicts["decision"] == Decision.HOLD).sum() == 8
    found: Finding = next(f for f in before.findings if f.name == "pods-exchanged:C001")
    write_answer(plan_answer(season, found.name, "bags looked at"))
    after = judged(season)
    assert found.name not in {f.name for f in after.findings}
    assert not (after.verdicts["decision"] == Decision.HOLD).any()
    assert after.verdicts["verdict"].tolist() == before.verdicts["verdict"].tolist()
