"""Origins of a plant outside its tag: another panel line, the F1 of another cross, an unknown plant.

None of these depends on the family's own parent plants, so each is one log likelihood per plant. Thousands of
other crosses are screened first by a lower bound of their log likelihood that is one matrix product, sum_j
sum_g P(g | F1) log L_ij(g) (Jensen), at markers spread over the genome; the best are then computed exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crossproof.inference.evidence.marker_choice import evenly
from crossproof.inference.family.compiled_rounds import screen_loop
from crossproof.inference.family.emissions import log_product
from crossproof.inference.lines.panel import Panel
from crossproof.inference.pedigree import child_of_gametes
from crossproof.inference.season_results import CrossRecord
from crossproof.model.arrays import Bools, Floats, Floats32, Ints

SCREEN_MARKERS = 192
"""Markers by which other crosses are screened."""
EXACT_CROSSES = 8
"""Crosses per plant that pass the screen."""
SMALL_PRODUCT = 1_000_000
"""Multiplications up to which matrix products are made by routines for small ones."""
PER_GROUP = 32
"""Crosses to a group by whose best the few that can pass the screen are told from the many that cannot."""


def log_mixture(like: Floats, genotypes: Floats) -> Floats:
    """sum_j log sum_g L_ij(g) P_j(g), (n, origin); like (m, n, n_g), genotypes (m, origin, n_g)."""
    mixed = np.matmul(like, genotypes.transpose(0, 2, 1))  # m, n, origin
    return log_product(mixed, 0)


@dataclass(frozen=True)
class OtherCrosses:
    """Crosses of the records whose two lines are typed, made ready once for all families.

    `mother`, `father` (X,): versions; `ids` (X,); `screen_rows`: joined markers of the screen; `screen` (X,
    marker x genotype): genotype probabilities of each F1 there; `second` (marker, V): share of the second
    allele in the gametes of every version.
    """

    ids: tuple[str, ...]
    mother: Ints
    father: Ints
    screen_rows: Ints
    screen: Floats32
    second: Floats32

    @cached_property
    def both(self) -> Floats32:
        """Probability (marker, X) that both gametes carry the second allele."""
        return np.ascontiguousarray(self.second[:, self.mother] * self.second[:, self.father])

    @cached_property
    def by_column(self) -> Floats32:
        """`screen` the other way round: a product with it then need not copy it first."""
        return np.ascontiguousarray(self.screen.T)


def prepare_crosses(records: Sequence[CrossRecord], panel: Panel) -> OtherCrosses:
    """Make the crosses of the records ready for `verify_family`; crosses of the same two lines count once.

    Crosses with an untyped line are left out. The name of a pair is that of its first cross by name.
    """
    first: dict[tuple[str, str], str] = {}
    for record in records:
        lines = record.mother, record.father
        first[lines] = min(first.get(lines, record.cross_id), record.cross_id)
    ids: dict[tuple[int, int], str] = {}
    for (mother_line, father_line), cross_id in sorted(first.items(), key=lambda item: item[1]):
        mother, father = panel.versions(mother_line), panel.versions(father_line)
        if len(mother) and len(father) and mother[0] != father[0]:
            pair = (int(min(mother[0], father[0])), int(max(mother[0], father[0])))
            ids.setdefault(pair, cross_id)
    pairs = sorted(ids)
    mothers = np.array([p[0] for p in pairs], dtype=np.int64)
    fathers = np.array([p[1] for p in pairs], dtype=np.int64)
    block = next((b for b in panel.blocks if b.k == 2 and not b.maternal), None)
    rows = np.empty(0, dtype=np.int64)
    table = np.zeros((len(pairs), 0), dtype=np.float32)
    second = np.zeros((0, len(panel.version_line)), dtype=np.float32)
    if block is not None:
        usable = np.flatnonzero(panel.set_aside[block.rows] == "")
        place = evenly(usable, SCREEN_MARKERS)
        gametes = block.gametes[place]
        f1 = child_of_gametes(gametes[:, mothers], gametes[:, fathers])  # m, X, g
        table = np.ascontiguousarray(
            f1.transpose(1, 0, 2).reshape(len(pairs), f1.shape[0] * f1.shape[2]), dtype=np.float32
        )
        rows = block.rows[place]
        second = np.ascontiguousarray(gametes[:, :, 1], dtype=np.float32)
    return OtherCrosses(tuple(ids[p] for p in pairs), mothers, fathers, rows, table, second)


def screen_crosses(others: OtherCrosses, like: Floats, leave_out: Bools, *, compiled: bool = False) -> Ints:
    """Crosses worth an exact look: the best EXACT_CROSSES of every plant, increasing.

    `like` (screen marker, n, n_g); `leave_out` (X,): crosses that are no *other* cross for this family;
    `compiled`: by a loop where that is certain to find the same ones.
    """
    candidates = np.flatnonzero(~leave_out)
    if len(candidates) <= EXACT_CROSSES:
        return candidates
    m, n, n_g = like.shape
    log_like = np.log(like).astype(np.float32)
    clearly_best = screen_loop() if compiled else None
    if clearly_best is not None:
        chosen, certain = clearly_best(
            log_like, others.second, others.both, others.mother, others.father, leave_out, EXACT_CROSSES
        )
        if certain:
            return np.flatnonzero(chosen)
    log_like = log_like.transpose(1, 0, 2).reshape(n, m * n_g)
    # the last bits of a small product differ by how the matrix lies, and so which of two close crosses passes
    large = n > 1 and log_like.size * len(others.ids) > SMALL_PRODUCT
    score = log_like @ (others.by_column if large else others.screen.T)
    score[:, np.flatnonzero(leave_out)] = -np.inf
    return np.unique(best_of_rows(score, EXACT_CROSSES))


def best_of_rows(score: Floats32, most: int) -> Ints:
    """Columns (row, most) of the highest scores of every row, in any order."""
    n, columns = score.shape
    groups = columns // PER_GROUP
    if groups < most:
        return np.asarray(np.argpartition(-score, most - 1, axis=1)[:, :most])
    # So many groups reach that much, each by another column: no score below it is among the highest.
    tops = score[:, : groups * PER_GROUP].reshape(n, PER_GROUP, groups).max(axis=1)
    least = np.partition(tops, groups - most, axis=1)[:, groups - most]
    row, column = np.nonzero(score >= least[:, None])
    value = score[row, column]
    order = np.lexsort((-value, row))
    first = np.searchsorted(row, np.arange(n))
    last = first + most - 1
    after = np.minimum(last + 1, len(row) - 1)
    if ((row[after] == np.arange(n)) & (after > last) & (value[order[after]] == value[order[last]])).any():
        # of equal scores the partition says which
        return np.asarray(np.argpartition(-score, most - 1, axis=1)[:, :most])
    return np.asarray(column[order[first[:, None] + np.arange(most)]])
