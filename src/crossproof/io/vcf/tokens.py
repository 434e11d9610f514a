"""Numbers between separators, many at a time.

The last four bytes of a value are read as one 32-bit number. Up to three of them are looked up in a table;
four give their digits without a loop ("SIMD within a register"): each byte is a digit once 0x30 is taken
off, and two multiplications join them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Floats, Int32s, Ints, UInt8s
from crossproof.model.sentinels import MISSING

UNREADABLE = -2
"""Stands for a value that is no whole number of one to four digits."""


def _short_table() -> NDArray[np.uint16]:
    """Value of up to three bytes, the last one highest, less UNREADABLE: 0 for whatever is no number."""
    table = np.zeros(1 << 24, dtype=np.uint16)
    for width in (1, 2, 3):
        for value in range(10**width):
            table[int.from_bytes(f"{value:0{width}d}".encode(), "little")] = value - UNREADABLE
    table[ord(".")] = MISSING - UNREADABLE
    return table


_SHORT = _short_table()


class Tokens:
    """Values between marks, as numbers.

    `text` holds the values; `marks` are the places of the separators, `kinds` the bytes there.
    """

    def __init__(self, text: bytes, marks: Ints, kinds: UInt8s) -> None:
        lent = b"0000" + text
        self.words = np.ndarray(shape=(len(text) + 1,), dtype="<u4", buffer=lent, strides=(1,))
        self.text = np.frombuffer(text, np.uint8)
        self.marks, self.kinds = marks, kinds

    def rows(self, before: Ints, size: int) -> tuple[Ints, UInt8s]:
        """Marks and kinds (sample, size) behind the marks `before`."""
        if len(before) * size == len(self.marks):
            return self.marks.reshape(-1, size), self.kinds.reshape(-1, size)
        places = (before + 1)[:, None] + np.arange(size)
        return self.marks[places], self.kinds[places]

    def starts(self, before: Ints) -> Ints:
        """Places of the bytes before the samples that follow the marks `before`; -1 at the beginning."""
        return np.where(before >= 0, self.marks[before], -1)

    def whole(self, ends: Ints, starts: Ints, j: int) -> Int32s:
        """Value j of each sample: up to four digits; MISSING for '.'; UNREADABLE for anything else."""
        end = ends[:, j]
        length = (end - (ends[:, j - 1] if j else starts)).astype(np.uint32)
        length -= np.uint32(1)
        word = self.words[end]  # the four bytes before the separator, the last one highest
        shift = np.uint32(4) - np.minimum(length, np.uint32(3))
        shift <<= np.uint32(3)  # bits of the four bytes that belong to other values
        shift &= np.uint32(31)
        out: Int32s = np.take(_SHORT, word >> shift, mode="clip").astype(np.int32)
        out += UNREADABLE
        if len(length) and not (length.min() and length.max() <= 3):
            other = np.flatnonzero(length - np.uint32(1) > 2)
            out[other] = _longer(word[other], length[other])
        return out

    def floats(self, ends: Ints, starts: Ints, first: int, count: int) -> Floats | None:
        """Floats (sample, count), NaN where a value is no float; None where numpy cannot read them at all."""
        out = np.empty((len(ends), count))
        for j in range(first, first + count):
            start = (ends[:, j - 1] if j else starts) + 1
            length = ends[:, j] - start
            ok = (length >= 1) & (length <= 16)
            offsets = np.arange(16)
            inside = (offsets < length[:, None]) & ok[:, None]
            letters = np.where(inside, self.text[np.where(inside, start[:, None] + offsets, 0)], 0)
            letters = np.ascontiguousarray(letters.astype(np.uint8))
            plain = (letters == 0) | ((letters >= 43) & (letters <= 57) & (letters != 44) & (letters != 47))
            plain |= (letters == 101) | (letters == 69)
            ok &= plain.all(axis=-1) & ~((length == 1) & (letters[:, 0] == 46))
            letters[~ok] = 0
            letters[~ok, 0] = 48
            try:
                out[:, j - first] = letters.view("S16").ravel().astype(np.float64)
            except ValueError:
                return None
            out[~ok, j - first] = np.nan
        return out


def _longer(word: NDArray[np.uint32], length: NDArray[np.uint32]) -> Int32s:
    """Values of four digits by their bytes; UNREADABLE for any other length and whatever is no digit."""
    digits = word ^ np.uint32(0x30303030)
    wrong = digits + np.uint32(0x76767676)
    wrong |= digits
    wrong &= np.uint32(0x80808080)
    pairs = digits >> np.uint32(8)
    digits *= np.uint32(10)
    pairs += digits
    pairs &= np.uint32(0x00FF00FF)
    value = pairs & np.uint32(0xFF)
    value *= np.uint32(100)
    pairs >>= np.uint32(16)
    value += pairs
    out = value.view(np.int32)
    out[(wrong != 0) | (length != 4)] = UNREADABLE
    return out
