"""The smallest marker set of the planner against an exhaustive search with a model of its own.

    python benchmarks/smallest_marker_set.py [--panels 20] [--markers 16] [--crosses 6] [--lines 8] [--seed 1]
        [--first 0]

Panels of 16 candidate markers whose error and call rates differ. For every marker set smaller than the
planner's, smallest first, it is asked how many crosses it proves; none may prove as many as the planner's.
What a set proves is worked out here from Bayes' theorem over every outcome of a plant, one by one, without
the planner's bounds and trees. A set is passed over only where the contrast markers it holds of a cross would
not do by the same sums, were there no relations but those of the two parents.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from itertools import combinations

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import Markers
from crossproof.model.results import Relation
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.markers.marker_plan import MarkerPlan, plan_markers
from crossproof.planning.power.evidence import CrossEvidence, contrast_table, cross_evidence

SLACK = 0.005
PARENTAL = (
    Relation.HYBRID,
    Relation.SELF,
    Relation.FATHER_SELFED,
    Relation.ADVANCED,
    Relation.BACKCROSS_MOTHER,
    Relation.BACKCROSS_FATHER,
)


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


class Exhaustive:
    """P(right and determined) of a cross's hybrids and selfs at any set of markers, all outcomes summed."""

    def __init__(self, evidence: CrossEvidence, settings: PlanSettings) -> None:
        self._likelihood, self._chance = np.exp(evidence.score), evidence.prob
        self._prior, self._class = np.exp(evidence.log_prior), evidence.class_of
        self._true = (evidence.kinds.index(Relation.HYBRID), evidence.kinds.index(Relation.SELF))
        self._parental = np.array([k for k, kind in enumerate(evidence.kinds) if kind in PARENTAL])
        self._settings, self.contrast = settings, evidence.contrast
        self._known: dict[bytes, bool] = {}

    def right(self, rows: Ints, relations: Ints, least: int, wanted: float) -> bool:
        """Whether a hybrid and a self are right and determined often enough, were there only these relations.

        Outcomes rarer than a millionth are left out at first; where their sum could decide, nothing is.
        """
        for rarest in (1e-6, 0.0):
            found, rest = self._sums(rows, relations, least, rarest)
            if min(found) >= wanted or min(f + r for f, r in zip(found, rest, strict=True)) < wanted:
                break
        return min(found) >= wanted

    def _sums(
        self, rows: Ints, relations: Ints, least: int, rarest: float
    ) -> tuple[list[float], list[float]]:
        """P(right and determined) of a hybrid and a self, and what was left out of either."""
        joint = self._prior[relations][:, None]
        chance, scored = np.ones((2, 1)), np.zeros(1, dtype=np.int64)
        called = np.arange(self._chance.shape[2]) < self._chance.shape[2] - 1
        rest = np.zeros(2)
        for m in rows:
            joint = (joint[:, :, None] * self._likelihood[m, relations][:, None, :]).reshape(
                len(relations), -1
            )
            chance = (chance[:, :, None] * self._chance[m, list(self._true)][:, None, :]).reshape(2, -1)
            scored = (scored[:, None] + called).ravel()
            rare = chance.max(axis=0) < rarest
            if rare.any():
                rest += chance[:, rare].sum(axis=1)
                joint, chance, scored = joint[:, ~rare], chance[:, ~rare], scored[~rare]
        total = joint.sum(axis=0)
        out = []
        for k, true in enumerate(self._true):
            own = joint[self._class[relations] == self._class[true]].sum(axis=0)
            right = (own >= self._settings.min_posterior * total) & (scored >= least)
            out.append(float(chance[k, right].sum()))
        return out, rest.tolist()

    def chances(self, rows: Ints) -> list[float]:
        """P(right and determined) of a hybrid and a self at these markers, against all relations."""
        every = np.arange(len(self._prior))
        return self._sums(rows, every, self._settings.min_markers_scored, 1e-9)[0]

    def may_prove(self, rows: Ints) -> bool:
        """Whether these contrast markers would do for the relations of the two parents alone.

        The other relations can only spoil more verdicts, and at other markers those of the parents are alike
        but for what a parent plant may depart from its line, for which half a hundredth is allowed.
        """
        key = b"pair" + rows.tobytes()
        if key not in self._known:
            enough = len(rows) >= self._settings.min_markers_scored
            self._known[key] = enough and self.right(rows, self._parental, 0, self._settings.wanted - SLACK)
        return self._known[key]

    def proves(self, rows: Ints) -> bool:
        """Whether the cross is proven at these markers, against all relations."""
        key = rows.tobytes()
        if key not in self._known:
            every, least = np.arange(len(self._prior)), self._settings.min_markers_scored
            enough = int(self.contrast[rows].sum()) >= least
            self._known[key] = enough and self.right(rows, every, least, self._settings.wanted)
        return self._known[key]


def better_set(
    crosses: list[Exhaustive], chromosome: Ints, size: int, proven: int
) -> tuple[int, tuple[int, ...]] | None:
    """The smallest set below `size` that proves as many crosses, and its size; None where there is none."""
    markers = len(chromosome)
    for n in range(1, size):
        for chosen in combinations(range(markers), n):
            rows = np.array(chosen)
            if len(set(chromosome[rows])) < len(set(chromosome)):
                continue
            able = [c for c in crosses if c.may_prove(rows[c.contrast[rows]])]
            able.sort(key=lambda c: int(c.contrast[rows].sum()))
            good = 0
            for place, c in enumerate(able):
                if good + len(able) - place < proven:
                    break
                good += c.proves(rows)
            if good >= proven:
                return n, chosen
    return None


def planned(
    panel: PanelGenotypes, pairs: list[tuple[int, int]], settings: PlanSettings
) -> tuple[MarkerPlan, Floats]:
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
        own = [
            Exhaustive(cross_evidence(panel, fixed, m, f, settings, np.arange(markers)), settings)
            for m, f in pairs
        ]
        chosen = np.flatnonzero(plan.smallest.chosen)
        proves = sum(c.proves(chosen) for c in own) if len(chosen) <= 10 else plan.proven_by_smallest
        names = np.array([str(c) for c in panel.markers.chrom])
        found = better_set(own, names, len(chosen), plan.proven_by_smallest)
        said = "smallest" if plan.smallest.proven else f"none below {plan.smallest.bound:g}"
        good = found is None and proves == plan.proven_by_smallest
        equal += good
        yield (
            f"panel {k}: {len(chosen)} markers prove {plan.proven_by_smallest} of {crosses} "
            f"({plan.attainable} within reach), {said}, {ours:.1f} s; exhaustive search: "
            + ("no smaller set" if found is None else f"{found[0]} markers, {found[1]}")
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
