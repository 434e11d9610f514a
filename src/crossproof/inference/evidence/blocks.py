"""Evidence of wells from several genotype files, on one joined set of markers.

A *well* is a sample of a genotype file; wells are numbered 0 .. n_wells-1 by the caller. A *joined marker*
may have more alleles than one file saw of it, so `batch_evidence` recodes a file's calls, depths and
likelihoods to the joined alleles. Everything after that works on `Wells.likelihood`, never on raw calls.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.evidence import error_model
from crossproof.inference.evidence.genetic_map import place_markers
from crossproof.model.arrays import Bools, Floats, Int8s, Ints, UInt8s, UInt16s
from crossproof.model.genotypes import (
    CallBatch,
    Evidence,
    Markers,
    genotype_alleles,
    genotype_index,
    n_genotypes,
    observation_codes,
)
from crossproof.model.sentinels import NO_CALL_CODE
from crossproof.model.settings import Settings


@dataclass(frozen=True)
class EvidenceBlock:
    """What one file says of its wells at joined markers with k alleles.

    `rows` (m,) joined marker rows, increasing; `codes` (m, w) observation codes of the file's own calls (all
    NO_CALL_CODE where it has none); `depths` (m, w, k) or None; `phred` (m, w, n_g) or None.
    """

    k: int
    rows: Ints
    codes: UInt8s
    depths: UInt16s | None = None
    phred: UInt8s | None = None

    @property
    def data(self) -> Bools:
        """Where there is a call, reads or a likelihood, (marker, well)."""
        data = np.asarray(self.codes != NO_CALL_CODE)
        if self.depths is not None:
            data = data | (self.depths.sum(axis=2) > 0)
        if self.phred is not None:
            data = data | (self.phred.max(axis=2) > 0)
        return data


@dataclass(frozen=True)
class BatchEvidence:
    """One file: its well numbers (w,), the kind of evidence the likelihoods come from, and its blocks."""

    batch: str
    wells: Ints
    kind: Evidence
    blocks: tuple[EvidenceBlock, ...]


_Overlap = tuple[EvidenceBlock, Ints, Ints, Ints, Ints]
"""A block; places in the rows asked for, rows of it, columns of it, places in the wells asked for."""

QUALITY_EDGES = (0.90, 0.75, 0.60, 0.45, 0.30)
"""Call rates that part wells into classes of quality, the best first."""
N_QUALITY = len(QUALITY_EDGES) + 1
LARGEST_F, LARGEST_D, LARGEST_SWAP = 0.25, 0.5, 0.1
"""Error rates of a poor well at most, so that a call never speaks against what it says."""


@dataclass(frozen=True)
class ErrorRates:
    """Error rates of calls, `f` and `d` (marker,) per joined marker, and constants shared by all markers.

    `quality` (class,): factor by which the error rates of a well's calls are higher, by its class of quality;
    none: 1 for all.
    """

    f: Floats
    d: Floats
    swap: float
    read_error: float
    overdispersion: float
    floor: float
    quality: tuple[float, ...] = ()

    def likelihood(self, codes: UInt8s, k: int, joined: Ints, quality: int, floor: bool) -> Floats:
        """Likelihoods (marker, well, genotype) of observation codes (marker, well) at these markers of k
        alleles, in wells of such a quality."""
        if k == 2:
            return error_model.likelihood_by_table(
                codes, self._two_alleles(quality, floor), (joined[:, None],)
            )
        table = self._table(k, self.f[joined], self.d[joined], quality, floor)
        return error_model.likelihood_by_table(codes, table)

    def two_alleles_likelihood(self, codes: UInt8s, joined: Ints, classes: Ints, floor: bool) -> Floats:
        """`likelihood` at markers of two alleles in wells of these classes of quality (well,)."""
        if floor not in self._of_all:
            self._of_all[floor] = np.stack([self._two_alleles(q, floor) for q in range(len(self.quality))])
        return error_model.likelihood_by_table(codes, self._of_all[floor], (classes, joined[:, None]))

    @cached_property
    def _of_all(self) -> dict[bool, Floats]:
        return {}

    def _two_alleles(self, quality: int, floor: bool) -> Floats:
        if (quality, floor) not in self._kept:
            self._kept[quality, floor] = self._table(2, self.f, self.d, quality, floor)
        return self._kept[quality, floor]

    def _table(self, k: int, f: Floats, d: Floats, quality: int, floor: bool) -> Floats:
        factor = self.quality[quality] if self.quality else 1.0
        swap = self.swap
        if factor != 1.0:
            f = np.maximum(f, np.minimum(f * factor, LARGEST_F))
            d = np.maximum(d, np.minimum(d * factor, LARGEST_D))
            swap = max(swap, min(swap * factor, LARGEST_SWAP))
        table = error_model.likelihood_table(k, f, d, swap)
        return error_model.apply_floor(table, self.floor) if floor else table

    @cached_property
    def _kept(self) -> dict[tuple[int, bool], Floats]:
        return {}


@dataclass(frozen=True)
class Wells:
    """All evidence of a run, or of the part of it that a job needs.

    `markers`: the joined markers; `n_wells`: one more than the highest well number.
    """

    markers: Markers
    n_wells: int
    batches: tuple[BatchEvidence, ...]

    def genetic_map(self, settings: Settings) -> tuple[Ints, Floats]:
        """Chromosome number and position in Morgan of the joined markers, see `place_markers`."""
        rate = settings.centimorgan_per_megabase
        if rate not in self._maps:
            self._maps[rate] = place_markers(self.markers, rate)
        return self._maps[rate]

    @cached_property
    def _maps(self) -> dict[float, tuple[Ints, Floats]]:
        return {}

    @cached_property
    def place(self) -> tuple[Ints, Ints]:
        """Batch and column of every well, -1 for a well without evidence."""
        batch = np.full(self.n_wells, -1, dtype=np.int64)
        column = np.full(self.n_wells, -1, dtype=np.int64)
        for b, item in enumerate(self.batches):
            batch[item.wells] = b
            column[item.wells] = np.arange(len(item.wells))
        return batch, column

    @cached_property
    def with_evidence(self) -> frozenset[int]:
        """Numbers of the wells with evidence."""
        return frozenset(w for batch in self.batches for w in batch.wells.tolist())

    def markers_with_data(self, wells: Ints) -> Bools:
        """Which markers have a call, reads or a likelihood in any of these wells, (marker,); kept."""
        asked = wells.tobytes()
        if asked not in self._with_data:
            found = np.zeros(len(self.markers), dtype=bool)
            for batch in self.batches:
                here = np.isin(batch.wells, wells)
                for block in batch.blocks:
                    found[block.rows] |= block.data[:, here].any(axis=1)
            self._with_data[asked] = found
        return self._with_data[asked]

    @cached_property
    def _with_data(self) -> dict[bytes, Bools]:
        return {}

    def codes(self, rows: Ints, wells: Ints) -> UInt8s:
        """Observation codes (marker, well) at joined markers `rows`; NO_CALL_CODE where there is no call."""
        out = np.full((len(rows), len(wells)), NO_CALL_CODE, dtype=np.uint8)
        for block, here, there, source, target in self._overlaps(rows, wells):
            out[here[:, None], target] = block.codes[there[:, None], source]
        return out

    def likelihood(self, rows: Ints, wells: Ints, k: int, rates: ErrorRates, *, floor: bool = True) -> Floats:
        """Genotype likelihoods (marker, well, genotype), summing to 1, floored, flat where nothing is known.

        `rows`: joined markers that all have `k` alleles; `wells`: well numbers.
        """
        found = self._overlaps(rows, wells)
        assert all(block.k == k for block, *_ in found)
        if len(found) == 1:
            block, here, there, source, target = found[0]
            if len(here) == len(rows) and len(target) == len(wells):
                return np.ascontiguousarray(self._of_block(block, there, source, wells, rates, floor))
        n_g = n_genotypes(k)
        known = sum(len(here) * len(target) for _, here, _, _, target in found)
        out = np.empty((len(rows), len(wells), n_g))
        if known < len(rows) * len(wells):
            out[:] = 1 / n_g
            if floor:
                out = error_model.apply_floor(out, rates.floor)
        for block, here, there, source, target in found:
            value = self._of_block(block, there, source, wells[target], rates, floor)
            out[here[:, None], target] = value
        return out

    def _of_block(
        self, block: EvidenceBlock, there: Ints, source: Ints, wells: Ints, rates: ErrorRates, floor: bool
    ) -> Floats:
        """Likelihoods (marker, well, genotype) at some rows and columns of a block, those of these wells."""
        kind, pick = self._kind(block), (there[:, None], source)
        if kind is Evidence.LIKELIHOODS and block.phred is not None:
            value = error_model.likelihood_from_phred(block.phred[pick])
        elif kind is Evidence.DEPTHS and block.depths is not None:
            depths = block.depths[pick]
            value = error_model.likelihood_from_depths(depths, rates.read_error, rates.overdispersion)
            # A genotype that lost its depths, as in a merge of files, is known by its call.
            silent = ~depths.any(axis=-1) & (block.codes[pick] != NO_CALL_CODE)
            if silent.any():
                called = self._from_calls(block, there, source, wells, rates, False)
                value = np.where(silent[..., None], called, value)
        else:
            return self._from_calls(block, there, source, wells, rates, floor)
        return error_model.apply_floor(value, rates.floor) if floor else value

    def _from_calls(
        self,
        block: EvidenceBlock,
        there: Ints,
        source: Ints,
        wells: Ints,
        rates: ErrorRates,
        floor: bool,
    ) -> Floats:
        """Likelihoods (marker, well, genotype) of called genotypes, each well by its quality."""
        joined, codes = block.rows[there], block.codes[there[:, None], source]
        classes = self.quality[wells]
        if not rates.quality or not classes.any():
            return rates.likelihood(codes, block.k, joined, 0, floor)
        if block.k == 2:
            return rates.two_alleles_likelihood(codes, joined, classes, floor)
        out = np.empty((*codes.shape, n_genotypes(block.k)))
        for quality in np.unique(classes).tolist():
            own = np.flatnonzero(classes == quality)
            out[:, own] = rates.likelihood(codes[:, own], block.k, joined, quality, floor)
        return out

    @cached_property
    def quality(self) -> Ints:
        """Class of quality of every well (well,), by the share of its file's markers called in it."""
        classes = np.zeros(self.n_wells, dtype=np.int64)
        for batch in self.batches:
            called, asked = np.zeros(len(batch.wells)), 0
            for block in batch.blocks:
                called += (block.codes != NO_CALL_CODE).sum(axis=0)
                asked += len(block.rows)
            rate = called / max(asked, 1)
            classes[batch.wells] = (rate[:, None] < np.array(QUALITY_EDGES)).sum(axis=1)
        return classes

    def called_by_calls(self, wells: Ints) -> Bools:
        """Which wells' likelihoods come from calls, so that they tell of the call error rates."""
        batch, _ = self.place
        return np.asarray(self._by_calls[batch[wells]])

    @cached_property
    def _by_calls(self) -> Bools:
        """Whether a file's evidence is its calls (batch + 1,); the last for a well of no file."""
        return np.array(
            [b.kind not in (Evidence.LIKELIHOODS, Evidence.DEPTHS) for b in self.batches] + [False]
        )

    def _kind(self, block: EvidenceBlock) -> Evidence:
        return self._kind_of[id(block)]

    @cached_property
    def _kind_of(self) -> dict[int, Evidence]:
        return {id(block): batch.kind for batch in self.batches for block in batch.blocks}

    def _overlaps(self, rows: Ints, wells: Ints) -> list[_Overlap]:
        """Blocks with any of these; those that were asked for last are kept."""
        asked = rows.tobytes(), wells.tobytes()
        if asked not in self._found:
            self._found.clear()
            self._found[asked] = list(self._overlapping(rows, wells))
        return self._found[asked]

    @cached_property
    def _found(self) -> dict[tuple[bytes, bytes], list[_Overlap]]:
        return {}

    def _overlapping(self, rows: Ints, wells: Ints) -> Iterable[_Overlap]:
        batch_of, column_of = self.place
        batches = batch_of[wells]
        for b in sorted(set(batches.tolist()) - {-1}):
            target = np.flatnonzero(batches == b)
            source = column_of[wells[target]]
            for block in self.batches[b].blocks:
                if not len(block.rows):
                    continue
                found = np.minimum(np.searchsorted(block.rows, rows), len(block.rows) - 1)
                here = np.flatnonzero(block.rows[found] == rows)
                if len(here):
                    yield block, here, found[here], source, target


