"""Chunks of records that hold nothing but usual genotypes: every sample is four bytes wide.

Where FORMAT is GT alone and all alleles have one digit, a line's samples are words of an allele, a separator,
an allele and a tab. Such a chunk need not be searched for its tabs: that each word is a usual spelling before
a tab, and that there are as many as there are samples, is the same proof of its structure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crossproof.io.vcf.lines import places
from crossproof.model.arrays import Int8s, Ints
from crossproof.model.sentinels import MISSING

_TAB, _LF, _COLON = 9, 10, 58
_TOGETHER = 1 << 16
"""Samples looked up at a time: their arrays stay in the processor's cache."""
_UNUSUAL = np.uint16(0x7F7F)
"""Stands for both alleles of what is no usual spelling; no record has an allele of this number."""


def _pair_table() -> NDArray[np.uint16]:
    """Two alleles by the three bytes of their spelling, less `_UNUSUAL`, so that memory is zero if unused."""
    table = np.zeros(1 << 24, dtype=np.uint16)
    spell = {MISSING: ord(".")} | {a: 48 + a for a in range(10)}
    for a, byte_a in spell.items():
        for b, byte_b in spell.items():
            pair = np.array([a, b], dtype=np.int8).view(np.uint16)[0]
            for separator in b"/|":
                table[byte_a | separator << 8 | byte_b << 16] = pair ^ _UNUSUAL
    return table


_PAIRS = _pair_table()


@dataclass(frozen=True)
class PlainCalls:
    """Records of one chunk.

    `heads` (record,): text of the fixed fields; `format_ends` (record,): places of the tab behind FORMAT;
    `calls` (record, sample, 2) int8 of all samples of the file; `highest` (record,) greatest allele number.
    """

    heads: list[bytes]
    format_ends: Ints
    calls: Int8s
    highest: Int8s

    def begin(self, columns: Ints) -> Ints:
        """Places (record, sample) where these samples begin."""
        return self.format_ends[:, None] + 1 + 4 * columns


def plain_calls(data: bytes, n_samples: int) -> PlainCalls | None:
    """Genotypes of a chunk of whole lines, or None where any byte of it is not of the plainest form.

    `n_samples`: of the file. The fixed fields are not looked into, but for their number and that they hold
    no control characters.
    """
    width = 4 * n_samples
    first = data.find(b"\n") - width
    if not n_samples or first < 17 or data[first - 3 : first + 1] != b"\tGT\t":
        return None
    ends = places(np.frombuffer(data, np.uint8), lambda part: part == _LF)
    starts = np.concatenate(([0], ends[:-1] + 1))
    format_ends = ends - width
    if (format_ends - starts < 17).any():
        return None
    stops = format_ends.tolist()
    heads = [data[start:stop] for start, stop in zip(starts.tolist(), stops, strict=True)]
    if not _are_fixed_fields(heads, format_ends + 1 - starts):
        return None
    out = np.empty((len(stops), n_samples), dtype=np.uint16)
    step = max(1, _TOGETHER // n_samples)
    view = memoryview(data)
    for at in range(0, len(stops), step):
        part = stops[at : at + step]
        text = bytearray().join([view[stop + 1 : stop + 1 + width] for stop in part])
        words = np.frombuffer(text, dtype="<u4").reshape(len(part), n_samples)
        words[:, -1] ^= np.uint32((_TAB ^ _LF) << 24)
        words ^= np.uint32(_TAB << 24)
        if int(words.max()) >= 1 << 24:
            return None
        np.take(_PAIRS, words, out=out[at : at + step], mode="clip")
    if not out.all():
        return None
    out ^= _UNUSUAL
    calls = out.view(np.int8).reshape(len(stops), n_samples, 2)
    highest = calls.reshape(len(stops), -1).max(axis=1)
    return PlainCalls(heads, format_ends, calls, highest)


def usual_calls(data: bytes, begin: Ints) -> Int8s | None:
    """Genotypes (record, sample, 2) of samples with further fields, or None where one is unusual.

    `begin` (record, sample): places in `data` where they start, at least four bytes before its end.
    """
    start = begin.ravel()
    view = np.ndarray(shape=(len(data) - 3,), dtype="<u4", buffer=data, strides=(1,))
    out = np.empty(len(start), dtype=np.uint16)
    for at in range(0, len(start), _TOGETHER):
        words = view[start[at : at + _TOGETHER]]
        words ^= np.uint32(_COLON << 24)
        if int(words.max()) >= 1 << 24:
            return None
        np.take(_PAIRS, words, out=out[at : at + _TOGETHER], mode="clip")
    if not out.all():
        return None
    out ^= _UNUSUAL
    return out.view(np.int8).reshape(*begin.shape, 2)


def _are_fixed_fields(heads: list[bytes], lengths: Ints) -> bool:
    """Whether each holds nine fields, the last one GT, and no other control character than their tabs.

    `lengths` (record,): of the heads, with the tab behind each.
    """
    text = b"\t".join([*heads, b""])
    letters = np.frombuffer(text, np.uint8)
    marks = np.flatnonzero(letters < 32)
    ends = np.cumsum(lengths) - 1
    if len(marks) != 9 * len(lengths) or text.count(b"\t") != len(marks) or (marks[8::9] != ends).any():
        return False
    last = [letters[ends - back] for back in (3, 2, 1)]
    return all(bool((found == wanted).all()) for found, wanted in zip(last, b"\tGT", strict=True))
