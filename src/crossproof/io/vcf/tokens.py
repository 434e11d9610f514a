"""Numbers between separators, many at a time.

The last four bytes of a value are read as one 32-bit number. The last three of them are looked up in a table
that knows all short numbers with the separators before them; the few longer values give their digits without
a loop ("SIMD within a register"): each byte is a digit once 0x30 is taken off, and two multiplications join
them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Bools, Floats, Ints, UInt8s, UInt16s

UNREADABLE, NO_VALUE, ZERO = 0, 1, 2
"""A value as it is read: no whole number of one to four digits, a '.', or so much more than ZERO."""
LENT = b"\t\t\t\t"
"""Goes before the text of samples, so that each has a separator before it and each value four bytes."""

_COMMA, _DOT, _COLON = 44, 46, 58


def short_table(shift: int | None = None) -> UInt16s:
    """What a value is by its last three bytes, the last one highest; with its length, moved by `shift` bits.

    A value of three digits may go on before them. Memory that is never looked at costs nothing.
    """
    one, two, three = (0, 0, 0) if shift is None else (n << shift for n in (1, 2, 3))
    table = np.zeros((256, 256, 256), dtype=np.uint16)  # last byte, the one before, the one before that
    digits = np.arange(10, dtype=np.uint16)
    tens = digits[:, None] + 10 * digits + ZERO
    for mark in (*range(32), _COMMA, _COLON):
        table[_DOT, mark] = NO_VALUE + one
        table[48:58, mark] = digits[:, None] + ZERO + one
        table[48:58, 48:58, mark] = tens + two
    table[48:58, 48:58, 48:58] = tens[:, :, None] + 100 * digits + three
    return table.ravel()


_SHORT = short_table()


def words_before(text: bytes) -> NDArray[np.uint32]:
    """The four bytes before each place of a text, the last one highest; not set at its first four places.

    Unaligned words are looked up so slowly that it pays to copy them all.
    """
    words = np.empty(len(text), dtype=np.uint32)
    words[4:] = np.ndarray(shape=(len(text) - 4,), dtype="<u4", buffer=text, strides=(1,))
    return words


class Tokens:
    """Values between separators, as numbers.

    `text`: samples behind LENT, each ended by a byte below 32. `marks` are the places of all separators,
    `kinds` the bytes there. A sample is known by the place, in `marks`, of the separator before it.
    """

    def __init__(self, text: bytes) -> None:
        self.text: UInt8s = np.frombuffer(text, np.uint8)
        found = self.text < 32
        found |= self.text == _COMMA
        found |= self.text == _COLON
        self.marks = np.flatnonzero(found)
        self.kinds = self.text[self.marks]
        self.words = words_before(text)

    def sample_ends(self, count: int) -> Ints:
        """Places in `marks` of the bytes that end the samples, `count` in all."""
        lent = len(LENT)
        ends = self.kinds[lent:] < 32
        assert np.count_nonzero(ends) == count
        size, odd = divmod(len(ends), count)
        if not odd and ends[size - 1 :: size].all():
            return np.arange(lent + size - 1, len(self.kinds), size)
        return lent + np.flatnonzero(ends)

    def are_alike(self, records: int, samples: int) -> bool:
        """Whether all samples have the same separators behind their values."""
        kinds = self.kinds[len(LENT) :].tobytes()
        size, odd = divmod(len(kinds), records * samples)
        record = kinds[:size] * (samples - 1) + kinds[: size - 1] + kinds[size * samples - 1 :][:1]
        return not odd and kinds == record * records

    def whole(self, before: Ints, first: int, count: int) -> list[UInt16s]:
        """Values `first` and following of the samples behind the marks `before`, see UNREADABLE."""
        end = self.marks[before + first]
        found = []
        for j in range(first + 1, first + count + 1):
            start, end = end, self.marks[before + j]
            word = self.words[end]
            out: UInt16s = np.take(_SHORT, word >> np.uint32(8), mode="clip")
            np.subtract(end, start, out=start)  # the length, with the separator
            if len(start) and start.max() > 4:
                longer = np.flatnonzero(start > 4)
                out[longer] = _longer(word[longer], start[longer])
            found.append(out)
        return found

    def floats(self, before: Ints, first: int, count: int) -> Floats | None:
        """Floats (sample, count), NaN where a value is no float; None where numpy cannot read them at all."""
        out = np.empty((len(before), count))
        for j in range(first, first + count):
            start = self.marks[before + j] + 1
            length = self.marks[before + j + 1] - start
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


def soundness(values: list[UInt16s]) -> tuple[Bools, Bools]:
    """Samples whose values could all be read, and those with a missing one."""
    # Column by column, since a reduction over an axis of two or three is slow.
    lowest = values[0]
    for value in values[1:]:
        lowest = np.minimum(lowest, value)
    if not (lowest < ZERO).any():
        return np.ones(len(lowest), dtype=bool), np.zeros(len(lowest), dtype=bool)
    missing = values[0] == NO_VALUE
    for value in values[1:]:
        missing |= value == NO_VALUE
    return lowest != UNREADABLE, missing


def _longer(word: NDArray[np.uint32], length: Ints) -> UInt16s:
    """Values of four digits by their bytes, of this `length` with the separator; UNREADABLE for others."""
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
    out: UInt16s = value.astype(np.uint16)
    out += np.uint16(ZERO)
    out[(wrong != 0) | (length != 5)] = UNREADABLE
    return out
