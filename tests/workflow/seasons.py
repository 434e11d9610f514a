"""Seasons for the workflow's tests, and what a run did with them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.runner.events import Event, Happened, read_events
from crossproof.runner.workflow import jobs_log
from crossproof.season.work_folder import WorkFolder
from crossproof.simulate import simulate_season, write_season
from crossproof.simulate.plan import SeasonPlan

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_genotypes"
LEFT_BEHIND = ("results", ".crossproof", ".snakemake", "calibration.json")
TABLES = (
    "verdicts.csv", "verdicts.parquet", "crosses.csv", "operators.csv", "factors.csv", "plates.csv",
    "samples.csv", "markers.csv", "lines.csv", "problems.csv", "changes.csv",
)  # fmt: skip


def copy_of_demo(folder: Path) -> Path:
    """The demo season without what runs leave in it."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns(*LEFT_BEHIND))
    return folder


def crossproof(
    *arguments: object, env: dict[str, str] | None = None, timeout: float = 280
) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user would."""
    return subprocess.run(
        [sys.executable, "-m", "crossproof.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout,
        env={**os.environ, **(env or {})},
    )


def rules_run(season: Path) -> list[str]:
    """Names of the rules that the last run executed, the closing one aside."""
    return [rule for rule, _ in jobs_run(season)]


def jobs_run(season: Path) -> list[tuple[str, str]]:
    """Rule and bucket ("" where it has none) of every job that the last run executed."""
    started = [e for e in events(season) if e.happened is Happened.STARTED]
    return [(e.rule, e.wildcards.get("bucket", "")) for e in started if e.rule not in ("all", "default")]


def events(season: Path) -> list[Event]:
    """What the jobs of the last run did, so far."""
    log = jobs_log(WorkFolder(season))
    return list(read_events(log.read_text(encoding="ascii").splitlines())) if log.exists() else []


def write_plates(folder: Path, plan: SeasonPlan, seed: int = 5) -> Path:
    """An invented season of some plates."""
    write_season(simulate_season(plan, np.random.default_rng(seed)), folder)
    return folder


def take_last_plate(season: Path, away: Path) -> set[str]:
    """Take the last plate and the crosses that are on it alone out of a season, to add them later.

    Returns the crosses that have plants on that plate.
    """
    away.mkdir()
    sheets = sorted((season / "samples").glob("*.csv"))
    last = sheets[-1]
    typed = {p: pd.read_csv(p, dtype=str, keep_default_na=False)["cross_id"] for p in sheets}
    on_last = set(typed[last]) - {""}
    only_there = on_last - {c for p in sheets[:-1] for c in typed[p]}
    for name in ("crosses.csv", "config.yaml"):
        shutil.copy2(season / name, away / name)
    crosses = (season / "crosses.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [row for row in crosses if row.split(",", 1)[0] not in only_there]
    (season / "crosses.csv").write_text("".join(kept), encoding="utf-8")
    config = (season / "config.yaml").read_text(encoding="utf-8").splitlines(keepends=True)
    (season / "config.yaml").write_text("".join(r for r in config if f"{{batch: {last.stem}," not in r))
    for part in ("samples", "genotypes"):
        for path in (season / part).glob(f"{last.stem}.*"):
            shutil.move(path, away / f"{part}-{path.name}")
    return on_last


def add_plate(season: Path, away: Path) -> None:
    """Put back what `take_last_plate` took."""
    for path in away.iterdir():
        part, dash, name = path.name.partition("-")
        shutil.copy(path, season / part / name if dash else season / path.name)


def tables_of(season: Path) -> dict[str, bytes]:
    """The bytes of every result table."""
    return {name: (season / "results" / name).read_bytes() for name in TABLES}
