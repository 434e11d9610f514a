"""Short numbers of many samples at once, read from the end of each sample back to its genotype.

Where a sample ends is known. The three bytes before a value's end give the value and, by the separator before
it, its length; so the separators need not be looked for. What is not of the expected shape, or holds more
than three digits, is found out on the way: the byte that ends each value must be the separator that belongs
there, and the walk must end behind a genotype of three bytes. Those samples are read in the long way.
"""

from __future__ import annotations

import re
from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from crossproof.io.vcf.tokens import short_table
from crossproof.model.arrays import Bools, Ints, UInt16s

_COMMA, _COLON = 44, 58
_VALUE = np.uint16(1023)
_LENGTHS = 10
_STEPS = short_table(_LENGTHS)
"""Value by the last three bytes as in `tokens`, and its length times 1,024; 0 for what is no short value."""

_SAMPLE = re.compile(rb"[^:,][/|][^:,](?::(?:\d{1,3}|\.)(?:,(?:\d{1,3}|\.))*)*")
_UNPHASED, _PHASED = (np.uint32(_COLON << 24 | ord(mark) << 8) for mark in "/|")
_AROUND = np.uint32(0xFF00FF00)


def values_by_field(sample: bytes) -> tuple[int, ...] | None:
    """Number of values of each field; None unless it is a genotype of three bytes and short numbers."""
    if not _SAMPLE.fullmatch(sample):
        return None
    return tuple(cell.count(b",") + 1 for cell in sample.split(b":"))


def walk_back(
    words: NDArray[np.uint32], starts: Ints, stops: Ints, counts: tuple[int, ...], wanted: Collection[int]
) -> tuple[dict[int, list[UInt16s]], Bools]:
    """Values of the wanted fields, as `tokens` codes them, and which samples have that shape (sample,).

    Parameters: `words`: `tokens.words_before` of a text of samples that begins with LENT and has a byte more;
    `starts`, `stops` (sample,): places of each sample's first byte and of the byte that ends it; `counts`:
    number of values of each field, the first one a genotype; `wanted`: fields, others are passed over. Values
    of samples of another shape mean nothing.
    """
    at = stops + 1  # behind the byte that ends the next value to read
    good = np.ones(len(at), dtype=bool)
    found: dict[int, list[UInt16s]] = {}
    mark = None
    for place in range(len(counts) - 1, 0, -1):
        values: list[UInt16s] = []
        for _ in range(counts[place]):
            word = words.take(at, mode="clip")
            if mark is None:
                word &= np.uint32(0xFFFFFF)  # it is known to end there
            else:
                word ^= np.uint32(mark << 24)
                if len(word) and int(word.max()) >= 1 << 24:
                    good &= word < 1 << 24
            step: UInt16s = _STEPS.take(word, mode="clip")
            if not step.all():
                good &= step > 0
            at -= step >> np.uint16(_LENGTHS)
            at -= 1
            if place in wanted:
                step &= _VALUE
                values.append(step)
            mark = _COMMA
        if place in wanted:
            found[place] = values[::-1]
        mark = _COLON
    good &= at == starts + 4
    around: NDArray[np.uint32] = words.take(at, mode="clip") & _AROUND
    good &= (around == _UNPHASED) | (around == _PHASED)
    return found, good
