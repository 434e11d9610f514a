"""A season whose crosses have 0, 1, 2, 3, 6 and 12 contrast markers: every output says the same of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import crossproof as cp
from crossproof.model.results import Provable
from crossproof.report.content.explain_thing import _cross
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.worklist import build_sheets
from crossproof.report.sections import actions
from crossproof.report.sections import crosses as crosses_section
from crossproof.runner.summary import season_summary

CONTRASTS = (0, 1, 2, 3, 6, 12)
MARKERS = 30
PLANTS = 5
"""Of each cross: three hybrids, two selfs (invented)."""


def write(folder: Path) -> None:
    """Mother A, and fathers that differ from her at the first n markers; one father was never typed."""
    rng = np.random.default_rng(1)
    names = [f"M{i:02d}" for i in range(MARKERS)]
    of_a = np.array(["A/A", "G/G"])[rng.integers(0, 2, MARKERS)]
    other = np.where(of_a == "A/A", "G/G", "A/A")
    calls: dict[str, list[str]] = {"A1": list(of_a), "A2": list(of_a)}
    wells = [("A1", "parent", "A", "", ""), ("A2", "parent", "A", "", "")]
    crosses = []
    for n in (*CONTRASTS, None):
        father = f"F{n}" if n is not None else "Never"
        differ = np.arange(MARKERS) < (n or 0)
        of_f = np.where(differ, other, of_a)
        if n is not None:
            for copy in "ab":
                calls[f"{father}{copy}"] = list(of_f)
                wells.append((f"{father}{copy}", "parent", father, "", ""))
        crosses.append((f"X{n}", "A", father))
        for plant in range(PLANTS):
            name = f"X{n}-{plant}"
            calls[name] = list(np.where(differ, "A/G", of_a) if plant < 3 else of_a)
            wells.append((name, "progeny", "", f"X{n}", name))
    # Lines that differ everywhere, so that both alleles are known in the nursery.
    for line in ("B", "C", "D"):
        mixed = np.where(rng.random(MARKERS) < 0.5, of_a, other)
        for copy in "ab":
            calls[f"{line}{copy}"] = list(mixed)
            wells.append((f"{line}{copy}", "parent", line, "", ""))
    for sub in ("samples", "genotypes"):
        (folder / sub).mkdir(parents=True)
    (folder / "config.yaml").write_text(
        "crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes:\n"
        "  - {batch: B01, path: genotypes/calls.csv, layout: wide}\ntarget_hybrids: 3\n"
    )
    rows = [",".join((c, m, f, "2025-06-04", "4", "3", "9")) for c, m, f in crosses]
    (folder / "crosses.csv").write_text(
        "\n".join(("cross_id,mother,father,date,flowers,pods,seeds", *rows)) + "\n"
    )
    spots = [f"{r}{c}" for c in range(1, 13) for r in "ABCDEFGH"]
    sheet = [
        ",".join((s, "B01", "P1", spot, role, line, cross, plant))
        for spot, (s, role, line, cross, plant) in zip(spots, wells, strict=False)
    ]
    (folder / "samples" / "p1.csv").write_text(
        "\n".join(("sample_id,batch,plate,well,role,line,cross_id,plant", *sheet)) + "\n"
    )
    table = [",".join((s, *row)) for s, row in calls.items()]
    (folder / "genotypes" / "calls.csv").write_text("\n".join((",".join(("sample", *names)), *table)) + "\n")
    planned = [f"X{n},A,F{n}" for n in CONTRASTS]
    (folder / "planned.csv").write_text("\n".join(("cross_id,mother,father", *planned)) + "\n")


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    folder = tmp_path_factory.mktemp("contrasts") / "season"
    write(folder)
    verdicts = cp.verify(folder)
    return verdicts, cp.crossing_rates(folder, verdicts).crosses, cp.plan(folder)


def test_plan_verdicts_and_crosses_give_every_cross_the_same_state(season):
    verdicts, crosses, plan = season
    planned = dict(zip(plan.crosses["cross_id"], plan.crosses["verifiable"], strict=True))
    recorded = dict(zip(crosses["cross_id"], crosses["verifiable"], strict=True))
    by_plant = verdicts.groupby("cross_id")["verifiable"].unique()
    assert plan.crosses["contrast_markers"].tolist() == list(CONTRASTS)
    for n in CONTRASTS:
        cross = f"X{n}"
        assert list(by_plant[cross]) == [recorded[cross]] == [planned[cross]]
        assert (recorded[cross] == Provable.NO) == (n < 3)
    assert planned["X12"] == Provable.YES
    assert recorded["XNone"] == "parent not typed" == by_plant["XNone"][0]


def test_plants_of_a_cross_that_cannot_be_proven_are_neither_kept_nor_culled(season):
    verdicts, crosses, _ = season
    for n in CONTRASTS:
        mine = verdicts[verdicts["cross_id"] == f"X{n}"]
        row = crosses.set_index("cross_id").loc[f"X{n}"]
        if n >= 3:
            assert row["hybrids_found"] == (mine["verdict"] == "hybrid").sum()
            continue
        assert set(mine["verdict"]) == {"undetermined"}
        assert set(mine["decision"]) <= {"retest", "hold"}
        assert row[["hybrid", "self", "hybrids_found"]].tolist() == [0, 0, 0]
        assert row["next_step"] in ("retest", "hold")
    two = verdicts[verdicts["cross_id"] == "X2"].iloc[0]
    assert two["leading_class"] == "hybrid"
    assert two["p_hybrid"] > 0.95, "the case that used to be called proven"
    assert two["reason"] == "too few markers tell the parents apart"
    assert two["settle"] == "type it at more markers at which these two parents differ"
    six = verdicts[verdicts["cross_id"] == "X6"]
    assert six["verdict"].tolist() == ["hybrid"] * 3 + ["self"] * 2


UNPROVEN = ("X0", "X1", "X2")


def test_the_report_names_the_same_crosses_and_asks_for_markers(season):
    verdicts, crosses, _ = season
    inputs = ReportInputs(verdicts, crosses)
    notices = [b for b in crosses_section.section(inputs).blocks if hasattr(b, "title")]
    first = notices[0]
    assert first.title == "3\u00a0crosses cannot be proven with this panel"
    assert "X0, X1, X2. No plant" in first.text
    counts = actions.section(inputs).lead
    few = int((verdicts["reason"] == "too few markers tell the parents apart").sum())
    assert f" {few} need more markers: too few tell the parents apart." in counts


def test_worklist_keeps_none_of_their_plants(season):
    verdicts, crosses, _ = season
    sheets = {s.name: s for s in build_sheets(ReportInputs(verdicts, crosses))}
    kept = {cell for row in sheets["Keep"].rows for cell in row}
    assert not kept & set(UNPROVEN)
    assert "X6" in kept
    steps = {row[0]: (row[3], row[4]) for row in sheets["Next steps"].rows}
    for cross in UNPROVEN:
        assert steps[cross] == ("retest", "needs more markers at which the parents differ")


def test_explain_and_terminal_say_the_same(season, tmp_path):
    verdicts, crosses, _ = season
    inputs = ReportInputs(verdicts, crosses)
    state = crosses.set_index("cross_id")["verifiable"]
    for cross in state.index:
        assert dict(_cross(inputs, cross)[0])["can be proven"] == state[cross]
    verdicts.to_csv(tmp_path / "verdicts.csv", index=False)
    crosses.to_csv(tmp_path / "crosses.csv", index=False)
    text = " ".join(str(b) for b in season_summary(tmp_path).renderables)
    assert "3 crosses cannot be proven: too few markers tell the parents apart." in text
