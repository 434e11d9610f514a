"""What judging costs: processor seconds of run-wide rates and of verdicts, in memory, against an older tree.

    python benchmarks/judging_cost.py                              clean60, messy60 and thousand_plates
    python benchmarks/judging_cost.py --before OTHER/src           beside another checkout, taking turns
    python benchmarks/judging_cost.py --lines 60 500 2000          how it grows with the number of lines

Each season (100 crosses) is simulated, its rates estimated as in a first run, and every plant judged,
in a process of its own; least of `--turns` turns. With `--before` verdicts are compared as well.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from judged_seasons import judge_season

from crossproof.inference import season_model
from crossproof.model.settings import Settings
from crossproof.score import POSTERIORS
from crossproof.simulate import preset, simulate_season

CROSSES, SEED = 120, 5  # fewer are judged without compiled loops
PRESETS = ("clean60", "messy60", "thousand_plates")


def measure(name: str, lines: int | None, out: Path) -> None:
    """Judge one season: verdicts to a file, processor seconds (rates, verdicts) to standard output."""
    plan = dataclasses.replace(preset(name), n_crosses=CROSSES)
    if lines is not None:
        plan = dataclasses.replace(plan, n_lines=lines)
    season = simulate_season(plan, np.random.default_rng(SEED))
    spent = 0.0
    fit = season_model.fit_panel

    def timed(*args, **kwargs):
        nonlocal spent
        start = time.process_time()
        panel = fit(*args, **kwargs)
        spent = time.process_time() - start
        return panel

    season_model.fit_panel = timed
    start = time.process_time()
    judged = judge_season(season, Settings())
    whole = time.process_time() - start
    judged[["sample_id", "verdict", *POSTERIORS]].to_csv(out, index=False)
    print(spent, whole - spent)


def turn(name: str, lines: int | None, source: Path | None, out: Path) -> tuple[float, float]:
    """Processor seconds of rates and verdicts, in a process that imports the package from `source`."""
    environment = dict(os.environ)
    if source is not None:
        environment["PYTHONPATH"] = str(source)
    command = [sys.executable, __file__, "--measure", name, "--out", str(out)]
    if lines is not None:
        command += ["--lines", str(lines)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    rates, verdicts = done.stdout.split()
    return float(rates), float(verdicts)


def compared(before: Path, now: Path) -> str:
    """How verdicts and probabilities of two trees differ."""
    old, new = (pd.read_csv(path).set_index("sample_id").sort_index() for path in (before, now))
    moved = np.abs(old[list(POSTERIORS)] - new[list(POSTERIORS)]).to_numpy().max(axis=1)
    other = int((old["verdict"] != new["verdict"]).sum())
    return f"{other} of {len(old)} verdicts differ, probabilities by {moved.max():.1e} at most"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("presets", nargs="*", default=list(PRESETS))
    parser.add_argument("--before", type=Path, help="folder with another tree's crossproof package")
    parser.add_argument("--lines", type=int, nargs="*")
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--measure", help=argparse.SUPPRESS)
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        measure(options.measure, options.lines[0] if options.lines else None, options.out)
        return
    print("processor seconds, 100 crosses: run-wide rates + verdicts = all")
    with tempfile.TemporaryDirectory() as folder:
        for name in options.presets:
            for lines in options.lines or [None]:
                out = {tree: Path(folder) / f"{tree}.csv" for tree in ("before", "now")}
                cost: dict[str, list[tuple[float, float]]] = {"before": [], "now": []}
                for _ in range(options.turns):
                    if options.before:
                        cost["before"].append(turn(name, lines, options.before, out["before"]))
                    cost["now"].append(turn(name, lines, None, out["now"]))
                label = name if lines is None else f"{name}, {lines} lines"
                least = {tree: min(found, key=sum) for tree, found in cost.items() if found}
                for tree, (rates, verdicts) in least.items():
                    print(
                        f"{label:28s} {tree:7s}{rates:7.2f} +{verdicts:6.2f} ={rates + verdicts:7.2f}",
                        flush=True,
                    )
                if options.before:
                    ratio = sum(least["now"]) / sum(least["before"])
                    print(
                        f"{'':28s} now / before {ratio:.2f}; {compared(out['before'], out['now'])}",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
