"""Scores of all wells of a plate under all identities that occur on it: looked up by identity, and bounded.

S and E as in `scores`, which makes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.model.arrays import Floats, Ints

UNKNOWN = -2
"""Identity of a place that the sheet does not describe."""
ODD = 0.002
"""Probability that a well holds something else than its tag says, beyond the classes of a cross."""


@dataclass(frozen=True)
class Matrix:
    """Scores of all wells under all identities of the plate.

    `ids` (identity,) sorted; `plain` S and `robust` E (well, identity); `anything`, `empty`, `unknown`
    (well,).
    """

    ids: Ints
    plain: Floats
    robust: Floats
    anything: Floats
    empty: Floats
    unknown: Floats

    @cached_property
    def table(self) -> Floats:
        """E with two further columns, (well, identity + 2): EMPTY last but one, UNKNOWN last."""
        return np.column_stack([self.robust, self.empty, self.unknown])

    def column(self, identity: Ints) -> Ints:
        """Column of `table` of each identity."""
        found = np.searchsorted(self.ids, identity)
        found = np.where(identity == EMPTY, len(self.ids), found)
        return np.asarray(np.where(identity == UNKNOWN, len(self.ids) + 1, found))

    def own(self, identity: Ints) -> Floats:
        """E of each well under its identity, (well,)."""
        return np.asarray(self.table[np.arange(len(identity)), self.column(identity)])

    @property
    def bound(self) -> float:
        """Most that one well may say for or against a layout, log(identities / ODD)."""
        return float(np.log(max(len(self.ids), 2) / (ODD / 2)))
