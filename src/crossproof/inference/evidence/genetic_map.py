"""Where markers lie on the genetic map, in Morgan.

In this order: the marker's own place in centimorgan; where its chromosome has some such places, a place
between them by its position; else its position at a rate, by default such that a chromosome is one Morgan
long. A marker without any of these is a chromosome of its own. One Morgan is the usual length of a plant
chromosome within a factor of two (common practice, no source); verdicts change little within that.
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import Markers

MORGAN_PER_CHROMOSOME = 1.0
PIECE = 0.1
"""A chromosome whose markers span less than this share of the longest is taken for a piece of one."""


def place_markers(markers: Markers, centimorgan_per_megabase: float) -> tuple[Ints, Floats]:
    """Chromosome number (marker,), -1 for a marker without a place, and position on it in Morgan (marker,).

    Markers spread evenly over a chromosome span (m - 1) / (m + 1) of it on average, so that the span of m
    markers' positions is that part of a Morgan.
    """
    chromosome = np.full(len(markers), -1, dtype=np.int64)
    morgan = np.zeros(len(markers))
    names, number = np.unique(markers.chrom.astype(np.str_), return_inverse=True)
    with_pos = markers.pos > 0
    spans = np.zeros(len(names))
    members: list[Ints] = []
    for c in range(len(names)):
        here = np.flatnonzero((number == c) & ~markers.maternal) if names[c] else np.empty(0, dtype=np.int64)
        members.append(here)
        positions = markers.pos[here[with_pos[here]]]
        spans[c] = float(np.ptp(positions)) if len(positions) else 0.0
    for c, here in enumerate(members):
        known = here[~np.isnan(markers.cm[here])]
        bare = here[np.isnan(markers.cm[here]) & with_pos[here]]
        chromosome[known], morgan[known] = c, markers.cm[known] / 100
        if not len(known) and len(bare):
            chromosome[bare] = c
            morgan[bare] = markers.pos[bare] * _rate(
                len(bare), spans[c], spans.max(), centimorgan_per_megabase
            )
        elif len(bare):
            both = known[with_pos[known]]
            if len(both) > 1:
                both = both[np.lexsort((morgan[both], markers.pos[both]))]
                chromosome[bare] = c
                morgan[bare] = np.interp(markers.pos[bare], markers.pos[both], morgan[both])
    return chromosome, morgan


def _rate(count: int, span: float, longest: float, centimorgan_per_megabase: float) -> float:
    """Morgan per base."""
    if centimorgan_per_megabase > 0:
        return centimorgan_per_megabase / 100 / 1e6
    if span < PIECE * longest:
        return MORGAN_PER_CHROMOSOME / longest
    return MORGAN_PER_CHROMOSOME * (count - 1) / (count + 1) / span if span > 0 else 0.0
