"""The share of stray seed, of another cross than the tag's, from how well wells fit all crosses of a plate.

The prior and what follows from the share are told in `tag_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.plates.log_sums import log_sum
from crossproof.model.arrays import Floats, Ints

STRAY_SHARE, STRAY_WEIGHT = 0.003, 400.0
"""Beta prior of the share of stray seed: its mean (what the family model gives to another cross, see
`settings.RELATION_WEIGHTS`), and the number of plants that it is worth. No source."""


@dataclass(frozen=True)
class TagScores:
    """F of some wells under all crosses of the plate, (well, cross); both axes sorted."""

    wells: Ints
    crosses: Ints
    full: Floats

    def under(self, stray: float) -> Floats:
        """T, (well, cross), where `stray` is the share of stray seed."""
        return np.asarray(np.logaddexp(np.log1p(-stray) + self.full, np.log(stray) + self._any[:, None]))

    @property
    def _any(self) -> Floats:
        """log P(data | a plant of any cross of the plate), (well,)."""
        return np.asarray(log_sum(self.full, axis=1) - np.log(len(self.crosses)))

    def stray(
        self, tag: Ints, plants: int, elsewhere: tuple[float, float], among: Ints | None = None
    ) -> float:
        """Share of stray seed, by EM; wells that are not here fit their tags and are none.

        `tag` (well,): cross on each well's tag. `plants`: plants called on the plate. `elsewhere`: stray seed
        and plants on other plates. `among`: places of the wells to count, all if None.
        """
        share = STRAY_SHARE
        for _ in range(5):
            found = self.strays(tag, share, among) + elsewhere[0]
            share = (STRAY_SHARE * STRAY_WEIGHT + found) / (STRAY_WEIGHT + max(plants, 0) + elsewhere[1])
        return share

    def strays(self, tag: Ints, share: float, among: Ints | None = None) -> float:
        """Expected number of stray seed among the wells, where `share` of all plants are stray."""
        among = np.arange(len(tag)) if among is None else among
        own = np.log1p(-share) + self.full[among, np.searchsorted(self.crosses, tag[among])]
        odd = np.log(share) + self._any[among]
        return float(np.exp(odd - np.logaddexp(own, odd)).sum())
