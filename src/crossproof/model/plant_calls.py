"""Calls of plants beside those of their parents, for pictures of one plant and for VCF."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from crossproof.model.arrays import Bools, Int8s, Ints, Objects
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.sentinels import MISSING


@dataclass(frozen=True)
class PlantCalls:
    """Calls of every plant and consensus of every line, for the pictures of one plant.

    `marker_ids`, `chrom` (marker,) str, `pos` (marker,) int64, 0 where unknown; `alleles` one tuple of names
    per marker. `plants` and `lines`: names, in the order of the second axis of `codes` (marker, plant) and
    `line_codes` (marker, line): int8 genotype numbers in VCF order, MISSING where nothing is known.
    Markers are in genome order. `single` (marker, plant) int8: the one allele seen where the other was not,
    in a half-missing or haploid call, else MISSING; None where that is not known.
    """

    marker_ids: Objects
    chrom: Objects
    pos: Ints
    alleles: tuple[tuple[str, ...], ...]
    plants: tuple[str, ...]
    codes: Int8s
    lines: tuple[str, ...]
    line_codes: Int8s
    single: Int8s | None = None

    def __post_init__(self) -> None:
        m = len(self.marker_ids)
        assert len(self.chrom) == len(self.pos) == len(self.alleles) == m
        assert self.codes.shape == (m, len(self.plants))
        assert self.line_codes.shape == (m, len(self.lines))
        assert self.single is None or self.single.shape == self.codes.shape
        assert self.codes.dtype == self.line_codes.dtype == np.int8

    @cached_property
    def plant_place(self) -> dict[str, int]:
        """Column of each plant."""
        return {name: i for i, name in enumerate(self.plants)}

    @cached_property
    def line_place(self) -> dict[str, int]:
        """Column of each line."""
        return {name: i for i, name in enumerate(self.lines)}

    @cached_property
    def n_alleles(self) -> Ints:
        """Number of alleles per marker (marker,)."""
        return np.fromiter((len(a) for a in self.alleles), dtype=np.int64, count=len(self.alleles))

    def plant_codes(self, plant: str) -> Int8s:
        """Genotypes of one plant (marker,); all MISSING for a plant without calls."""
        return _column(self.codes, self.plant_place.get(plant))

    def parent_codes(self, line: str) -> Int8s:
        """Consensus genotypes of one line (marker,); all MISSING for a line never genotyped."""
        return _column(self.line_codes, self.line_place.get(line))

    def contrast(self, mother: str, father: str) -> Bools:
        """Markers at which both lines are fixed, for different alleles (marker,)."""
        m, f = self.parent_codes(mother), self.parent_codes(father)
        mask: Bools = (m != f) & is_homozygote(m) & is_homozygote(f)
        return mask

    def shared(self, mother: str, father: str) -> Bools:
        """Markers at which both lines are fixed for the same allele (marker,)."""
        m, f = self.parent_codes(mother), self.parent_codes(father)
        mask: Bools = (m == f) & is_homozygote(m)
        return mask

    def take_markers(self, keep: Ints) -> PlantCalls:
        """These markers only, in this order."""
        return PlantCalls(
            self.marker_ids[keep],
            self.chrom[keep],
            self.pos[keep],
            tuple(self.alleles[i] for i in keep),
            self.plants,
            self.codes[keep],
            self.lines,
            self.line_codes[keep],
            None if self.single is None else self.single[keep],
        )


def _column(codes: Int8s, place: int | None) -> Int8s:
    if place is None:
        return np.full(codes.shape[0], MISSING, dtype=np.int8)
    return codes[:, place]


_HOMOZYGOTE = np.array([a == b for a, b in genotype_alleles(8)] + [False])


def is_homozygote(codes: Int8s) -> Bools:
    """Whether genotype numbers are homozygotes; MISSING (-1) reads the last entry, which is False."""
    return _HOMOZYGOTE[codes]
