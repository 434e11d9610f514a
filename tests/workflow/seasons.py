"""Seasons for the workflow's tests, and what a run did with them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

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


def crossproof(*arguments: object, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user would."""
    return subprocess.run(
        [sys.executable, "-m", "crossproof.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=280,
        env={**os.environ, **(env or {})},
    )


def rules_run(season: Path) -> list[str]:
    """Names of the rules that the last run executed, the closing one aside."""
    log = (season / ".crossproof" / "logs" / "workflow.log").read_text(encoding="utf-8")
    names = re.findall(r"^(?:local)?(?:rule|checkpoint) (\w+):", log, flags=re.MULTILINE)
    return [n for n in names if n not in ("all", "default")]


def tables_of(season: Path) -> dict[str, bytes]:
    """The bytes of every result table."""
    return {name: (season / "results" / name).read_bytes() for name in TABLES}
