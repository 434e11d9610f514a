"""Records that are still candidates of the marker choice, with their arrays."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Bools, Int8s, Int32s, Ints, UInt8s, UInt16s


@lru_cache(maxsize=1 << 16)
def _checksum(contig: str) -> int:
    return zlib.crc32(contig.encode())


@dataclass(frozen=True)
class Places:
    """What the choice looks at: `contig` (r,) checksums of the contigs' names, `pos`, `score`, and `seq`, the
    order in the file, each (r,)."""

    contig: NDArray[np.uint64]
    pos: Ints
    score: Int32s
    seq: Ints

    @classmethod
    def at(cls, chrom: Sequence[str], pos: Ints, score: Int32s, seq: Ints) -> Places:
        """Places on contigs of these names."""
        return cls(np.fromiter(map(_checksum, chrom), np.uint64, len(chrom)), pos, score, seq)

    @classmethod
    def joined(cls, parts: Sequence[Places]) -> Places:
        """Those of all parts; at least one."""
        names = ("contig", "pos", "score", "seq")
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def __len__(self) -> int:
        return len(self.pos)

    def take(self, index: Ints) -> Places:
        """These only."""
        return Places(self.contig[index], self.pos[index], self.score[index], self.seq[index])


@dataclass
class Kept:
    """Records that are still candidates, with their arrays.

    `places` (r,); `blocks` by number of alleles; `unfit` why a record whose values do not fit its alleles is
    set aside in the end, "" for a sound one. Until then it takes part in the choice, which so is the same in
    whatever order records are read.
    """

    chrom: list[str]
    ids: list[str]
    alleles: list[tuple[str, ...]]
    places: Places
    blocks: dict[int, KeptBlock]
    unfit: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.unfit = self.unfit or [""] * len(self.ids)

    def __len__(self) -> int:
        return len(self.ids)

    def take(self, index: Ints) -> Kept:
        """These records only; `index` ascending, each at most once."""
        if len(index) == len(self):
            return self
        new_place = np.full(len(self), -1, dtype=np.int64)
        new_place[index] = np.arange(len(index))
        blocks = {}
        for k, block in self.blocks.items():
            keep = np.flatnonzero(new_place[block.rows] >= 0)
            if len(keep):
                blocks[k] = block.take(keep, new_place[block.rows[keep]])
        rows = index.tolist()
        return Kept(
            [self.chrom[i] for i in rows],
            [self.ids[i] for i in rows],
            [self.alleles[i] for i in rows],
            self.places.take(index),
            blocks,
            [self.unfit[i] for i in rows],
        )


@dataclass
class KeptBlock:
    """Arrays of kept records with one number of alleles; see CallBlock for the meaning of each."""

    rows: Ints
    calls: Int8s
    phred: UInt8s | None
    depths: UInt16s | None
    has_phred: Bools
    has_depths: Bools

    def take(self, keep: Ints, rows: Ints) -> KeptBlock:
        """These records, at new places."""
        return KeptBlock(
            rows,
            self.calls[keep],
            None if self.phred is None else self.phred[keep],
            None if self.depths is None else self.depths[keep],
            self.has_phred[keep],
            self.has_depths[keep],
        )


def join_kept(pieces: Sequence[Kept]) -> Kept:
    """Candidates of all pieces, in file order (pieces come in file order)."""
    if len(pieces) == 1:
        return pieces[0]
    offsets = np.concatenate(([0], np.cumsum([len(p) for p in pieces]))).astype(np.int64)
    blocks: dict[int, KeptBlock] = {}
    for k in sorted({k for p in pieces for k in p.blocks}):
        parts = [(p.blocks[k], int(at)) for p, at in zip(pieces, offsets, strict=False) if k in p.blocks]
        blocks[k] = KeptBlock(
            np.concatenate([b.rows + at for b, at in parts]),
            np.concatenate([b.calls for b, _ in parts]),
            _join([b.phred for b, _ in parts], [len(b.rows) for b, _ in parts]),
            _join([b.depths for b, _ in parts], [len(b.rows) for b, _ in parts]),
            np.concatenate([b.has_phred for b, _ in parts]),
            np.concatenate([b.has_depths for b, _ in parts]),
        )
        for block, _ in parts:
            block.phred = block.depths = None
            block.calls = block.calls[:0]
    empty = np.empty(0, dtype=np.int64)
    nowhere = Places(empty.astype(np.uint64), empty, empty.astype(np.int32), empty)
    return Kept(
        [c for p in pieces for c in p.chrom],
        [i for p in pieces for i in p.ids],
        [a for p in pieces for a in p.alleles],
        Places.joined([p.places for p in pieces] or [nowhere]),
        blocks,
        [why for p in pieces for why in p.unfit],
    )


def _join(arrays: Sequence[NDArray[Any] | None], lengths: Sequence[int]) -> NDArray[Any] | None:
    """Arrays end to end; 0 where one is absent and another is not."""
    shape = next((a.shape[1:] for a in arrays if a is not None), None)
    if shape is None:
        return None
    dtype = next(a.dtype for a in arrays if a is not None)
    return np.concatenate(
        [np.zeros((n, *shape), dtype) if a is None else a for a, n in zip(arrays, lengths, strict=True)]
    )
