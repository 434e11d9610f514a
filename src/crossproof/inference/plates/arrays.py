"""The arrays that the plate checks work on: plates of wells, and the season's lines and crosses.

Axes: marker, well, genotype (`g`, VCF order), identity. A well's *identity* is what the sheet says of it:

    0 .. n_lines-1           a parent line
    n_lines + c              a plant of cross c
    EMPTY (-1)               a blank, or a place where the sheet lists nothing

Use 60 to 300 well-called, informative markers (`choose_markers`): more add time and no certainty.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Bools, Floats, Floats32, Ints, UInt8s
from crossproof.model.genotypes import genotype_alleles, n_genotypes
from crossproof.model.plates import PlateFormat, Well
from crossproof.model.sentinels import NO_CALL_CODE

EMPTY = -1
"""Identity of a blank."""


@dataclass(frozen=True)
class WellBlock:
    """A plate's data at the season's markers with k alleles, in the order of the matching `SeasonBlock`.

    `likelihood` (marker, well, genotype) float32: P(data | g) with the floor applied, all equal where nothing
    is known. `codes` (marker, well) uint8: the call as an observation code, NO_CALL_CODE where none.
    `depths` (marker, well, allele) or None: reads per allele.
    """

    k: int
    likelihood: Floats32
    codes: UInt8s
    depths: NDArray[np.integer] | None = None

    def __post_init__(self) -> None:
        m, w = self.codes.shape
        assert self.likelihood.shape == (m, w, n_genotypes(self.k))
        assert self.depths is None or self.depths.shape == (m, w, self.k)


@dataclass(frozen=True)
class Plate:
    """One plate as its sheet describes it, and its data.

    Per well, all of one length: `rows`, `columns` from 0; `samples` names in the genotype file; `identity`
    (see the module); `plants` names, the same for replicates of one plant ("" for parents and blanks);
    `pods` as recorded, () where none is.
    A well of the sheet whose sample is in no genotype file is left out. `batch`: its genotype file. `placed`:
    False for samples whose wells are not recorded; `rows` and `columns` are then made up, and no layout is
    tried.
    """

    name: str
    batch: str
    format: PlateFormat
    rows: Ints
    columns: Ints
    samples: tuple[str, ...]
    plants: tuple[str, ...]
    identity: Ints
    blocks: tuple[WellBlock, ...]
    placed: bool = True
    pods: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.samples)
        assert len(self.rows) == len(self.columns) == len(self.identity) == len(self.plants) == n
        assert len(self.pods) in (0, n)
        assert len(np.unique(self.position)) == n, f"two samples in one well of plate {self.name}"
        assert all(b.codes.shape[1] == n for b in self.blocks)

    def __len__(self) -> int:
        return len(self.samples)

    @cached_property
    def position(self) -> Ints:
        """Place of each well, row by row, (well,)."""
        return self.rows * self.format.columns + self.columns

    @cached_property
    def well_of_position(self) -> Ints:
        """Well at each position of the plate, -1 where the sheet lists none, (position,)."""
        wells = np.full(self.format.rows * self.format.columns, -1, dtype=np.int64)
        wells[self.position] = np.arange(len(self))
        return wells

    @cached_property
    def n_called(self) -> Ints:
        """Markers called per well, (well,)."""
        called = np.zeros(len(self), dtype=np.int64)
        for block in self.blocks:
            called += (block.codes != NO_CALL_CODE).sum(axis=0)
        return called

    @property
    def n_markers(self) -> int:
        """Markers in all blocks."""
        return sum(len(b.codes) for b in self.blocks)

    def well_name(self, well: int) -> str:
        """Name such as A1."""
        return Well(int(self.rows[well]), int(self.columns[well])).name

    def place(self, well: int) -> str:
        """Plate and well, such as P01:A1; the sample's name where wells are not recorded."""
        if not self.placed:
            return self.samples[well]
        return f"{self.name}:{self.well_name(well)}"


@dataclass(frozen=True)
class SeasonBlock:
    """The season's markers with k alleles.

    `markers` their names; `pool` (marker, allele) frequencies q; `maternal` (marker,) True for a marker
    inherited from the mother only. `evidence` (line, marker, genotype): log-likelihood of each line's
    genotype
    summed over all its tubes of the season, 0 where nothing is known; None: gathered from the plates.
    `chromosome` (marker,) number, -1 for a marker without a place, and `morgan` (marker,); None: no places.
    """

    k: int
    markers: tuple[str, ...]
    pool: Floats
    maternal: Bools
    evidence: Floats | None = None
    chromosome: Ints | None = None
    morgan: Floats | None = None

    def __post_init__(self) -> None:
        assert self.pool.shape == (len(self.markers), self.k)
        assert self.maternal.shape == (len(self.markers),)


