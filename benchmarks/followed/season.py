"""A simulated season through the Python package: what a user waits for.

    cd benchmarks && asv run --environment existing:../.venv/bin/python --quick

The season is invented, and the same at every commit as long as the simulator is. Compare ratios; absolute
figures belong to one machine.
"""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

import numpy as np

import crossproof as cp
from crossproof.simulate import simulate_season, write_season
from crossproof.simulate.plan import SeasonPlan

PLAN = SeasonPlan(n_markers=60, n_lines=12, n_crosses=40, plants_per_cross=8)


class Season:
    """Two plates with 60 markers: check, verdicts, rates, plan."""

    timeout = 300

    def setup(self) -> None:
        """Write the season, and have its verdicts for what starts from them."""
        warnings.simplefilter("ignore")
        self.place = tempfile.TemporaryDirectory()
        self.folder = Path(self.place.name) / "season"
        write_season(simulate_season(PLAN, np.random.default_rng(1)), self.folder)
        self.season = cp.read_season(self.folder)
        self.verdicts = cp.verify(self.season)

    def teardown(self) -> None:
        """Remove the season."""
        self.place.cleanup()

    def time_check(self) -> None:
        """All sheets and genotype files read and checked."""
        cp.check(self.folder)

    def time_verify(self) -> None:
        """From records and calls to verdicts, plate checks included."""
        cp.verify(self.season)

    def time_rates(self) -> None:
        """From verdicts to the tables of rates."""
        cp.crossing_rates(self.season, self.verdicts)

    def time_plan(self) -> None:
        """All pairs of lines planned."""
        cp.plan(self.season)

    def peakmem_verify(self) -> None:
        """Memory of the same as `time_verify`."""
        cp.verify(self.season)

    def track_determined(self) -> float:
        """Share of plants with a verdict: a gain in speed must not be a loss of these."""
        return float((self.verdicts["verdict"] != "undetermined").mean())
