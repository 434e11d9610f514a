"""How long a plan takes: 500 crosses and 5,000 candidate markers, from contrast table to checked marker set.

    python benchmarks/planning.py [CROSSES] [MARKERS] [LINES]

Invented data: inbred lines with independent markers, allele frequencies uniform between 0.1 and 0.5, error
and call rates that differ from marker to marker. Prints seconds per part; the target is under two minutes for
choosing the markers of 500 crosses among 5,000.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from crossproof.model.genotypes import Markers
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.smallest_set import PanelTask, choose
from crossproof.planning.numbers import team_rates
from crossproof.planning.run_plan import make_plan


def invented_panel(n_lines: int, n_markers: int, on_panel: int, rng: np.random.Generator) -> PanelGenotypes:
    """Inbred lines at biallelic markers, the first `on_panel` of them in use."""
    q = rng.uniform(0.1, 0.5, n_markers)
    genotype = 2 * (rng.random((n_markers, n_lines)) < q[:, None]).astype(int)
    consensus = np.full((n_markers, n_lines, 3), 0.002)
    np.put_along_axis(consensus, genotype[:, :, None], 0.996, 2)
    share = np.clip(genotype.mean(axis=1) / 2, 0.02, 0.98)
    markers = Markers(
        np.array([f"M{i:05d}" for i in range(n_markers)], dtype=object),
        np.array([f"Chr{i % 11 + 1:02d}" for i in range(n_markers)], dtype=object),
        np.arange(n_markers, dtype=np.int64) * 50_000,
        (("A", "G"),) * n_markers,
        np.zeros(n_markers, dtype=bool),
    )
    block = PanelBlock(
        2,
        np.arange(n_markers),
        consensus,
        np.column_stack([1 - share, share]),
        np.ones((n_markers, n_lines), dtype=bool),
    )
    return PanelGenotypes(
        tuple(f"L{i:03d}" for i in range(n_lines)),
        markers,
        (block,),
        rng.beta(2, 300, n_markers),
        rng.beta(2, 80, n_markers),
        rng.beta(30, 2, n_markers),
        np.ones(n_markers, dtype=bool),
        np.arange(n_markers) < on_panel,
        np.ones(n_markers),
    )


def main() -> None:
    """Run and print."""
    n_crosses, n_markers, n_lines = (
        int(a) for a in (sys.argv[1:] + ["500", "5000", "100"][len(sys.argv) - 1 :])
    )
    rng = np.random.default_rng(7)
    panel = invented_panel(n_lines, n_markers, 12, rng)
    mother = rng.integers(0, n_lines, n_crosses)
    father = (mother + rng.integers(1, n_lines, n_crosses)) % n_lines
    settings = PlanSettings()

    genotype = panel.blocks[0].consensus.argmax(axis=2)
    weight = (genotype[:, mother] != genotype[:, father]).T.astype(float)
    ones = np.ones(n_markers)
    task = PanelTask(
        weight=weight,
        need=np.full(n_crosses, 6.0),
        cost=ones,
        worth=np.ones(n_crosses),
        chromosome=panel.markers.chrom,
        position=panel.markers.pos,
        forced_in=ones < 0,
        forced_out=ones < 0,
        min_per_chromosome=1,
    )
    for name, at_most in (("smallest set", 0), ("at most 12 markers", 12)):
        choice = choose(task, at_most=at_most, seconds=settings.solver_seconds)
        print(
            f"{name}: {choice.chosen.sum()} markers, {choice.reached.sum()} crosses, objective "
            f"{choice.objective:g}, "
            f"greedy {choice.greedy:g}, bound {choice.bound:g}, gap {choice.gap:.1%}, {choice.seconds:.1f} s"
        )

    crosses = [
        PlannedCross(f"P{i:03d}", panel.lines[m], panel.lines[f])
        for i, (m, f) in enumerate(zip(mother, father, strict=True))
    ]
    rates = team_rates([], [], [], [], [], settings.class_prior)
    start = time.process_time()
    plan = make_plan(settings=replace(settings), panel=panel, planned=crosses, rates=rates)
    print(
        f"whole plan: {time.process_time() - start:.1f} processor seconds; "
        f"{(plan.crosses['verifiable'] == 'yes').sum()} of {n_crosses} verifiable"
    )
    for note in plan.notes:
        print("  " + note[:240])


if __name__ == "__main__":
    main()
