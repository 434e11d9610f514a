"""A season from its folder to its results, as a user runs it.

The demo season is invented; what was planted in it stands in its README and in truth.csv.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest
from seasons import DEMO, ROOT, TABLES, copy_of_demo, crossproof, rules_run, tables_of, write_plates

import crossproof as cp
from crossproof.io.results.columns import RESULT_COLUMNS
from crossproof.simulate.plan import FaultKind, PlateFault, SeasonPlan

VERDICT_COLUMNS = [
    "verdict", "decision", "reason", "p_hybrid", "p_self", "p_outcross", "p_off_pedigree", "lod",
    "contrast_markers", "contrast_scored", "contrast_het", "het_share", "het_low", "het_high",
    "foreign_calls", "call_rate", "likely_source", "source_probability", "flags",
]  # fmt: skip


@pytest.fixture(scope="module")
def season(finished_demo: Path) -> Path:
    return finished_demo


HELD = SeasonPlan(
    n_markers=40,
    n_lines=6,
    n_crosses=20,
    plants_per_cross=8,
    panel_on_every_plate=True,
    faults=(PlateFault(FaultKind.ROTATE, "P001"),),
)
"""Two plates, of which one was turned round."""


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented season after a run on two cores, with plants that wait for an answer."""
    folder = write_plates(tmp_path_factory.mktemp("held") / "season", HELD)
    done = crossproof("run", folder, "--cores", 2)
    assert done.returncode == 1, done.stdout + done.stderr
    return folder


