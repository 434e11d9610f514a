"""Regions of an indexed file, so that several jobs can read it at once.

A .tbi or .csi index says where in the compressed file each stretch of a contig begins. The file is cut into
parts of about equal compressed size at such places. A record belongs to the region that holds its POS, so
the parts together hold every record once, also where alleles reach over a border.
Index formats: the Tabix and CSI specifications, version of 2021 (binary layout and pseudo-bins).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from crossproof.errors import PlateError
from crossproof.io.files.byte_source import Packing, packing_of, read_all
from crossproof.model.arrays import Ints

END_OF_CONTIG = 2**31 - 1
_MAX_INDEX = 2e9


@dataclass(frozen=True)
class Region:
    """Records of one contig with start <= POS <= end (1-based, both ends included)."""

    contig: str
    start: int
    end: int


@dataclass(frozen=True)
class _Contig:
    """Index of one contig: 0-based `starts` of stretches, virtual `offsets` of their first records."""

    name: str
    first: int
    starts: Ints
    offsets: NDArray[np.uint64]
    records: int | None


@dataclass(frozen=True)
class FileIndex:
    """Index of one file; only contigs with records, in file order."""

    contigs: tuple[_Contig, ...]

    @property
    def records(self) -> int | None:
        """Number of records in the file, None where the index does not say."""
        counts = [c.records for c in self.contigs]
        return None if any(c is None for c in counts) else sum(c for c in counts if c is not None)

    def offset(self, region: Region) -> int:
        """Virtual offset from which to read a region."""
        for contig in self.contigs:
            if contig.name == region.contig:
                at = int(np.searchsorted(contig.starts, region.start - 1, side="right")) - 1
                return contig.first if at < 0 or region.start <= 1 else int(contig.offsets[at])
        raise KeyError(region.contig)


def index_path(path: Path) -> Path | None:
    """The index beside a file, None where there is none."""
    for suffix in (".csi", ".tbi"):
        candidate = path.with_name(path.name + suffix)
        if candidate.is_file():
            return candidate
    return None


def read_index(path: Path, contig_names: tuple[str, ...], *, shown_as: str) -> FileIndex | None:
    """Index of a file, None where it has none or the file is not bgzip.

    Parameters: `contig_names`: contigs in header order, for a BCF index, which holds no names. Raises
    PlateError where the index is damaged.
    """
    beside = index_path(path)
    if beside is None or packing_of(path) is not Packing.BGZF:
        return None
    try:
        data = read_all(
            beside, packing_of(beside), shown_as=f"{shown_as}{beside.suffix}", limit_bytes=_MAX_INDEX
        )
        if data[:4] == b"TBI\1":
            return _tbi(data)
        if data[:4] == b"CSI\1":
            return _csi(data, contig_names)
    except (struct.error, ValueError, IndexError, UnicodeDecodeError):
        pass
    raise PlateError.at(
        f"{shown_as}{beside.suffix}",
        "The index beside the file is damaged or of an unknown kind.",
        "Delete it, or make it again (bcftools index).",
    )


def _names(blob: bytes) -> list[str]:
    return [n.decode("utf-8") for n in blob.split(b"\0")[:-1]]


def _tbi(data: bytes) -> FileIndex:
    n_ref, *_, l_nm = struct.unpack_from("<8i", data, 4)
    names = _names(data[36 : 36 + l_nm])
    at = 36 + l_nm
    if n_ref < 0:
        raise ValueError("n_ref")
    contigs = []
    for i in range(n_ref):
        first, records, at, _ = _bins(data, at, with_loffset=False, pseudo=37450)
        (n_intv,) = struct.unpack_from("<i", data, at)
        linear = np.frombuffer(data, "<u8", n_intv, at + 4).astype(np.uint64)
        at += 4 + 8 * n_intv
        if first is None:
            continue
        # Windows before the first record, and those that an older indexer left at 0, say nothing.
        known = np.flatnonzero(linear > 0)
        contigs.append(_Contig(names[i], first, known.astype(np.int64) << 14, linear[known], records))
    return FileIndex(tuple(contigs))


def _csi(data: bytes, contig_names: tuple[str, ...]) -> FileIndex:
    min_shift, depth, l_aux = struct.unpack_from("<3i", data, 4)
    aux = data[16 : 16 + l_aux]
    names = list(contig_names)
    if l_aux >= 28:
        (l_nm,) = struct.unpack_from("<i", aux, 24)
        names = _names(aux[28 : 28 + l_nm])
    at = 16 + l_aux
    (n_ref,) = struct.unpack_from("<i", data, at)
    at += 4
    if not (0 <= depth <= 10 and 0 <= min_shift <= 32):
        raise ValueError("depth")
    first_leaf = ((1 << 3 * depth) - 1) // 7
    pseudo = ((1 << 3 * (depth + 1)) - 1) // 7 + 1
    contigs = []
    for i in range(n_ref):
        first, records, at, leaves = _bins(data, at, with_loffset=True, pseudo=pseudo, first_leaf=first_leaf)
        if first is None:
            continue
        places = sorted(leaves)
        contigs.append(
            _Contig(
                names[i],
                first,
                np.array([(b - first_leaf) << min_shift for b in places], dtype=np.int64),
                np.array([leaves[b] for b in places], dtype=np.uint64),
                records,
            )
        )
    return FileIndex(tuple(contigs))


def _bins(
    data: bytes, at: int, *, with_loffset: bool, pseudo: int, first_leaf: int = 0
) -> tuple[int | None, int | None, int, dict[int, int]]:
    """First virtual offset, number of records, where the bins end, and the leaf bins' offsets."""
    (n_bin,) = struct.unpack_from("<i", data, at)
    at += 4
    first: int | None = None
    records: int | None = None
    leaves: dict[int, int] = {}
    for _ in range(n_bin):
        if with_loffset:
            number, loffset, n_chunk = struct.unpack_from("<IQi", data, at)
            at += 16
        else:
            number, n_chunk = struct.unpack_from("<Ii", data, at)
            at, loffset = at + 8, 0
        if n_chunk < 0 or at + 16 * n_chunk > len(data):
            raise ValueError("chunks")
        if number == pseudo:
            records = struct.unpack_from("<Q", data, at + 16)[0] if n_chunk == 2 else None
        elif n_chunk:
            begin = struct.unpack_from("<Q", data, at)[0]
            first = begin if first is None else min(first, begin)
            if with_loffset and number >= first_leaf:
                leaves[number] = loffset
        at += 16 * n_chunk
    return first, records, at, leaves


