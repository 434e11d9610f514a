"""What a panel's versions are at markers of one kind, and what plants of them and of the pool may be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crossproof.inference.pedigree import gamete_table, pool_genotypes
from crossproof.inference.short_axes import most_of_last
from crossproof.model.arrays import Floats, Floats32, Int8s, Ints
from crossproof.model.genotypes import genotype_alleles

DEPARTURE_POOL_INBREEDING = 0.5
"""A parent plant departs to a genotype of the pool, residual heterozygotes as likely as fixed ones."""
MOST_KEPT = 2_000_000
"""Numbers that are kept of what plants of a panel's versions may be, so that families share them."""


@dataclass(frozen=True)
class PanelBlock:
    """Markers of k alleles and one inheritance: joined `rows` (m,), `consensus` (m, V, n_g) posteriors of the
    versions, `q` (m, k) pool frequencies."""

    k: int
    maternal: bool
    rows: Ints
    consensus: Floats32
    q: Floats

    @cached_property
    def gametes(self) -> Floats:
        """Gametes of every version (m, V, k)."""
        return np.asarray(self.consensus @ gamete_table(self.k))

    def parent_parts(self, place: Ints, version: int | Ints, h: float) -> tuple[Floats, Floats]:
        """Prior (m, n_g) of a parent plant in two parts: departed, h pool; as its line, (1-h) consensus.

        With places (m, 1) and several versions (F,) the priors are (m, F, n_g) and (m, 1, n_g).
        """
        departed = h * self.pool(DEPARTURE_POOL_INBREEDING)[place]
        return departed, (1 - h) * self.consensus[place, version].astype(np.float64)

    def plant(self, version: int, h: float) -> Floats:
        """Prior (m, n_g) of a plant of a version, at all markers of the block; kept."""
        asked = version, h
        if asked not in self._plants:
            if len(self._plants) * self.q.size > MOST_KEPT:
                self._plants.clear()
            departed, stayed = self.parent_parts(np.arange(len(self.rows)), version, h)
            self._plants[asked] = departed + stayed
        return self._plants[asked]

    def plants(self, version: int, shares: tuple[float, ...]) -> Floats:
        """Prior (share, m, n_g) of plants of a version that depart so far, at all markers; kept."""
        asked = version, shares
        if asked not in self._departing:
            if len(self._departing) * self.q.size * len(shares) > MOST_KEPT:
                self._departing.clear()
            self._departing[asked] = np.array([self.plant(version, share) for share in shares])
        return self._departing[asked]

    @cached_property
    def _departing(self) -> dict[tuple[int, tuple[float, ...]], Floats]:
        return {}

    @cached_property
    def _plants(self) -> dict[tuple[int, float], Floats]:
        return {}

    def fixed_at(self, sure: float) -> Int8s:
        """Genotype (m, V) at which a version is homozygous with posterior `sure` or more, else -1; kept."""
        if sure not in self._fixed:
            best = self.consensus.argmax(axis=2)
            pairs = genotype_alleles(self.k)
            homozygous = (pairs[:, 0] == pairs[:, 1])[best]
            clear = most_of_last(self.consensus) >= sure
            self._fixed[sure] = np.where(clear & homozygous, best, -1).astype(np.int8)
        return self._fixed[sure]

    @cached_property
    def _fixed(self) -> dict[float, Int8s]:
        return {}

    def pool(self, inbreeding: float) -> Floats:
        """Genotypes of a plant drawn from the pool (m, n_g); maternal markers are always homozygous."""
        inbreeding = 1.0 if self.maternal else inbreeding
        if inbreeding not in self._pools:
            self._pools[inbreeding] = pool_genotypes(self.q, inbreeding)
        return self._pools[inbreeding]

    @cached_property
    def _pools(self) -> dict[float, Floats]:
        return {}