def batch_evidence(
    batch: CallBatch,
    *,
    wells: NDArray[np.integer],
    joined_row: NDArray[np.integer],
    recode: NDArray[np.integer],
    n_alleles: NDArray[np.integer],
) -> BatchEvidence:
    """One file's evidence in terms of joined markers and alleles.

    `wells` (sample,): well number of each sample of the file, -1 to leave it out. `joined_row` (file
    marker,): joined row of each of its markers, -1 for one that is set aside. `recode` (file marker, 8):
    joined number of each allele of the file. `n_alleles` (joined marker,).
    """
    samples = np.flatnonzero(np.asarray(wells) >= 0)
    parts: dict[int, list[EvidenceBlock]] = {}
    for block in batch.blocks:
        target = np.asarray(joined_row)[block.rows]
        joined_k = np.append(n_alleles, 0)[target]  # -1, set aside: the 0 at the end
        for k in np.unique(joined_k[joined_k > 0]):
            pick = np.flatnonzero(joined_k == k)
            table = np.asarray(recode)[block.rows[pick]][:, : block.k].astype(np.int64)
            parts.setdefault(int(k), []).append(
                _recoded(
                    int(k),
                    target[pick].astype(np.int64),
                    table,
                    block.calls[pick][:, samples],
                    None if block.depths is None else block.depths[pick][:, samples],
                    None if block.phred is None else block.phred[pick][:, samples],
                )
            )
    blocks = tuple(_merged(k, parts[k]) for k in sorted(parts))
    return BatchEvidence(batch.batch, np.asarray(wells, dtype=np.int64)[samples], batch.evidence, blocks)


