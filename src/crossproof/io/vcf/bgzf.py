"""Blocked gzip (BGZF) as the SAM specification, section 4.1, lays it down."""

from __future__ import annotations

import struct
import zlib
from types import TracebackType
from typing import IO

BLOCK = 65280  # bytes before compression; the compressed block must stay below 65536
END_OF_FILE = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")


class BgzfWriter:
    """Writes bytes as blocked gzip; closing adds the empty block that marks the end."""

    def __init__(self, target: IO[bytes], level: int = 6) -> None:
        self._target, self._level, self._pending = target, level, bytearray()

    def write(self, data: bytes) -> int:
        """Take bytes; full blocks go out at once."""
        self._pending += data
        while len(self._pending) >= BLOCK:
            self._target.write(block(bytes(self._pending[:BLOCK]), self._level))
            del self._pending[:BLOCK]
        return len(data)

    def close(self) -> None:
        """Write what is left and the end block; the file beneath stays open."""
        if self._pending:
            self._target.write(block(bytes(self._pending), self._level))
            self._pending.clear()
        self._target.write(END_OF_FILE)

    def __enter__(self) -> BgzfWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:  # a half-written file must not look whole
            self.close()


def block(data: bytes, level: int = 6) -> bytes:
    """One BGZF block of at most BLOCK bytes."""
    assert len(data) <= BLOCK
    squeeze = zlib.compressobj(level, zlib.DEFLATED, -15)
    body = squeeze.compress(data) + squeeze.flush()
    head = struct.pack("<4BI2BH2BHH", 31, 139, 8, 4, 0, 0, 255, 6, 66, 67, 2, len(body) + 25)
    return head + body + struct.pack("<II", zlib.crc32(data), len(data))


def bgzf(data: bytes, level: int = 6) -> bytes:
    """Bytes as a complete BGZF file."""
    parts = [block(data[at : at + BLOCK], level) for at in range(0, len(data), BLOCK)]
    return b"".join([*parts, END_OF_FILE])
