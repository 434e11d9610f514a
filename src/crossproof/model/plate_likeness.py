"""Plates that hold the same, or nearly the same, in the same wells.

Plates that differ in fewer than n wells hold the same in every well of at least one of n parts of the wells:
only plates that share such a part are compared well by well, not every plate with every other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Ints


@dataclass(frozen=True)
class NearlyAlike:
    """Two plates, by their places, and the positions in which they differ."""

    first: int
    second: int
    positions: tuple[int, ...]


def alike(grids: Ints) -> list[list[int]]:
    """Plates grouped by what they hold; grids (plate, position): a number for all that can be told of a
    well."""
    groups: dict[bytes, list[int]] = {}
    for place, grid in enumerate(np.ascontiguousarray(grids)):
        groups.setdefault(grid.tobytes(), []).append(place)
    return list(groups.values())


def nearly_alike(grids: Ints, among: Iterable[int], fewer_than: int) -> list[NearlyAlike]:
    """Pairs of the plates `among` that differ in at least one and fewer than so many positions, in order."""
    places = np.array(sorted(among), dtype=np.int64)
    found: dict[tuple[int, int], NearlyAlike] = {}
    for part in range(fewer_than):
        # every n-th well, so that no part lies in the empty end of the plates
        for group in alike(grids[places, part::fewer_than]):
            members = places[group]
            for at, first in enumerate(members[:-1]):
                others = members[at + 1 :]
                differ = grids[others] != grids[first]
                count = differ.sum(axis=1)
                for row in np.flatnonzero((count > 0) & (count < fewer_than)):
                    pair = int(first), int(others[row])
                    found[pair] = NearlyAlike(*pair, tuple(np.flatnonzero(differ[row]).tolist()))
    return [found[pair] for pair in sorted(found)]
