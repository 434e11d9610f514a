"""The smallest marker set of the planner against an exhaustive search with a model of its own.

    python benchmarks/smallest_marker_set.py [--panels 20] [--markers 16] [--crosses 6] [--lines 8] [--seed 1]
        [--first 0]

Panels of 16 candidate markers whose error and call rates differ. Of every marker set, whatever its size, it
is worked out which crosses it proves (`every_marker_set.py`: all outcomes of a plant and all relations,
without the planner's bounds, ceilings and trees, and without supposing anything of larger and smaller sets).
No set smaller than the planner's may prove as many crosses as it does. A few sets of every cross are done
again from Bayes' theorem, one outcome after another (`direct`).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from every_marker_set import bits_of, every_set, sizes

from crossproof.model.arrays import Floats, Int8s, Ints
from crossproof.model.genotypes import Markers
from crossproof.model.results import Relation
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.marker_plan import MarkerPlan, plan_markers
from crossproof.planning.power.evidence import CrossEvidence, contrast_table, cross_evidence


def invented_panel(lines: int, markers: int, rng: np.random.Generator) -> PanelGenotypes:
    """Inbred lines, two alleles at each marker, error and call rates from good to poor."""
    allele = rng.random((markers, lines)) < rng.uniform(0.3, 0.7, markers)[:, None]
    consensus = np.full((markers, lines, 3), 0.002)
    np.put_along_axis(consensus, 2 * allele.astype(int)[:, :, None], 0.996, 2)
    share = np.clip(allele.mean(axis=1), 0.02, 0.98)
    names = Markers(
        np.array([f"M{i:02d}" for i in range(markers)], dtype=object),
        np.array([f"Chr{i % 3 + 1}" for i in range(markers)], dtype=object),
        np.arange(markers, dtype=np.int64) * 1_000_000,
        (("A", "G"),) * markers,
        np.zeros(markers, dtype=bool),
    )
    typed = np.ones((markers, lines), dtype=bool)
    block = PanelBlock(2, np.arange(markers), consensus, np.column_stack([1 - share, share]), typed)
    on = np.ones(markers, dtype=bool)
    return PanelGenotypes(
        tuple(f"L{i}" for i in range(lines)), names, (block,), rng.beta(2, 300, markers),
        rng.beta(2, 80, markers), rng.beta(40, 2, markers), on, on, np.ones(markers),
    )  # fmt: skip


CHECKED = 3
"""Sets of each cross that are done again, outcome by outcome."""

MOST_CHECKED = 7


def direct(evidence: CrossEvidence, rows: Ints, settings: PlanSettings) -> Floats:
    """P(right and determined) of a hybrid and a self at these markers, (2,), all outcomes one by one."""
    true = [evidence.index(kind) for kind in (Relation.HYBRID, Relation.SELF)]
    joint, chance = np.exp(evidence.log_prior)[:, None], np.ones((2, 1))
    scored = np.zeros(1, dtype=np.int64)
    called = np.arange(evidence.prob.shape[2]) < evidence.prob.shape[2] - 1
    for m in rows:
        joint = (joint[:, :, None] * np.exp(evidence.score[m])[:, None, :]).reshape(len(joint), -1)
        chance = (chance[:, :, None] * evidence.prob[m, true][:, None, :]).reshape(2, -1)
        scored = (scored[:, None] + called).ravel()
    enough = scored >= settings.min_markers_scored
    right = [(joint[k] >= settings.min_posterior * joint.sum(axis=0)) & enough for k in true]
    return (chance * np.array(right)).sum(axis=1)


@dataclass(frozen=True)
class Proven:
    """Crosses that every set proves for certain, and may prove, (set,) each; `unlike`: by how much the sums
    of a few sets depart from `direct`."""

    surely: Ints
    maybe: Ints
    unlike: float


def proven_by_every_set(
    panel: PanelGenotypes, fixed: Int8s, pairs: list[tuple[int, int]], settings: PlanSettings, rarest: float
) -> Proven:
    """What each of all sets proves; outcomes rarer than `rarest` stay open."""
    markers = len(panel.markers)
    surely, maybe = np.zeros((2, 1 << markers), dtype=np.int64)
    rng, unlike = np.random.default_rng(1), 0.0
    small = np.flatnonzero(sizes(markers) <= MOST_CHECKED)
    for mother, father in pairs:
        evidence = cross_evidence(panel, fixed, mother, father, settings, np.arange(markers))
        chances = every_set(evidence, settings, rarest)
        surely += chances.proven(settings.wanted)
        maybe += ~chances.unproven(settings.wanted)
        for at in rng.choice(small, CHECKED, replace=False):
            again = direct(evidence, np.flatnonzero(bits_of(markers)[at]), settings)
            off = np.maximum(chances.low[:, at] - again, again - chances.high[:, at])
            unlike = max(unlike, float(off.max()))
    return Proven(surely, maybe, unlike)


def planned(
    panel: PanelGenotypes, pairs: list[tuple[int, int]], settings: PlanSettings
) -> tuple[MarkerPlan, Int8s]:
    """The planner's own answer, and the contrast table it was made with."""
    fixed = contrast_table(panel, settings.clear_share)
    crosses = [PlannedCross(f"P{i}", panel.lines[m], panel.lines[f]) for i, (m, f) in enumerate(pairs)]
    return plan_markers(crosses, pairs, [True] * len(pairs), panel, fixed, settings, 5), fixed