def table(season: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(season / "results" / f"{name}.csv", dtype=str, keep_default_na=False)


def test_every_file_of_the_contract_is_there(season: Path) -> None:
    expected = {*TABLES, "worklist.xlsx", "report.html", "run.json"}
    assert expected <= {p.name for p in (season / "results").iterdir()}
    assert set(VERDICT_COLUMNS) <= set(table(season, "verdicts").columns)
    assert {
        "tested", "hybrid_rate", "hybrid_rate_low", "hybrid_rate_high", "true_success", "verifiable",
        "next_step", "seeds_to_test", "flowers_to_repeat",
    } <= set(table(season, "crosses").columns)  # fmt: skip
    assert list(table(season, "problems").columns) == [
        "severity", "file", "row", "column", "value", "problem", "remedy",
    ]  # fmt: skip
    assert {"plant", "verdict_before", "verdict_now", "cause"} <= set(table(season, "changes").columns)


def test_one_row_per_progeny_plant(season: Path) -> None:
    sheets = pd.concat(
        pd.read_csv(p, dtype=str, keep_default_na=False) for p in (season / "samples").glob("*.csv")
    )
    progeny = sheets[sheets["role"] == "progeny"]
    verdicts = table(season, "verdicts")
    names = progeny["plant"] if "plant" in progeny else progeny["sample_id"]
    assert sorted(verdicts["plant"]) == sorted(names.where(names != "", progeny["sample_id"]).unique())


def test_planted_faults_are_found(season: Path) -> None:
    done = crossproof("score", season, season / "truth.csv")
    assert done.returncode == 0
    verdicts = table(season, "verdicts").set_index("sample_id")
    truth = pd.read_csv(season / "truth.csv", dtype=str).set_index("sample_id")["truth"]
    found = verdicts["verdict"].reindex(truth.index)
    determined = found != "undetermined"
    wrong = determined & (found != truth)
    assert determined.mean() >= 0.95
    assert wrong.sum() <= 0.01 * determined.sum(), verdicts[wrong.reindex(verdicts.index, fill_value=False)]
    lines = table(season, "lines").set_index("line")
    assert lines.loc["LN05", "odd_tubes"] == "LN05-2"


def test_probabilities_sum_to_one(season: Path) -> None:
    verdicts = table(season, "verdicts")
    judged = verdicts[verdicts["p_hybrid"] != ""]
    total = judged[["p_hybrid", "p_self", "p_outcross", "p_off_pedigree"]].astype(float).sum(axis=1)
    assert len(judged) > 200
    assert total.to_numpy() == pytest.approx(1.0, abs=5e-6)


def test_decision_follows_from_verdict_unless_held(season: Path) -> None:
    verdicts = table(season, "verdicts")
    follows = {
        "hybrid": "keep",
        "self": "cull",
        "outcross": "cull",
        "off_pedigree": "cull",
        "undetermined": "retest",
    }
    free = verdicts[verdicts["decision"] != "hold"]
    assert (free["verdict"].map(follows) == free["decision"]).all()
    assert (verdicts.loc[verdicts["verdict"] == "undetermined", "reason"] != "").all()


def test_run_record_names_every_input_by_digest(season: Path) -> None:
    run = json.loads((season / "results" / "run.json").read_text(encoding="utf-8"))
    import hashlib

    for name in ("config.yaml", "crosses.csv", "genotypes/B001.vcf"):
        assert run["inputs_sha256"][name] == hashlib.sha256((season / name).read_bytes()).hexdigest()
    assert run["counts"]["plants"] == len(table(season, "verdicts"))


def test_nothing_runs_again_without_a_change_and_a_touch_is_none(season: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in (season / "results").iterdir()}
    for path in (season / "genotypes").iterdir():
        os.utime(path)
    os.utime(season / "crosses.csv")
    done = crossproof("run", season)
    assert done.returncode in (0, 1)
    assert set(rules_run(season)) <= {"gate"}
    assert {p: p.stat().st_mtime_ns for p in (season / "results").iterdir()} == before


def test_a_threshold_runs_verdicts_and_an_operator_runs_rates_only(held: Path, tmp_path: Path) -> None:
    other = tmp_path / "season"
    shutil.copytree(held, other)
    config = other / "config.yaml"
    config.write_text(config.read_text(encoding="utf-8") + "min_posterior: 0.99999\n", encoding="utf-8")
    crossproof("run", other)
    rules = rules_run(other)
    assert "verdicts" in rules
    assert not {"ingest", "panel", "verify", "examine"} & set(rules)
    changes = table(other, "changes")
    assert len(changes)
    assert set(changes["cause"]) == {"thresholds in config.yaml were changed"}
    assert set(changes["verdict_now"]) == {"undetermined"}

    sheet = other / "crosses.csv"
    crosses = pd.read_csv(sheet, dtype=str, keep_default_na=False)
    crosses.loc[crosses["operator"] == crosses["operator"].iloc[0], "operator"] = "Dora"
    crosses.to_csv(sheet, index=False)
    crossproof("run", other)
    assert set(rules_run(other)) - {"gate"} == {"rates", "report"}
    assert "Dora" in set(table(other, "operators")["operator"])


def test_tables_are_the_same_bytes_on_one_core_and_two(held: Path, tmp_path: Path) -> None:
    other = write_plates(tmp_path / "season", HELD)
    done = plain_snakemake(other)
    assert tables_of(other) == tables_of(held)
    # As the README has it: a success that says what is held; a failure only where the season asks for it.
    assert done.returncode == 0, done.stderr
    assert (table(held, "verdicts")["decision"] == "hold").any()
    waiting = "Plate P001 is held: "
    assert waiting in done.stderr
    config = other / "config.yaml"
    config.write_text(config.read_text(encoding="utf-8") + "fail_when_held: true\n", encoding="utf-8")
    strict = plain_snakemake(other)
    assert strict.returncode == 1
    assert waiting in strict.stderr
    assert crossproof("run", other).returncode == 1


def plain_snakemake(season: Path) -> subprocess.CompletedProcess[str]:
    """The workflow by Snakemake's own command, on one core."""
    return subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", "1", "--configfile", str(season / "config.yaml")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=280,
    )