def cut(index: FileIndex, parts: int, file_bytes: int) -> tuple[tuple[Region, ...], ...]:
    """At most `parts` lists of regions of about equal compressed size that cover the file, in file order."""
    places: list[tuple[int, int, int]] = []  # compressed offset, contig, 0-based start
    for c, contig in enumerate(index.contigs):
        places.append((contig.first >> 16, c, 0))
        places += [
            (int(o) >> 16, c, int(s))
            for s, o in zip(contig.starts, contig.offsets, strict=True)
            if s > 0 and int(o) > contig.first
        ]
    if not places:
        return ()
    begin = places[0][0]
    wanted = [begin + (file_bytes - begin) * i // parts for i in range(1, parts)]
    offsets = np.array([p[0] for p in places])
    cuts = sorted({int(np.searchsorted(offsets, w)) for w in wanted} - {0, len(places)})
    bounds = [places[0][1:], *(places[i][1:] for i in cuts), (len(index.contigs), 0)]
    out = []
    for (low_contig, start), (high_contig, stop) in pairwise(bounds):
        mine = []
        for c in range(low_contig, min(high_contig + 1, len(index.contigs))):
            low = start + 1 if c == low_contig and start else 0
            high = stop if c == high_contig else END_OF_CONTIG
            if high > 0 and low <= high:
                mine.append(Region(index.contigs[c].name, low, high))
        if mine:
            out.append(tuple(mine))
    return tuple(out)