def rows(panels: int, lines: int, markers: int, crosses: int, seed: int, first: int) -> Iterator[str]:
    """One line of text per panel, the sum last."""
    settings = PlanSettings()
    equal = 0
    for k in range(first, first + panels):
        rng = np.random.default_rng([seed, k])
        panel = invented_panel(lines, markers, rng)
        every = list(combinations(range(lines), 2))
        pairs = [every[i] for i in rng.choice(len(every), crosses, replace=False)]
        start = time.process_time()
        plan, fixed = planned(panel, pairs, settings)
        ours = time.process_time() - start
        if plan.smallest is None:
            yield f"panel {k}: no cross is within reach"
            equal += 1
            continue
        chosen, count = plan.smallest.chosen, plan.proven_by_smallest
        own = int((chosen.astype(np.int64) << np.arange(markers)).sum())
        size = sizes(markers)
        allowed = np.ones(1 << markers, dtype=bool)
        for name in set(panel.markers.chrom):
            allowed &= bits_of(markers)[:, panel.markers.chrom == name].any(axis=1)
        for rarest in (1e-6, 1e-8):
            proves = proven_by_every_set(panel, fixed, pairs, settings, rarest)
            smaller = allowed & (size < size[own])
            better, open_sets = smaller & (proves.surely >= count), smaller & (proves.maybe >= count)
            if (better == open_sets).all() and proves.surely[own] == proves.maybe[own]:
                break
        said = "smallest" if plan.smallest.proven else f"none below {plan.smallest.bound:g}"
        good = not open_sets.any() and proves.surely[own] == count and proves.unlike < 1e-9
        equal += good
        least = int(size[allowed & (proves.surely >= count)].min(initial=markers + 1))
        yield (
            f"panel {k}: {size[own]} markers prove {count} of {crosses} ({plan.attainable} within reach), "
            f"{said}, {ours:.1f} s; exhaustive search: "
            + (f"{smaller.sum()} smaller sets, none proves as many" if good else f"the least has {least}")
            + f", {time.process_time() - start - ours:.1f} s"
        )
    yield f"{equal} of {panels} panels: as small as an exhaustive search finds"


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, value in (
        ("panels", 20),
        ("lines", 8),
        ("markers", 16),
        ("crosses", 6),
        ("seed", 1),
        ("first", 0),
    ):
        parser.add_argument(f"--{name}", type=int, default=value)
    args = parser.parse_args()
    for line in rows(args.panels, args.lines, args.markers, args.crosses, args.seed, args.first):
        print(line, flush=True)


if __name__ == "__main__":
    main()
