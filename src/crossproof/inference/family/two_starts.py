"""Families of a segregating parent: the likelier of two solutions, and the other as its rival.

The gap between an F1's self and its backcross can hide behind a parent that few markers were called of, or
one that is still heterozygous over stretches: either way the parents learned fit the plants.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.family.family_model import MAX_ROUNDS, Family
from crossproof.inference.family.posteriors import Start
from crossproof.inference.family.solution import Solution
from crossproof.model.arrays import Floats, Ints

MOST_ROUNDS = 200
"""Rounds that a second start may take: it begins far from what the plants show."""
RIVAL = 30.0
"""Natural-log evidence within which a second solution is a rival: the evidence is an approximation."""
NEAR = 0.15
"""Natural-log evidence per scored marker within which a plant is near another explanation, no source."""
TOLD = 1e-6
"""Range of a marker's likelihoods above which it counts as scored."""

PriorPair = tuple[tuple[Floats, ...], tuple[Floats, ...]]
"""Priors (m, n_g) of mother and father per block."""


def from_two_starts(
    family: Family, parents: PriorPair, within: PriorPair | None, active: Ints | None, run_wide: bool
) -> Solution:
    """The likelier of two solutions, `rival` set where the other explains nearly as much otherwise.

    Where some plant is near another explanation, the fixed parent may be another plant than its line's over
    stretches, with the priors `within` there, and both solutions are found anew. `run_wide`: solutions for
    the run-wide estimates, which leave stretches out and keep what the others say of the parents.
    """
    best = _likelier(family, parents, active, None, run_wide)
    doubtful = best.rival or not best.converged or near_another(family, best)
    if within is not None and doubtful and not run_wide:
        # a plant without stretches is among those that may have some, so a worse fit is an optimum missed; a
        # better one under which plants change their class may be another line's plant, and decides nothing
        plain, best = best, max(best, _likelier(family, parents, active, within, run_wide), key=_fit)
        moved = best is not plain and (_leading(family, best) != _leading(family, plain)).any()
        best = replace(best, rival=best.rival or bool(moved))
    return best


def near_another(family: Family, solution: Solution) -> bool:
    """Whether some plant is nearly a hybrid and taken for a self, or nearly a self of the fixed parent and
    taken for a hybrid.

    A hybrid is never far from a self of the F1, which may be the union of the same gamete with one that did
    not cross over.
    """
    hybrid, mother, father = solution.pair[:3]
    fixed, segregating = (father, mother) if family.kinds.mother else (mother, father)
    against = np.where(hybrid >= np.maximum(fixed, segregating), hybrid - fixed, segregating - hybrid)
    scored = sum((np.ptp(b.like, axis=2) > TOLD).sum(axis=0) for b in family.blocks if not b.maternal)
    return bool(((against >= 0) & (against < NEAR * scored)).any())


def _likelier(
    family: Family, parents: PriorPair, active: Ints | None, within: PriorPair | None, keep_outside: bool
) -> Solution:
    found = [
        family.solve(
            *parents,
            start=start,
            active=active,
            keep_outside=keep_outside,
            max_rounds=MOST_ROUNDS if start is Start.HYBRIDS else MAX_ROUNDS,
            within=within,
        )
        for start in (Start.ALONE, Start.HYBRIDS)
    ]
    best = max(found, key=_fit)
    rivals = [s for s in found if s.converged and s.log_evidence > best.log_evidence - RIVAL]
    leading = [_leading(family, s) for s in rivals]
    return replace(best, rival=any((x != leading[0]).any() for x in leading))


def _fit(solution: Solution) -> tuple[bool, float]:
    """What the likelier of two solutions has more of."""
    return solution.converged, solution.log_evidence


def _leading(family: Family, solution: Solution) -> Ints:
    """Hybrid, self or another relation (n,), whichever is likeliest of each plant."""
    own, rows = family.priors, family.rows
    pair = own.pair[:, None] + solution.pair[rows]
    donor = own.donor[:, None] + solution.donor
    rest = np.concatenate([pair[2:], donor, np.broadcast_to(own.flat, (1, family.n))])
    return np.asarray(np.concatenate([pair[:2], rest.max(axis=0)[None]]).argmax(axis=0))
