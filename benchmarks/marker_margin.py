"""By how much a marker more can lower the chance of a right and determined verdict.

    python benchmarks/marker_margin.py [--pairs 300] [--seed 5]

Crosses of the panels of smallest_marker_set.py at 4 to 7 random markers, and at one marker more; the chances
are summed over all outcomes of a plant by its own sums, hybrids and selfs each. Printed: the largest
loss among all pairs, and among those where the smaller set has a chance within 0.1 of the wanted one. The
planner's search takes `MARGIN` (`planning/markers/proven_set.py`) for the largest that there can be.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from smallest_marker_set import Exhaustive, invented_panel

from crossproof.planning.inputs import PlanSettings
from crossproof.planning.markers.proven_set import MARGIN
from crossproof.planning.power.evidence import contrast_table, cross_evidence


def losses(pairs: int, seed: int) -> Iterator[tuple[float, float]]:
    """Chance at the smaller set, and what the further marker takes from it (negative: gives)."""
    rng, settings, found = np.random.default_rng(seed), PlanSettings(), 0
    while found < pairs:
        panel = invented_panel(8, 16, rng)
        fixed = contrast_table(panel, settings.clear_share)
        mother, father = (int(x) for x in rng.choice(8, 2, replace=False))
        cross = Exhaustive(cross_evidence(panel, fixed, mother, father, settings, np.arange(16)), settings)
        for _ in range(5):
            rows = rng.choice(16, int(rng.integers(5, 9)), replace=False)
            fewer, more = (cross.chances(np.sort(r)) for r in (rows[:-1], rows))
            yield from zip(fewer, (a - b for a, b in zip(fewer, more, strict=True)), strict=True)
            found += 1


def main() -> None:
    """Print the largest losses."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=5)
    args = parser.parse_args()
    chance, loss = np.array(list(losses(args.pairs, args.seed))).T
    near = np.abs(chance - PlanSettings().wanted) < 0.1
    print(f"{len(loss)} chances, {near.sum()} of them near the wanted one")
    print(f"a marker more lowers {(loss > 1e-6).mean():.1%} of them; most: {loss.max():.4f}")
    print(f"near the wanted chance: {(loss[near] > 1e-6).mean():.1%}; most: {loss[near].max(initial=0):.4f}")
    print(f"the planner allows for {MARGIN}")


if __name__ == "__main__":
    main()
