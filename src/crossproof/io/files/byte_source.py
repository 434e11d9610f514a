"""Decompressed bytes of a genotype file in bounded pieces, with every sign of damage refused.

BGZF blocks are read here rather than by a library because the general readers take a file that was cut
at a block boundary for a shorter one: the empty block that must end a BGZF file is their only witness.
`isal` decompresses faster where it is installed; the standard library gives the same bytes.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import Any

from crossproof.errors import PlateError

try:
    from isal import isal_zlib as _fast_zlib

    _zlib: Any = _fast_zlib
    _DAMAGE: Any = (zlib.error, _fast_zlib.error)
except ImportError:
    _zlib = zlib
    _DAMAGE = (zlib.error,)

BGZF_END = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")
"""The empty block that ends a BGZF file (SAM/BAM specification, section 4.1.2)."""

_SLAB = 1 << 21
_MAX_BLOCK = 1 << 16


class Packing(StrEnum):
    """How the bytes of a file are packed."""

    PLAIN = "plain"
    BGZF = "bgzip"
    GZIP = "gzip"


def damaged(shown_as: str, what: str) -> PlateError:
    """The error for a compressed file that cannot be unpacked."""
    return PlateError.at(
        shown_as,
        f"The file is damaged: {what}.",
        "Copy it again from where it was made, or ask the laboratory for it; compare the file sizes.",
    )


def too_big(shown_as: str, limit_bytes: float, table: bool = False) -> PlateError:
    """The error for a file that unpacks to more than the limit."""
    why = "the most a table may have" if table else "the limit set by max_input_gb"
    remedy = (
        "Split the table into several batches, or give the calls as VCF, which has no such limit."
        if table
        else "If the file really is that large, raise max_input_gb in config.yaml."
    )
    return PlateError.at(
        shown_as, f"The file unpacks to more than {limit_bytes / 1e9:.4g} GB, {why}.", remedy
    )


def packing_of(path: Path) -> Packing:
    """Packing as the first bytes show it."""
    with open(path, "rb") as handle:
        head = handle.read(18)
    if head[:2] != b"\x1f\x8b":
        return Packing.PLAIN
    if len(head) == 18 and head[3] & 4 and head[12:14] == b"BC":
        return Packing.BGZF
    return Packing.GZIP


def has_bgzf_end(path: Path) -> bool:
    """True where the file's last 28 bytes are the empty block that ends a BGZF file."""
    with open(path, "rb") as handle:
        size = handle.seek(0, os.SEEK_END)
        if size < len(BGZF_END):
            return False
        handle.seek(size - len(BGZF_END))
        return handle.read() == BGZF_END


def read_pieces(
    path: Path,
    packing: Packing,
    *,
    shown_as: str,
    limit_bytes: float,
    piece_bytes: int = 1 << 22,
    virtual_offset: int = 0,
) -> Iterator[bytes]:
    """Unpacked bytes in pieces of about `piece_bytes`.

    Parameters: `limit_bytes` is the most that may come out; `virtual_offset` (BGZF only) is where to start,
    the place of a block times 65,536 plus the place within it. Raises PlateError for a damaged, cut or
    over-large file.
    """
    if packing is Packing.PLAIN:
        pieces = _plain(path, piece_bytes)
    elif packing is Packing.BGZF:
        if not has_bgzf_end(path):
            raise damaged(
                shown_as, "the empty block that ends every bgzip file is missing, so its end was cut off"
            )
        pieces = _bgzf(path, shown_as, piece_bytes, virtual_offset)
    else:
        pieces = _gzip(path, shown_as, piece_bytes)
    total = 0
    for piece in pieces:
        total += len(piece)
        if total > limit_bytes:
            raise too_big(shown_as, limit_bytes)
        yield piece


def read_all(path: Path, packing: Packing, *, shown_as: str, limit_bytes: float, most: float = 1e18) -> bytes:
    """All unpacked bytes of a file that is held in memory; `most` bounds it whatever limit the user sets."""
    pieces, total = [], 0
    for piece in read_pieces(path, packing, shown_as=shown_as, limit_bytes=limit_bytes):
        total += len(piece)
        if total > most:
            raise too_big(shown_as, most, table=True)
        pieces.append(piece)
    return b"".join(pieces)