def test_originals_are_not_touched(season: Path) -> None:
    for path in DEMO.rglob("*"):
        relative = path.relative_to(DEMO)
        if path.is_file() and relative.parts[0] not in (
            "results",
            ".crossproof",
            ".snakemake",
            "calibration.json",
        ):
            assert (season / relative).read_bytes() == path.read_bytes()


def test_a_bad_file_is_set_aside_and_mending_it_completes_the_season(held: Path, tmp_path: Path) -> None:
    other = tmp_path / "season"
    shutil.copytree(held, other)
    sheets = sorted((other / "samples").glob("*.csv"))
    batch = sheets[0].stem
    (path,) = (other / "genotypes").glob(f"{batch}.*")
    good = path.read_bytes()
    path.write_bytes(good[: len(good) // 2])
    done = crossproof("run", other)
    assert done.returncode == 1
    assert batch in done.stdout
    verdicts = table(other, "verdicts")
    waiting = verdicts[verdicts["plate"] == "P001"]
    assert set(waiting["verdict"]) == {"undetermined"}
    assert set(waiting["reason"]) == {"genotype file set aside"}
    assert (verdicts[verdicts["plate"] == "P002"]["verdict"] == "hybrid").any()
    assert f"genotypes/{path.name}" in set(table(other, "problems")["file"])
    path.write_bytes(good)
    crossproof("run", other)
    same = [name for name in TABLES if name != "changes.csv"]
    assert {n: tables_of(other)[n] for n in same} == {n: tables_of(held)[n] for n in same}


def test_refused_records_stop_with_2_and_say_all_at_once(tmp_path: Path) -> None:
    other = copy_of_demo(tmp_path / "demo")
    crosses = other / "crosses.csv"
    rows = crosses.read_text(encoding="utf-8").splitlines()
    rows[1] = rows[1].replace("2026-05-18", "someday")
    rows[2] = rows[2].replace("2026-05-19", "2026-13-19")
    crosses.write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = crossproof("run", other)
    assert done.returncode == 2
    assert "row 2" in done.stderr
    assert "row 3" in done.stderr
    problems = table(other, "problems")
    assert len(problems[problems["severity"] == "error"]) >= 2
    assert not (other / "results" / "verdicts.csv").exists()


def test_a_lone_bad_genotype_file_stops_with_2(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert crossproof("new", folder).returncode == 0
    for path in (folder / "genotypes").glob("*.csv"):
        path.write_bytes(b"\x00\x01 not a table")
    done = crossproof("run", folder)
    assert done.returncode == 2
    assert "error" in set(table(folder, "problems")["severity"])


def test_a_new_season_checks_and_runs_as_written(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert crossproof("new", folder).returncode == 0
    assert crossproof("check", folder).returncode == 0
    done = crossproof("run", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(table(folder, "verdicts"))


def test_explain_says_why(season: Path) -> None:
    plant = table(season, "verdicts").query("verdict == 'self'")["plant"].iloc[0]
    done = crossproof("explain", season, plant)
    assert done.returncode == 0, done.stderr
    assert plant in done.stdout
    assert "self" in done.stdout
    unknown = crossproof("explain", season, "no such plant")
    assert unknown.returncode == 2


def test_every_table_has_the_columns_that_are_declared_in_their_order(season: Path) -> None:
    found = cp.results(season)
    for field in fields(found):
        if field.name != "folder":
            declared = [c.name for c in RESULT_COLUMNS[field.name]]
            assert list(getattr(found, field.name).columns) == declared, field.name


def test_the_tables_in_memory_are_those_of_the_run(season: Path) -> None:
    found = cp.results(season)
    rates = cp.crossing_rates(season, found.verdicts)
    for field in fields(rates):
        # Only the run has plate checks, whose findings it writes beside each cross.
        read = getattr(found, field.name).drop(columns="findings", errors="ignore")
        pd.testing.assert_frame_equal(getattr(rates, field.name), read)
