"""Plants typed in several wells: do the wells tell of the same plant?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.posteriors import Priors, summed_by
from crossproof.inference.family.solution import Solution
from crossproof.inference.lines.consensus import discordance
from crossproof.model.arrays import Bools, Floats, Ints

SURE = 0.9
"""Class posterior at or above which a well alone says what the plant is."""


@dataclass(frozen=True)
class Replicates:
    """Wells of plants that have several: `owner` (w,) plant number, `like` (m, w, n_g) per block."""

    owner: Ints
    like: tuple[Floats, ...]


def compare_wells(
    replicates: Replicates,
    blocks: tuple[FamilyBlock, ...],
    solution: Solution,
    log_prior: Floats,
    klass: Ints,
    n_pair: int,
    n_plants: int,
    compiled: bool,
) -> tuple[Floats, Bools]:
    """Largest share of markers (n,) at which two wells of a plant differ, and whether they disagree on its
    class.

    Each well is judged alone under the family's parents by the relations to them and by pollen donors;
    `log_prior` and `klass` (row,) begin with these. Wells disagree where two of them lead to different
    classes, each with at least SURE.
    """
    w = len(replicates.owner)
    parts = tuple(replace(b, like=like) for b, like in zip(blocks, replicates.like, strict=True))
    n_donor = blocks[0].donors.shape[1]
    unheard = Priors(log_prior[:n_pair], log_prior[n_pair : n_pair + n_donor], np.full(w, -np.inf))
    alone = Family(parts, unheard, compiled=compiled).solve(solution.mother, solution.father, max_rounds=0)
    scores = log_prior[: n_pair + n_donor, None] + np.concatenate([alone.pair, alone.donor])
    posterior = np.exp(scores - np.logaddexp.reduce(scores, axis=0))
    by_class = summed_by(klass[: n_pair + n_donor], posterior, 4)
    leading, sure = by_class.argmax(axis=0), by_class.max(axis=0) >= SURE
    differ, disagree = np.zeros(n_plants), np.zeros(n_plants, dtype=bool)
    between = np.nan_to_num(discordance(list(replicates.like)), nan=0.0)
    for plant in sorted(set(replicates.owner.tolist())):
        own = np.flatnonzero(replicates.owner == plant)
        differ[plant] = between[own[:, None], own].max(initial=0.0)
        disagree[plant] = len(set(leading[own][sure[own]].tolist())) > 1
    return differ, disagree