def _plain(path: Path, piece_bytes: int) -> Iterator[bytes]:
    with open(path, "rb") as handle:
        while piece := handle.read(piece_bytes):
            yield piece


def _gzip(path: Path, shown_as: str, piece_bytes: int) -> Iterator[bytes]:
    with open(path, "rb") as handle:
        pending = handle.read(_SLAB)
        while pending:
            member = _zlib.decompressobj(31)
            while not member.eof:
                try:
                    piece = member.decompress(pending, piece_bytes)
                except _DAMAGE:
                    raise damaged(shown_as, "its compressed data do not unpack") from None
                pending = member.unconsumed_tail
                if piece:
                    yield piece
                if not member.eof and not pending:
                    pending = handle.read(_SLAB)
                    if not pending:
                        raise damaged(shown_as, "its compressed data end in the middle")
            pending = member.unused_data or handle.read(_SLAB)
            # Tape blocks and some copy programs pad with zero bytes, which gzip itself ignores.
            if pending and not pending.strip(b"\0"):
                pending = b""


def _bgzf(path: Path, shown_as: str, piece_bytes: int, virtual_offset: int) -> Iterator[bytes]:
    start, skip = virtual_offset >> 16, virtual_offset & 0xFFFF
    blocks: list[bytes] = []
    held = 0
    with open(path, "rb") as handle:
        handle.seek(start)
        for block in _bgzf_blocks(handle.read, shown_as):
            if skip:
                if skip > len(block):
                    raise damaged(shown_as, "its index points to a place that does not exist")
                block, skip = block[skip:], 0
            blocks.append(block)
            held += len(block)
            if held >= piece_bytes:
                yield b"".join(blocks)
                blocks, held = [], 0
    if held:
        yield b"".join(blocks)


def _bgzf_blocks(read: Callable[[int], bytes], shown_as: str) -> Iterator[bytes]:
    slab, at = read(_SLAB), 0
    while True:
        if len(slab) - at < _MAX_BLOCK + 64:
            slab, at = slab[at:] + read(_SLAB), 0
        if at == len(slab):
            return
        if len(slab) - at < 26 or slab[at : at + 4] != b"\x1f\x8b\x08\x04":
            raise damaged(shown_as, "a bgzip block does not start as it must")
        extra = struct.unpack_from("<H", slab, at + 10)[0]
        if slab[at + 12 : at + 14] != b"BC" or extra != 6:
            size = _block_size(slab[at + 12 : at + 12 + extra])
        else:
            size = struct.unpack_from("<H", slab, at + 16)[0] + 1
        if size is None or size < extra + 20 or at + size > len(slab):
            raise damaged(shown_as, "its compressed data end in the middle")
        crc, length = struct.unpack_from("<II", slab, at + size - 8)
        if length > _MAX_BLOCK:
            raise damaged(shown_as, "a bgzip block claims more bytes than a block may hold")
        if length:
            yield _unpacked(slab[at : at + size], 12 + extra, length, crc, shown_as)
        at += size


def _unpacked(packed: bytes, head: int, length: int, crc: int, shown_as: str) -> bytes:
    """What a BGZF block holds, whose compressed data begin at `head`."""
    try:
        block: bytes = _zlib.decompress(packed, 31, length)  # somewhat faster than an object for each block
        if len(block) == length and _zlib.crc32(block) == crc:
            return block
    except _DAMAGE:
        pass  # what is wrong with it is found below
    try:
        block = _zlib.decompressobj(-15).decompress(packed[head:-8], length + 1)
    except _DAMAGE:
        raise damaged(shown_as, "its compressed data do not unpack") from None
    if len(block) != length or _zlib.crc32(block) != crc:
        raise damaged(shown_as, "the checksum of a bgzip block does not fit its content")
    return block


def _block_size(extra: bytes) -> int | None:
    at = 0
    while at + 4 <= len(extra):
        length = struct.unpack_from("<H", extra, at + 2)[0]
        if extra[at : at + 2] == b"BC" and length == 2 and at + 6 <= len(extra):
            return int(struct.unpack_from("<H", extra, at + 4)[0]) + 1
        at += 4 + length
    return None
