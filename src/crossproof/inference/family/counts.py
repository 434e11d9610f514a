"""The trade's own evidence: contrast markers scored and heterozygous, calls foreign to both parents.

A *contrast marker* is one at which the two parent lines are fixed for different alleles, a *shared marker*
one at which they are fixed for the same. A plant is *scored* at a marker by the laboratory's own call where
there is one, else by its best genotype where reads leave it at least `CLEAR`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.lines.panel import PanelBlock
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
    posterior = block.consensus[place, version]
    best = posterior.argmax(axis=1)
    pairs = genotype_alleles(block.k)
    homozygous = pairs[best, 0] == pairs[best, 1]
    return np.where((posterior.max(axis=1) >= FIXED) & homozygous, best, -1).astype(np.int64)


def count_calls(
    blocks: tuple[tuple[PanelBlock, Ints, Floats, UInt8s], ...],
    mother: int | None,
    father: int | None,
) -> Counts:
    """Counts of a family. `blocks`: panel block, places, plant likelihoods (m, n, n_g), codes (m, n)."""
    n = blocks[0][2].shape[1]
    zero = {
        name: np.zeros(n, dtype=np.int64)
        for name in Counts.__dataclass_fields__
        if name != "contrast_markers"
    }
    contrast_markers = 0
    for block, place, like, codes in blocks:
        n_g = like.shape[2]
        pairs = genotype_alleles(block.k).astype(np.int64)
        # Codes beyond the genotypes are half-missing calls, which score nothing.
        genotype = np.where(codes < n_g, codes.astype(np.int64), -1)
        unseen = genotype < 0
        clear = unseen & (like.max(axis=2) >= CLEAR) & (codes >= n_g + block.k)
        genotype = np.where(clear, like.argmax(axis=2), genotype)
        scored = genotype >= 0
        safe = np.maximum(genotype, 0)
        data = np.ptp(like, axis=2) > 1e-6
        mothers = parent_genotypes(block, place, mother)[:, None]
        fathers = parent_genotypes(block, place, father)[:, None]
        if block.maternal:
            known = scored & (mothers >= 0)
            zero["maternal_scored"] += known.sum(axis=0)
            zero["maternal_agree"] += (known & (safe == mothers)).sum(axis=0)
            continue
        both = (mothers >= 0) & (fathers >= 0)
        contrast = both & (mothers != fathers)
        shared = both & (mothers == fathers)
        het = pairs[safe, 0] != pairs[safe, 1]
        of_mother, of_father = pairs[np.maximum(mothers, 0), 0], pairs[np.maximum(fathers, 0), 0]
        foreign = np.zeros_like(scored)
        for side in (0, 1):
            allele = pairs[safe, side]
            foreign |= (allele != of_mother) & (allele != of_father)
        contrast_markers += int(contrast.sum())
        zero["scored"] += scored.sum(axis=0)
        zero["with_data"] += data.sum(axis=0)
        zero["contrast_scored"] += (scored & contrast).sum(axis=0)
        zero["contrast_het"] += (scored & contrast & het).sum(axis=0)
        zero["foreign"] += (scored & both & foreign).sum(axis=0)
        zero["shared_scored"] += (scored & shared).sum(axis=0)
        zero["shared_het"] += (scored & shared & het).sum(axis=0)
    return Counts(contrast_markers=contrast_markers, **zero)