def _recoded(
    k: int,
    rows: Ints,
    table: Ints,
    calls: Int8s,
    depths: UInt16s | None,
    phred: UInt8s | None,
) -> EvidenceBlock:
    """A block with its alleles numbered by `table` (marker, old allele)."""
    m, own_k = table.shape
    n = calls.shape[1]
    seen = calls >= 0
    flat = np.take_along_axis(table, np.where(seen, calls, 0).reshape(m, -1).astype(np.int64), axis=1)
    codes = observation_codes(np.where(seen, flat.reshape(calls.shape), calls).astype(np.int8), k)
    new_depths = None
    if depths is not None:
        new_depths = np.zeros((m, n, k), dtype=np.uint16)
        for a in range(own_k):
            new_depths[np.arange(m), :, table[:, a]] = depths[:, :, a]
    new_phred = None
    if phred is not None:
        # A genotype with an allele that the file never saw is as bad as its worst one there.
        new_phred = np.repeat(phred.max(axis=2, keepdims=True), n_genotypes(k), axis=2)
        for g, (a, b) in enumerate(genotype_alleles(own_k)):
            new_phred[np.arange(m), :, genotype_index(table[:, a], table[:, b])] = phred[:, :, g]
    return EvidenceBlock(k, rows, codes, new_depths, new_phred)


def _merged(k: int, parts: list[EvidenceBlock]) -> EvidenceBlock:
    """Blocks of one k as one, rows increasing."""
    rows = np.concatenate([p.rows for p in parts])
    order = np.argsort(rows, kind="stable")
    codes = np.concatenate([p.codes for p in parts])[order]
    depths = [p.depths for p in parts if p.depths is not None]
    phred = [p.phred for p in parts if p.phred is not None]
    return EvidenceBlock(
        k,
        rows[order],
        codes,
        np.concatenate(depths)[order] if len(depths) == len(parts) else None,
        np.concatenate(phred)[order] if len(phred) == len(parts) else None,
    )
