"""Choice of at most N markers, evenly along the genome, while a file streams by.

The genome is cut into windows of 2^L base pairs; a window keeps its best record (highest score, then lowest
position, then first in the file). L is the smallest level at which no more than N windows hold a record.
Because the best of a window is among the best of its two halves, nothing has to be remembered but the best of
every half window: at most about 2N records, whatever the length of the file. The outcome is a property of the
set of records, so it depends neither on the size of the chunks nor on how the file was cut into regions.
At the end the places left under N are given to the best of the remaining half windows.

Level -1 gives every record a window of its own (a file of up to N records keeps all); above level 31 whole
contigs share windows, by a checksum of their names, so that a draft genome of many contigs is bounded too.

Score: call rate x expected heterozygosity 1 - sum(p^2) over the panel, in thousandths; the tests hold it
against scikit-allel's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from crossproof.io.vcf.fields import Numeric
from crossproof.io.vcf.kept_records import Kept, KeptBlock, Places, join_kept
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED, all_are, filled_in, with_calls
from crossproof.io.vcf.records import Records, Tally
from crossproof.model.arrays import Bools, Int8s, Int32s, Ints
from crossproof.model.genotypes import MAX_ALLELES, CallBatch, CallBlock, Evidence, Markers, n_genotypes

_CONTIG_LEVEL = 32
_TOP_LEVEL = 64
_NONE = np.empty(0, dtype=np.int64)


def marker_scores(calls: Int8s, panel: Ints | None) -> Int32s:
    """Score of each record, 0 to 1000: call rate x diversity.

    Parameters: `calls` (record, sample, 2); `panel`: samples that count for diversity, None for all.
    """
    if calls.shape[0] == 0 or calls.shape[1] == 0:
        return np.zeros(calls.shape[0], dtype=np.int32)
    calls = np.ascontiguousarray(calls)
    # A missing allele is negative: both bytes of an untyped sample have their highest bit set.
    typed = (calls.view(np.uint16)[..., 0] & 0x8080) != 0x8080
    call_rate = _row_counts(typed) / calls.shape[1]
    counted = (calls if panel is None else calls[:, panel]).reshape(len(calls), -1)
    counts = np.zeros((len(calls), MAX_ALLELES), dtype=np.int64)
    for allele in range(min(int(counted.max(initial=-1)) + 1, MAX_ALLELES)):
        counts[:, allele] = _row_counts(counted == allele)
    total = counts.sum(axis=1)
    frequencies = counts / np.maximum(total, 1)[:, None]
    # Frequencies that rounding left below 1 in all are taken for incomplete, as scikit-allel does.
    diversity = 1.0 - np.power(frequencies, 2).sum(axis=1)
    diversity[frequencies.sum(axis=1) < 1.0] = 0.0
    return np.asarray(np.floor(call_rate * diversity * 1000 + 1e-9), dtype=np.int32)


def _row_counts(cells: Bools) -> Ints:
    """How many cells of each row are True: eight at a time, by the bits of one word."""
    width = cells.shape[1]
    if width % 8:
        whole = width - width % 8
        tail = np.asarray(cells[:, whole:].sum(axis=1))
        return np.add(tail, _row_counts(np.ascontiguousarray(cells[:, :whole]))) if whole else tail
    return np.asarray(np.bitwise_count(cells.view(np.uint64)).sum(axis=1, dtype=np.int64))


@dataclass
class MarkerChoice:
    """Streaming choice; feed it records in file order with `add`, then `finish`.

    `limit`: most markers to keep, None for all. `panel`: places, among the kept samples, of those whose
    diversity counts.
    """

    samples: tuple[str, ...]
    limit: int | None
    panel: Ints | None = None
    tally: Tally = field(default_factory=Tally)
    level: int = -1
    pieces: list[Kept] = field(default_factory=list)
    seen: int = 0
    _places: Places | None = None
    """Those of all pieces, once some were thinned."""

    def add(self, records: Records) -> None:
        """Consider the records of one chunk."""
        score = marker_scores(records.calls, self.panel)
        seq = np.arange(self.seen, self.seen + len(records))
        self.seen += len(records)
        places = Places.at(records.chrom, records.pos, score, seq)
        chosen = np.arange(len(records)) if self.limit is None else self._thin(places)
        if not len(chosen):
            return
        piece = Kept(records.chrom, records.ids, records.alleles, places, {}).take(chosen)
        numeric = records.numeric(chosen)
        piece.blocks = _blocks(records.calls[chosen], records.alleles, chosen, numeric)
        for at, why in numeric.unfit.items():
            piece.unfit[at] = why
        self.pieces.append(piece)

    def add_kept(self, other: MarkerChoice) -> None:
        """Take over the candidates of the region that follows in the file."""
        assert other.samples == self.samples
        assert other.limit == self.limit
        self.level = max(self.level, other.level)
        for piece in other.pieces:
            piece.places = replace(piece.places, seq=piece.places.seq + self.seen)
            if self.limit is not None:
                piece = piece.take(self._thin(piece.places))
            if len(piece):
                self.pieces.append(piece)
        self.seen += other.seen
        self.tally = self.tally + other.tally

    def mostly_aside(self) -> bool:
        """Whether half of the records or more cannot be used, so that the file cannot be trusted."""
        unfit = [why for piece in self.pieces for why in piece.unfit if why]
        candidates = sum(len(piece) for piece in self.pieces)
        return 0 < self.tally.records <= 2 * self.tally.aside_count or 0 < candidates <= 2 * len(unfit)

    def has_numeric(self) -> tuple[bool, bool]:
        """Whether any candidate has likelihoods, and depths."""
        blocks = [b for piece in self.pieces for b in piece.blocks.values()]
        return any(b.has_phred.any() for b in blocks), any(b.has_depths.any() for b in blocks)

    def _thin(self, new: Places) -> Ints:
        """Drop candidates that `new` or a coarser level displaces; returns the rows of `new` that stay."""
        assert self.limit is not None
        if self._places is None:
            self._places = Places.joined([*(p.places for p in self.pieces), new.take(_NONE)])
        before = len(self._places)
        places = Places.joined([self._places, new])
        best = _best(places, self.level - 1)
        while self.level < _TOP_LEVEL and len(best) > self.limit:
            if _count(_windows(places.take(best), self.level)) <= self.limit:
                break
            self.level += 1
            best = best[_best(places.take(best), self.level - 1)]
        self._places = places.take(best) if len(best) < len(places) else places
        stay = np.zeros(len(places), dtype=bool)
        stay[best] = True
        self._drop(np.flatnonzero(~stay[:before]))
        return np.flatnonzero(stay[before:])

    def _drop(self, gone: Ints) -> None:
        """Take these rows, ascending, from the pieces, counted over all of them."""
        if not len(gone):
            return
        ends = np.cumsum([len(piece) for piece in self.pieces])
        where = np.searchsorted(ends, gone, side="right")
        for at in np.unique(where).tolist():
            piece = self.pieces[at]
            rows = gone[where == at] - (ends[at] - len(piece))
            self.pieces[at] = piece.take(np.delete(np.arange(len(piece)), rows))
        self.pieces = [piece for piece in self.pieces if len(piece)]

    def finish(self, batch: str, evidence: Evidence, notes: Sequence[str]) -> CallBatch:
        """The batch of the chosen markers, in file order."""
        kept = self._fit(join_kept(self.pieces))
        self.pieces, self._places = [], None
        if self.limit is not None and len(kept) > self.limit:
            kept = kept.take(self._final(kept))
            notes = [*notes, f"{self.seen} markers thinned to {len(kept)}, evenly along the genome"]
        blocks = []
        without_phred = without_depths = cells_without = 0
        unread: list[tuple[Bools, Int8s]] = []
        for k in sorted(kept.blocks):
            block = kept.blocks[k]
            phred, depths = block.phred, block.depths
            if evidence is Evidence.LIKELIHOODS:
                if phred is None:
                    phred = np.full((*block.calls.shape[:2], n_genotypes(k)), NO_PHRED, np.uint8)
                without_phred += int((~block.has_phred).sum())
                phred, called = with_calls(phred, block.calls, k)
                cells_without += int(np.count_nonzero(called, axis=1)[block.has_phred].sum())
            elif evidence is Evidence.CALLS:
                phred = None
            if evidence is Evidence.DEPTHS or depths is not None:
                if depths is None:
                    depths = np.full((*block.calls.shape[:2], k), NO_DEPTH, np.uint16)
                without_depths += int((~block.has_depths).sum())
                known = ~all_are(depths, NO_DEPTH)
                if not known.all():
                    depths = np.where(known[..., None], depths, 0).astype(depths.dtype)
                if evidence is Evidence.DEPTHS:
                    unread.append((known & all_are(depths, 0), block.calls))
                    cells_without += int((~known & (block.calls >= 0).any(axis=-1))[block.has_depths].sum())
            blocks.append(CallBlock(k, block.rows, block.calls, phred, depths))
        if filled_in(unread):
            blocks = [b.without_calls(cells) for b, (cells, _) in zip(blocks, unread, strict=True)]
        self.tally.without_likelihood = without_phred
        self.tally.from_call = cells_without
        self.tally.without_depth = without_depths if evidence is Evidence.DEPTHS else 0
        if evidence is Evidence.LIKELIHOODS:
            self.tally.depth_unusable = 0  # depths would not be used anyway
        markers = Markers(
            np.array(kept.ids, dtype=object),
            np.array(kept.chrom, dtype=object),
            kept.places.pos.astype(np.int64),
            tuple(kept.alleles),
            np.zeros(len(kept), dtype=bool),
        )
        notes = (*notes, *self.tally.notes())
        return CallBatch(batch, markers, self.samples, tuple(blocks), evidence, notes)

    def _fit(self, kept: Kept) -> Kept:
        """The candidates without those that are set aside, which are counted."""
        for why, chrom, pos in zip(kept.unfit, kept.chrom, kept.places.pos.tolist(), strict=True):
            if why:
                self.tally.set_aside(why, [f"{chrom}:{pos}"])
        return kept.take(np.array([i for i, why in enumerate(kept.unfit) if not why], dtype=np.int64))

    def _final(self, kept: Kept) -> Ints:
        """Best of every window, then the best of the rest up to the limit; rows in file order."""
        assert self.limit is not None
        places = kept.places
        best = _best(places, self.level)
        rest = np.setdiff1d(np.arange(len(kept)), best)
        rest = rest[np.lexsort((places.seq[rest], -places.score[rest]))]
        return np.sort(np.concatenate([best, rest[: self.limit - len(best)]]))


def thin_rows(chrom: list[str], pos: Ints, score: Int32s, limit: int) -> Ints:
    """Rows of at most `limit` markers of a table that is in memory as a whole, ascending; rule as above."""
    choice = MarkerChoice((), limit)
    rows = np.arange(len(chrom))
    places = Places.at(chrom, pos, score, rows)
    chosen = choice._thin(places)
    kept = Kept(chrom, [""] * len(chrom), [()] * len(chrom), places, {}).take(chosen)
    return chosen[choice._final(kept)] if len(kept) > limit else chosen


def _windows(places: Places, level: int) -> NDArray[np.uint64]:
    """Window of each record at a level, as one number."""
    if level < 0:
        return np.arange(len(places), dtype=np.uint64)
    if level >= _CONTIG_LEVEL:
        return places.contig >> np.uint64(level - _CONTIG_LEVEL)
    return (places.contig << np.uint64(32)) | (places.pos.astype(np.uint64) >> np.uint64(level))


def _count(windows: NDArray[np.uint64]) -> int:
    """How many different ones there are."""
    ordered = np.sort(windows)
    return int(len(ordered) > 0) + int(np.count_nonzero(ordered[1:] != ordered[:-1]))


def _best(places: Places, level: int) -> Ints:
    """Rows of the best record of every window of a level, ascending."""
    if level < 0:
        return np.arange(len(places))
    window = _windows(places, level)
    order = np.argsort(window, kind="stable")  # quick where records come in order
    same = window[order][1:] == window[order][:-1]
    shared = np.zeros(len(order), dtype=bool)
    shared[1:] = same
    shared[:-1] |= same
    rivals = order[shared]
    ranked = rivals[
        np.lexsort((places.seq[rivals], places.pos[rivals], -places.score[rivals], window[rivals]))
    ]
    first = np.ones(len(ranked), dtype=bool)
    first[1:] = window[ranked][1:] != window[ranked][:-1]
    return np.sort(np.concatenate([order[~shared], ranked[first]]))


def _blocks(
    calls: Int8s, alleles: Sequence[tuple[str, ...]], chosen: Ints, numeric: Numeric
) -> dict[int, KeptBlock]:
    n_alleles = np.array([len(alleles[i]) for i in chosen], dtype=np.int64)
    out = {}
    for k in sorted(set(n_alleles.tolist())):
        rows = np.flatnonzero(n_alleles == k)
        group = numeric.groups.get(k)
        none = np.zeros(len(rows), dtype=bool)
        if group is None:
            out[k] = KeptBlock(rows, calls[rows], None, None, none, none)
        else:
            assert np.array_equal(group.rows, rows)
            out[k] = KeptBlock(
                rows, calls[rows], group.phred, group.depths, group.has_phred, group.has_depths
            )
    return out
