"""Diploid genotypes of markers with any number of alleles, and the calls of one genotype file.

Genotypes of a marker with k alleles are numbered as the VCF specification orders them
(version 4.3, section 1.6.2, field GL): the index of a/b with a <= b is b(b+1)/2 + a,
so a biallelic marker has 0/0, 0/1, 1/1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crossproof.model.arrays import Bools, Floats, Int8s, Ints, Objects, UInt8s, UInt16s
from crossproof.model.sentinels import ABSENT, MISSING, NO_CALL_CODE

MAX_ALLELES = 8
"""Most alleles a marker may have; one with more is set aside."""


class Evidence(StrEnum):
    """What of a genotype file the likelihoods are made from."""

    AUTO = "auto"
    CALLS = "calls"
    DEPTHS = "depths"
    LIKELIHOODS = "likelihoods"


def n_genotypes(k: int) -> int:
    """Number of unordered diploid genotypes of k alleles, k(k+1)/2."""
    return k * (k + 1) // 2


def genotype_index(a: ArrayLike, b: ArrayLike) -> Ints:
    """Index of genotype a/b in VCF order; the two alleles may come in either order."""
    low, high = np.minimum(a, b).astype(np.int64), np.maximum(a, b).astype(np.int64)
    return high * (high + 1) // 2 + low


@cache
def genotype_alleles(k: int) -> Int8s:
    """Alleles (genotype, 2) of every genotype of k alleles, in VCF order, smaller allele first."""
    pairs = np.array([(a, b) for b in range(k) for a in range(b + 1)], dtype=np.int8)
    pairs.flags.writeable = False
    return pairs


@cache
def allele_dosage(k: int) -> Floats:
    """Share of each allele in each genotype, (genotype, allele); rows sum to 1."""
    pairs = genotype_alleles(k)
    dosage = np.zeros((len(pairs), k))
    np.add.at(dosage, (np.arange(len(pairs)), pairs[:, 0]), 0.5)
    np.add.at(dosage, (np.arange(len(pairs)), pairs[:, 1]), 0.5)
    dosage.flags.writeable = False
    return dosage


def observation_codes(calls: Int8s, k: int) -> UInt8s:
    """Calls (..., 2) to observation codes.

    0 .. n_g-1: that genotype; n_g + a: one allele a seen, the other not (a half-missing call,
    or a haploid call); NO_CALL_CODE: nothing seen.
    """
    n_g = n_genotypes(k)
    a, b = calls[..., 0].astype(np.int16), calls[..., 1].astype(np.int16)
    seen_a, seen_b = a >= 0, b >= 0
    both = genotype_index(np.where(seen_a, a, 0), np.where(seen_b, b, 0))
    one = n_g + np.where(seen_a, a, b)
    codes = np.where(seen_a & seen_b, both, np.where(seen_a | seen_b, one, NO_CALL_CODE))
    return codes.astype(np.uint8)


@dataclass(frozen=True)
class Markers:
    """Markers, in the order of the arrays that belong to them.

    `ids` (marker,) str; `chrom` (marker,) str, "" where unknown; `pos` (marker,) int64, 0 where unknown;
    `alleles`: one tuple of allele names per marker; `maternal` (marker,) bool, True for a marker inherited
    from the mother only; `cm` (marker,) float64 position on the genetic map in centimorgan, NaN where unknown
    (all, where left out).
    """

    ids: Objects
    chrom: Objects
    pos: Ints
    alleles: tuple[tuple[str, ...], ...]
    maternal: Bools
    cm: Floats = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        n = len(self.ids)
        if self.cm is None:
            object.__setattr__(self, "cm", np.full(n, np.nan))
        assert (
            len(self.chrom) == len(self.pos) == len(self.alleles) == len(self.maternal) == len(self.cm) == n
        )
        for array in (self.ids, self.chrom, self.pos, self.maternal, self.cm):
            array.flags.writeable = False

    def __len__(self) -> int:
        return len(self.ids)

    @property
    def n_alleles(self) -> Ints:
        """Number of alleles per marker."""
        return np.fromiter((len(a) for a in self.alleles), dtype=np.int64, count=len(self.alleles))

    def take(self, index: NDArray[np.integer]) -> Markers:
        """These markers only, in this order."""
        index = np.asarray(index)
        return Markers(
            self.ids[index].copy(),
            self.chrom[index].copy(),
            self.pos[index].copy(),
            tuple(self.alleles[i] for i in index),
            self.maternal[index].copy(),
            self.cm[index].copy(),
        )


@dataclass(frozen=True)
class CallBlock:
    """Calls of one batch at its markers with k alleles.

    `rows` (m,) int64: places in the batch's `Markers`. `calls` (m, sample, 2) int8: allele numbers, MISSING,
    or ABSENT in the second place of a haploid call. `phred` (m, sample, n_g) uint8 or None: -10 log10 of the
    genotype likelihoods, the best genotype at 0, all 0 where nothing is known. `depths` (m, sample, k) uint16
    or None: reads per allele.
    """

    k: int
    rows: Ints
    calls: Int8s
    phred: UInt8s | None = None
    depths: UInt16s | None = None

    def __post_init__(self) -> None:
        m, n = len(self.rows), self.calls.shape[1]
        assert 1 <= self.k <= MAX_ALLELES
        assert self.calls.shape == (m, n, 2)
        assert self.phred is None or self.phred.shape == (m, n, n_genotypes(self.k))
        assert self.depths is None or self.depths.shape == (m, n, self.k)

    def without_calls(self, cells: Bools) -> CallBlock:
        """A copy with no call at `cells` (m, sample)."""
        calls = self.calls.copy()
        calls[cells] = MISSING
        return CallBlock(self.k, self.rows, calls, self.phred, self.depths)


@dataclass(frozen=True)
class CallBatch:
    """All calls of one genotype file: its markers, its samples, and one block per number of alleles."""

    batch: str
    markers: Markers
    samples: tuple[str, ...]
    blocks: tuple[CallBlock, ...]
    evidence: Evidence
    notes: tuple[str, ...] = field(default=())


__all__ = [
    "ABSENT",
    "MAX_ALLELES",
    "MISSING",
    "NO_CALL_CODE",
    "CallBatch",
    "CallBlock",
    "Evidence",
    "Markers",
    "allele_dosage",
    "genotype_alleles",
    "genotype_index",
    "n_genotypes",
    "observation_codes",
]
