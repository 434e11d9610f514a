"""How the cost of a run grows with plants, crosses, plates, markers and lines, one at a time.

    python benchmarks/growth.py [--of plants crosses plates markers] [--steps 4] [--cores 2] [--jobs]
    python benchmarks/growth.py --of lines singles --jobs     to 2,000 lines; 10,000 crosses of one plant

For each quantity a row of invented seasons in which it doubles while the others stay, `crossproof run` on
each, and two figures: the exponent p of cost ~ size^p over all sizes (least squares on logarithms; 1 is
linear, fixed costs pull it down), and the cost of the last doubling beside that of the one before it (2
is linear, more is worse). Cost is processor seconds of all processes. The families that the run-wide
rates are estimated from are limited in number, and so are the markers per cross
(`max_markers_per_cross`), as in any run. `--jobs` also prints the processor seconds of each rule's jobs.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import os
import platform
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
from pipeline import by_rule, run_watched

from crossproof.simulate import simulate_season, write_season
from crossproof.simulate.plan import SeasonPlan
from crossproof.simulate.presets import preset

BASE = dataclasses.replace(preset("thousand_plates"), n_crosses=400, plants_per_cross=9)


def plan_for(quantity: str, factor: int) -> tuple[int, SeasonPlan]:
    """Size and plan of a season with `factor` times as much of one quantity."""
    if quantity == "plants":  # of the same crosses
        plants = 4 * factor
        return BASE.n_crosses * plants, dataclasses.replace(BASE, plants_per_cross=plants)
    if quantity == "crosses":  # that share the same number of plants
        crosses, plants = 100 * factor, 64 // factor
        return crosses, dataclasses.replace(BASE, n_crosses=crosses, plants_per_cross=plants)
    if quantity == "plates":  # with their crosses and plants
        return 20 * factor, dataclasses.replace(BASE, n_crosses=200 * factor)
    if quantity == "lines":  # all of them possible pollen donors of every plant
        lines = 250 * factor
        return lines, dataclasses.replace(BASE, n_crosses=100, n_lines=lines)
    if quantity == "singles":  # crosses of one plant each
        crosses = 1_250 * factor
        return crosses, dataclasses.replace(BASE, n_crosses=crosses, plants_per_cross=1)
    markers = 60 * factor
    return markers, dataclasses.replace(BASE, n_crosses=100, n_markers=markers)


def main() -> None:
    """Print the table."""
    usual = ("plants", "crosses", "plates", "markers")
    quantities = (*usual, "lines", "singles")
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--of", nargs="+", choices=quantities, default=list(usual))
    parser.add_argument("--steps", type=int, default=4, help="sizes per quantity, each twice the one before")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--jobs", action="store_true")
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="crossproof-growth-"))
    load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    print(f"{dt.date.today()}  {platform.machine()}, {os.cpu_count()} cores, load before: {load}", flush=True)
    for quantity in given.of:
        sizes, costs = [], []
        for step in range(given.steps):
            size, plan = plan_for(quantity, 2**step)
            season = folder / "season"
            shutil.rmtree(season, ignore_errors=True)
            write_season(simulate_season(plan, np.random.default_rng(5)), season)
            command = [sys.executable, "-m", "crossproof.cli", "run", str(season), "--allow-findings"]
            cost = run_watched([*command, "--cores", str(given.cores)])
            sizes.append(size)
            costs.append(cost.cpu)
            print(f"{quantity:8s} {size:7d}  {cost.cpu:7.1f} s  {cost.memory:5.0f} MiB", flush=True)
            if given.jobs:
                print("        " + ", ".join(f"{rule} {s:.1f}" for rule, s in by_rule(season).items()))
        slope = np.polyfit(np.log(sizes), np.log(costs), 1)[0]
        more = np.diff(costs)
        last = f"{more[-1] / more[-2]:.2f}" if len(more) > 1 else "-"
        print(f"{quantity}: cost ~ size^{slope:.2f}; last doubling {last} times the one before", flush=True)
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