@dataclass(frozen=True)
class SeasonTables:
    """Lines, crosses and rates that all plates share.

    `mother`, `father` (cross,): line index, -1 where unknown. `inbreeding` (line,): F. `class_prior` (4,):
    hybrid, self, outcross, off pedigree. `departure`: h, share of a parent plant's markers off its line.
    `copies` (line, 2): lines that a line is the F1 of, -1 for one that is not known, -2 both where it is no
    F1.
    """

    lines: tuple[str, ...]
    crosses: tuple[str, ...]
    mother: Ints
    father: Ints
    blocks: tuple[SeasonBlock, ...]
    inbreeding: Floats
    class_prior: Floats = field(default_factory=lambda: np.array([0.6, 0.3, 0.08, 0.02]))
    departure: float = 0.02
    copies: Ints | None = None

    def __post_init__(self) -> None:
        assert len(self.mother) == len(self.father) == len(self.crosses)
        assert len(self.inbreeding) == len(self.lines)

    @property
    def n_lines(self) -> int:
        """Number of lines; the identity of cross c is n_lines + c."""
        return len(self.lines)

    def name(self, identity: int) -> str:
        """An identity in words."""
        if identity == EMPTY:
            return "blank"
        if identity < self.n_lines:
            return f"line {self.lines[identity]}"
        return f"cross {self.crosses[identity - self.n_lines]}"

    @cached_property
    def nuclear(self) -> list[Ints]:
        """Places of the markers inherited from both parents, per block."""
        return [np.flatnonzero(~b.maternal) for b in self.blocks]

    @cached_property
    def pool_of(self) -> list[Floats]:
        """Allele frequencies of the nuclear markers, per block (marker, allele)."""
        return [b.pool[n] for b, n in zip(self.blocks, self.nuclear, strict=True)]

    @cached_property
    def pollen(self) -> list[Floats]:
        """Alleles of an unknown plant's pollen at the nuclear markers, per block (marker, allele)."""
        return [q * 0.98 + 0.02 / q.shape[1] for q in self.pool_of]

    @cached_property
    def of_pool(self) -> list[Floats]:
        """Genotypes of an outbred and of an inbred plant of the pool, per block (marker, genotype, 2)."""
        return [np.stack([pool_genotypes(q, f) for f in (0.0, 0.98)], axis=-1) for q in self.pollen]

    @cached_property
    def line_priors(self) -> list[tuple[Floats, Floats, Floats]]:
        """Genotypes of an outbred, a fixed and an unknown line, per block (marker, genotype) each."""
        return [
            (pool_genotypes(q, 0.0), pool_genotypes(q, 1.0), pool_genotypes(q, 0.9)) for q in self.pool_of
        ]

    @cached_property
    def parent_pairs(self) -> tuple[Ints, Ints]:
        """The first cross of every two parents, mother and father told apart, and how many they have."""
        pairs = np.stack([self.mother, self.father])
        _, first, count = np.unique(pairs, axis=1, return_index=True, return_counts=True)
        return first, count

    def same_parents(self) -> Ints:
        """Per identity (lines, then crosses) the first identity with the same parents, (identity,)."""
        return self._same_parents

    @cached_property
    def _same_parents(self) -> Ints:
        first: dict[tuple[int, int], int] = {}
        out = list(range(self.n_lines))
        for c, pair in enumerate(zip(self.mother.tolist(), self.father.tolist(), strict=True)):
            out.append(first.setdefault(pair, self.n_lines + c))
        return np.array(out, dtype=np.int64)


def line_evidence(
    season: SeasonTables, plates: Iterable[Plate], without: frozenset[str] = frozenset()
) -> tuple[Floats, ...]:
    """Log-likelihood of every line's genotype over its tubes, per block (line, marker, genotype).

    `without`: samples to leave out (tubes found odd). What `SeasonBlock.evidence` holds.
    """
    sums = [np.zeros((season.n_lines, len(b.markers), n_genotypes(b.k))) for b in season.blocks]
    for plate in plates:
        for w in np.flatnonzero((plate.identity >= 0) & (plate.identity < season.n_lines)):
            if plate.samples[w] not in without:
                for total, block in zip(sums, plate.blocks, strict=True):
                    total[plate.identity[w]] += np.log(block.likelihood[:, w], dtype=np.float64)
    return tuple(sums)


def line_posterior(pool: Floats, evidence: Floats, inbreeding: Floats) -> Floats:
    """Posterior of lines' genotypes (line, marker, genotype) from their evidence, same shape.

    `pool` (marker, allele); `inbreeding` (line,). Prior (1-F) HWE(q) + F homozygous(q), model.md section 2.
    """
    outbred, fixed = pool_genotypes(pool, 0.0), pool_genotypes(pool, 1.0)
    f = inbreeding[:, None, None]
    weight = ((1 - f) * outbred + f * fixed + 1e-12) * np.exp(
        evidence - most_of_last(evidence, keepdims=True)
    )
    return np.asarray(weight / sum_of_last(weight, keepdims=True))


def choose_markers(posterior: Floats, call_rate: Floats, maternal: Bools, count: int = 300) -> Ints:
    """Markers for the plate checks: those that best tell the lines apart and are called, in marker order.

    `posterior` (line, marker, genotype); `call_rate` (marker,). Score = call rate x expected heterozygosity
    among the lines. Maternal markers are kept besides (20 at most).
    """
    mean = posterior.mean(axis=0)
    score = call_rate * (1 - sum_of_last(mean**2))
    nuclear = np.flatnonzero(~maternal)
    best = nuclear[np.argsort(-score[nuclear], kind="stable")[:count]]
    cytoplasmic = np.flatnonzero(maternal)
    best_maternal = cytoplasmic[np.argsort(-score[cytoplasmic], kind="stable")[:20]]
    return np.sort(np.concatenate([best, best_maternal])).astype(np.int64)


ALIKE = 0.98
"""If this share of a plate's calls are the commonest of their marker, calls tell no well from another."""


def all_alike(plate: Plate) -> bool:
    """Whether all wells of a plate show the same calls, so that these say nothing of where a well belongs."""
    same = called = 0
    for block in plate.blocks:
        kinds = np.flatnonzero(np.bincount(block.codes.ravel(), minlength=NO_CALL_CODE + 1)[:NO_CALL_CODE])
        counts = [(block.codes == kind).sum(axis=1) for kind in kinds.tolist()]  # marker
        called += sum(int(count.sum()) for count in counts)
        same += int(np.max(counts, axis=0).sum()) if counts else 0
    return same >= ALIKE * called


def heterozygous_codes(k: int) -> Bools:
    """Per genotype whether its two alleles differ, (genotype,)."""
    alleles = genotype_alleles(k)
    return np.asarray(alleles[:, 0] != alleles[:, 1])
