"""Seasons for the workflow's tests, and what a run did with them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd

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
    log = (season / ".crossproof" / "logs" / "workflow.log").read_text(encoding="utf-8")
    names = re.findall(r"^(?:local)?(?:rule|checkpoint) (\w+):", log, flags=re.MULTILINE)
    return [n for n in names if n not in ("all", "default")]


def jobs_run(season: Path) -> list[tuple[str, str]]:
    """Rule and bucket ("" where it has none) of every job that the last run executed."""
    log = (season / ".crossproof" / "logs" / "workflow.log").read_text(encoding="utf-8")
    found = []
    for block in re.split(r"\n(?=\[|\n)", log):
        rule = re.search(r"^(?:local)?(?:rule|checkpoint) (\w+):", block, flags=re.MULTILINE)
        bucket = re.search(r"wildcards: bucket=(\d+)", block)
        if rule and "jobid:" in block:
            found.append((rule.group(1), bucket.group(1) if bucket else ""))
    return [job for job in found if job[0] not in ("all", "default")]


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
