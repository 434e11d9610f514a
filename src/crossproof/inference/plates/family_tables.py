"""What a further plant of a cross would be, given its sibs.

The plants of a cross share two parent plants, which differ from their lines here and there. A likeness to a
sib, or a mixture with one, must not be made of such shared departures: so the table of each relation is drawn
to what the sibs of that relation show,

    T'(g) = (2 T(g) + sum over other plants of this relation of P(g | data)) / (2 + their number).
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Floats, Ints


class FamilyTables:
    """The plants of one cross on one plate: `wells`, the likeliest `relation` of each, and their tables."""

    def __init__(
        self, scores: PlateScores, cross: int, wells: Ints, state: LineState, own: Floats | None = None
    ) -> None:
        """`own`: scores of all wells under their own crosses (well, relation), if they are at hand."""
        n = scores.season.n_lines
        self.wells = wells
        self.base, self.prior = scores.identity_tables(n + cross, int(wells[0]), state)
        if own is None:
            mother, father = scores.season.mother[[cross]], scores.season.father[[cross]]
            here = scores.relation_scores(mother, father, wells, state)[:, 0]
        else:
            here = own[wells]
        self.relation = (here + self.prior).argmax(axis=1)
        self.posterior = []
        for b, x in enumerate(scores.likelihood):
            table = self.base[b][self.relation].transpose(1, 0, 2)  # marker, well, genotype
            joint = x[:, wells] * (table + 0.02)
            self.posterior.append(joint / sum_of_last(joint, keepdims=True))

    def tables(self, place: int) -> list[Floats]:
        """T' for the plant at this place of `wells`, itself left out, per block (relation, marker,
        genotype)."""
        others = np.arange(len(self.wells)) != place
        out = []
        for base, post in zip(self.base, self.posterior, strict=True):
            t = 2 * base
            for r in np.unique(self.relation[others]):
                mine = others & (self.relation == r)
                t[r] = 2 * (t[r] + post[:, mine].sum(axis=1)) / (2 + mine.sum())
            out.append(t / 2)
        return out

    def all_tables(self) -> list[Floats]:
        """T' for all plants, each itself left out, per block (relation, marker, well, genotype)."""
        out = []
        for base, post in zip(self.base, self.posterior, strict=True):
            of_kind = self.relation == np.arange(len(base))[:, None]  # relation, well
            sums = np.einsum("rw,mwg->rmg", of_kind.astype(np.float64), post)[:, :, None]
            mine = of_kind[:, None, :, None] * post[None]
            others = of_kind.sum(axis=1)[:, None] - of_kind
            out.append((2 * base[:, :, None] + sums - mine) / (2 + others)[:, None, :, None])
        return out

    def kinds(self) -> list[Floats]:
        """T' of each plant's likeliest relation, per block (marker, well, genotype)."""
        wells = np.arange(len(self.wells))
        return [t[self.relation, :, wells].transpose(1, 0, 2) for t in self.all_tables()]
