"""How often two wells of one plant, or of one line, are called differently: no model is asked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.sentinels import NO_CALL_CODE

CELLS_AT_ONCE = 4_000_000
"""Calls (marker, well) of replicates that are compared at once, about."""


def replicate_differences(wells: Wells, groups: Sequence[Sequence[int]]) -> tuple[Floats, Floats]:
    """Pairs of called replicates (marker,) and those of them that differ.

    `groups`: wells of one plant or of one version of a line. Half of the share that differs estimates the
    error per call directly, whatever the model says.
    """
    m = len(wells.markers)
    pairs, differ = np.zeros(m), np.zeros(m)
    rows = np.arange(m)
    batch, _ = wells.place
    typed = [own for group in groups if len(own := [w for w in group if batch[w] >= 0]) > 1]
    sizes = np.array([len(own) for own in typed], dtype=np.int64)
    part_of = np.cumsum(sizes) * m // CELLS_AT_ONCE
    for part in np.unique(part_of):
        members = np.flatnonzero(part_of == part)
        codes = wells.codes(rows, np.array([w for g in members for w in typed[g]], dtype=np.int64))
        first = np.cumsum(sizes[members]) - sizes[members]

        def pairs_among(seen: Bools, first: Ints = first) -> Floats:
            """Pairs of these wells (marker, well) of one group, (marker,)."""
            n = np.add.reduceat(seen, first, axis=1, dtype=np.int64)
            return np.asarray((n * (n - 1) // 2).sum(axis=1), dtype=np.float64)

        both = pairs_among(codes != NO_CALL_CODE)
        pairs += both
        alike = (pairs_among(codes == code) for code in np.unique(codes[codes != NO_CALL_CODE]))
        differ += both - sum(alike, np.zeros(m))
    return pairs, differ
