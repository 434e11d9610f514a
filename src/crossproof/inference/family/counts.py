"""The trade's own evidence: contrast markers scored and heterozygous, calls foreign to both parents.

A *contrast marker* is one at which the two parent lines are fixed for different alleles, a *shared marker*
one at which they are fixed for the same. A plant is *scored* at a marker by the laboratory's own call where
there is one, else by its best genotype where reads leave it at least `CLEAR`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.short_axes import range_of_last
from crossproof.model.arrays import Floats, Ints, UInt8s
from crossproof.model.genotypes import genotype_alleles

FIXED = 0.9
"""Posterior at or above which a line counts as fixed at a marker."""
CLEAR = 0.8
"""Likelihood share of the best genotype at or above which reads alone count as a call."""


@dataclass(frozen=True)
class Counts:
    """Counts per plant (n,), and of the family's markers."""

    contrast_markers: int
    scored: Ints
    contrast_scored: Ints
    contrast_het: Ints
    foreign: Ints
    shared_scored: Ints
    shared_het: Ints
    with_data: Ints
    maternal_scored: Ints
    maternal_agree: Ints


def parent_genotypes(block: PanelBlock, place: Ints, version: int | None) -> Ints:
    """Genotype (m,) at which a line is fixed, -1 where it is not or not known to be."""
    if version is None:
        return np.full(len(place), -1, dtype=np.int64)
    return np.asarray(block.fixed_at(FIXED)[place, version], dtype=np.int64)


TALLIED = ("scored", "contrast_scored", "contrast_het", "foreign", "shared_scored", "shared_het")
"""The counts that follow from a plant's genotype and those of the two lines."""
COUNTED = (*TALLIED, "with_data", "maternal_scored", "maternal_agree")
"""The counts per plant, as `Counts` has them."""


@cache
def _tallies(k: int) -> Ints:
    """What a genotype adds to each of `TALLIED`, (mother x father x genotype, count), for k alleles; the
    first place of each of the three is for one that is not known."""
    pairs = genotype_alleles(k).astype(np.int64)
    n_g = len(pairs)
    out = np.zeros((n_g + 1, n_g + 1, n_g + 1, len(TALLIED)), dtype=np.int64)
    out[:, :, 1:, 0] = 1
    het = pairs[:, 0] != pairs[:, 1]
    for m in range(n_g):
        for f in range(n_g):
            first = 4 if m == f else 1
            out[m + 1, f + 1, 1:, first] = 1
            out[m + 1, f + 1, 1:, first + 1] = het
            alleles = pairs[m, 0], pairs[f, 0]
            out[m + 1, f + 1, 1:, 3] = ~np.isin(pairs, alleles).all(axis=1)
    return out.reshape(-1, len(TALLIED))


def count_calls(
    blocks: tuple[tuple[PanelBlock, Ints, Floats, UInt8s], ...],
    mother: int | None,
    father: int | None,
) -> Counts:
    """Counts of a family. `blocks`: panel block, places, plant likelihoods (m, n, n_g), codes (m, n)."""
    n = blocks[0][2].shape[1]
    counts = np.zeros((len(COUNTED), n), dtype=np.int64)
    contrast_markers = 0
    for block, place, like, codes in blocks:
        n_g = like.shape[2]
        # Codes beyond the genotypes are half-missing calls, which score nothing.
        genotype = np.where(codes < n_g, codes, np.int64(-1))
        unseen = np.nonzero(codes >= n_g + block.k)
        reads = like[unseen]
        genotype[unseen] = np.where(np.maximum.reduce(reads, axis=1) >= CLEAR, reads.argmax(axis=1), -1)
        mothers, fathers = (parent_genotypes(block, place, version) for version in (mother, father))
        if block.maternal:
            known = (genotype >= 0) & (mothers >= 0)[:, None]
            counts[-2] += known.sum(axis=0)
            counts[-1] += (known & (genotype == mothers[:, None])).sum(axis=0)
            continue
        contrast_markers += int(np.count_nonzero((mothers >= 0) & (fathers >= 0) & (mothers != fathers)))
        parents = (mothers + 1) * (n_g + 1) + fathers + 1
        case = genotype + (parents * (n_g + 1) + 1)[:, None]
        counts[: len(TALLIED)] += np.add.reduce(_tallies(block.k).take(case, axis=0)).T
        spread = range_of_last(like)
        counts[len(TALLIED)] += np.count_nonzero(spread > 1e-6, axis=0)
    return Counts(contrast_markers, *counts)
