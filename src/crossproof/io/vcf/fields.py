"""Numeric FORMAT fields of accepted VCF records: PL or GL as phred-scaled likelihoods, AD as depths.

Samples of a record mostly share one *shape*: the number of comma-separated values in each colon-separated
field. Where nearly all samples have one shape and short numbers, they are read from their ends back
(`walked_back`). Else all samples of one shape are parsed together: the places of ':' ',' and tab give every
value's first and last byte (`tokens`). A few shapes cover nearly all samples; the rest, and any value that is
not plain digits, goes to the exact path (`exact_values`), which also words the errors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crossproof.io.vcf.exact_values import ExactSample
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import Refused
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED, to_phred
from crossproof.io.vcf.tokens import LENT, ZERO, Tokens, soundness, words_before
from crossproof.io.vcf.walked_back import values_by_field, walk_back
from crossproof.model.arrays import Bools, Floats, Int8s, Ints, UInt8s, UInt16s
from crossproof.model.genotypes import genotype_alleles, n_genotypes
from crossproof.model.sentinels import MISSING

_DOT, _COLON = 46, 58
_MAX_SHAPES = 8
_TOGETHER = 20_000  # samples parsed at a time
_MOST_WALKS = 3  # shapes that are walked back


@dataclass
class NumericGroup:
    """Numeric fields of the records with k alleles.

    `rows` (m,) places among the records asked for; `phred` (m, sample, n_g) uint8 or None, NO_PHRED
    throughout where a sample has none; `depths` (m, sample, k) uint16 or None, NO_DEPTH likewise;
    `has_phred`, `has_depths` (m,) bool: records that have the field at all.
    """

    rows: Ints
    phred: UInt8s | None
    depths: UInt16s | None
    has_phred: Bools
    has_depths: Bools

    @classmethod
    def empty(cls, rows: Ints, n_samples: int, k: int, has_phred: Bools, has_depths: Bools) -> NumericGroup:
        """A group to be filled in; fields that no record has are None."""
        shape = len(rows), n_samples
        phred = np.full((*shape, n_genotypes(k)), NO_PHRED, np.uint8) if has_phred.any() else None
        depths = np.full((*shape, k), NO_DEPTH, np.uint16) if has_depths.any() else None
        return cls(rows, phred, depths, has_phred, has_depths)


@dataclass
class Numeric:
    """Numeric fields of a set of records, by number of alleles.

    `unfit`: why a record is set aside, by its place in the set, where its values do not fit its alleles.
    """

    groups: dict[int, NumericGroup] = field(default_factory=dict)
    unfit: dict[int, str] = field(default_factory=dict)

    def fill_calls(self, calls: Int8s, rows: Ints) -> None:
        """Write into `calls` (record, sample, 2) the one genotype at phred 0, where it is one only."""
        for k, group in self.groups.items():
            if group.phred is None:
                continue
            best = group.phred == 0
            single = (best.sum(axis=-1) == 1) & group.has_phred[:, None]
            called = genotype_alleles(k)[best.argmax(axis=-1)]
            calls[rows[group.rows]] = np.where(single[..., None], called, MISSING)


Refuse = Callable[[int, int, str, Refused], None]
"""Called with record, kept sample, value and fault."""


def parse_numeric(
    data: bytes,
    begin: Ints,
    end: Ints,
    n_samples: int,
    columns: Ints,
    layouts: Sequence[FieldLayout],
    n_alleles: Ints,
    *,
    want_phred: bool,
    want_depths: bool,
    refuse: Refuse,
    table: Ints | None = None,
) -> Numeric:
    """Parse PL or GL, and AD, of records.

    Parameters: `begin`, `end` (m,): first byte of a record's samples and the byte that ends its last sample;
    `n_samples` in the file; `columns` (kept,); `layouts` and `n_alleles` (m,); `table` (m, column) the byte
    that ends each cell, where that is known. Where a record has both PL and GL, PL is read.
    """
    out = Numeric()
    view = memoryview(data)
    different = {id(f): f for f in layouts}
    which = np.fromiter(map(id, layouts), np.int64, len(layouts))
    for k in sorted(set(n_alleles.tolist())):
        rows = np.flatnonzero(n_alleles == k)
        mine = which[rows]
        has_phred, has_depths = np.zeros(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
        groups = []
        for name, layout in different.items():
            inside = np.flatnonzero(mine == name)
            has_phred[inside] = want_phred and (layout.pl is not None or layout.gl is not None)
            has_depths[inside] = want_depths and layout.ad is not None
            if len(inside):
                groups.append((inside, layout))
        filled = NumericGroup.empty(rows, len(columns), k, has_phred, has_depths)
        for inside, layout in sorted(groups, key=lambda group: int(group[0][0])):
            group = _Group(layout, k, want_phred, want_depths)
            if not group.wanted:
                continue
            # Few records at a time: their arrays stay in the processor's cache.
            step = max(1, _TOGETHER // n_samples)
            for part in (inside[at : at + step] for at in range(0, len(inside), step)):
                first, last = begin[rows[part]], end[rows[part]]
                places = zip(first.tolist(), last.tolist(), strict=True)
                text = b"".join([LENT, *[view[start : stop + 1] for start, stop in places], b"\n"])

                def refuse_value(
                    i: int, column: int, value: str, fault: Refused, part: Ints = rows[part]
                ) -> None:
                    refuse(int(part[i]), column, value, fault)

                got = None
                if table is not None and group.walks:
                    lengths = last - first + 1
                    shift = len(LENT) + np.cumsum(lengths) - lengths - first
                    ends = table[rows[part], 8 : 9 + n_samples] + shift[:, None]
                    got = group.walk(text, ends, columns, refuse_value)
                if got is None:
                    got = group.parse(text[:-1], len(part), n_samples, columns, refuse_value)
                got_phred, got_depths = got
                run = int(part[-1] - part[0]) + 1 == len(part)
                to = slice(int(part[0]), int(part[-1]) + 1) if run else part
                if filled.phred is not None and got_phred is not None:
                    filled.phred[to] = got_phred
                if filled.depths is not None and got_depths is not None:
                    filled.depths[to] = got_depths
        out.groups[k] = filled
    return out


class _Group:
    """Parser of records that share FORMAT and number of alleles."""

    def __init__(self, layout: FieldLayout, k: int, want_phred: bool, want_depths: bool) -> None:
        self.layout, self.k, self.n_g = layout, k, n_genotypes(k)
        self.pl = layout.pl if want_phred else None
        self.gl = layout.gl if want_phred and self.pl is None else None
        self.ad = layout.ad if want_depths else None
        self.wanted = not (self.pl is None and self.gl is None and self.ad is None)
        self.rules = ExactSample(layout, k, self.pl, self.gl, self.ad)
        self.exact: dict[bytes, tuple[UInt8s | None, UInt16s | None]] = {}
        self.walks = self.wanted and layout.has_gt and self.gl is None

    def walk(
        self, text: bytes, ends: Ints, columns: Ints, refuse: Refuse
    ) -> tuple[UInt8s | None, UInt16s | None] | None:
        """As `parse`, by the places (m, 1 + samples) in `text` of the bytes that end FORMAT and each sample.

        None where too few of the samples have one of a few shapes and short numbers.
        """
        m, n = len(ends), len(columns)
        every = n == ends.shape[1] - 1
        starts = ((ends[:, :-1] if every else ends[:, columns]) + 1).ravel()
        stops = (ends[:, 1:] if every else ends[:, columns + 1]).ravel()
        phred, depths = self._nothing(m * n)
        words, left = words_before(text), np.arange(m * n)
        for _ in range(_MOST_WALKS):
            if not len(left):
                break
            middle = left[len(left) // 2]
            counts = self._shape(text[starts[middle] : stops[middle]])
            if counts is None:
                break
            left = left[~self._walked(words, starts, stops, counts, left, phred, depths)]
        if len(left) > m * n // 2:
            self.walks = False
            return None
        if len(left):
            samples = zip(starts[left].tolist(), stops[left].tolist(), strict=True)
            rest = b"".join([LENT, *[text[start:stop] + b"\n" for start, stop in samples]])
            only = np.zeros(1, dtype=np.int64)
            more = self.parse(
                rest, len(left), 1, only, lambda i, _, v, f: refuse(*divmod(int(left[i]), n), v, f)
            )
            if phred is not None and more[0] is not None:
                phred[left] = more[0][:, 0]
            if depths is not None and more[1] is not None:
                depths[left] = more[1][:, 0]
        return self._by_record(phred, depths, m, n)

    def _shape(self, sample: bytes) -> tuple[int, ...] | None:
        """Number of values of each field of a sample, None where it is not to be walked through."""
        counts = values_by_field(sample)
        if counts is None or len(counts) > len(self.layout.keys):
            return None
        needs = (self.pl, self.n_g), (self.ad, self.k)
        fits = (place is None or place >= len(counts) or counts[place] == size for place, size in needs)
        return counts if all(fits) else None

    def _walked(
        self,
        words: NDArray[np.uint32],
        starts: Ints,
        stops: Ints,
        counts: tuple[int, ...],
        left: Ints,
        phred: UInt8s | None,
        depths: UInt16s | None,
    ) -> Bools:
        """Read the samples `left` that have this shape; True where one was read."""
        wanted = [place for place in (self.pl, self.ad) if place is not None]
        mine: Ints | slice = slice(None) if len(left) == len(starts) else left
        found, good = walk_back(words, starts[mine], stops[mine], counts, wanted)
        if not good.all():
            mine, found = left[good], {place: [v[good] for v in values] for place, values in found.items()}
        if self.ad is not None and self.ad in found:
            self._depths(found[self.ad], mine, depths)
        if self.pl is not None and self.pl in found:
            self._likelihoods(found[self.pl], mine, phred)
        return good

    def _nothing(self, count: int) -> tuple[UInt8s | None, UInt16s | None]:
        """Phred (count, n_g) and depths (count, k) of samples that have none."""
        either = self.pl is not None or self.gl is not None
        phred = np.full((count, self.n_g), NO_PHRED, np.uint8) if either else None
        return phred, np.full((count, self.k), NO_DEPTH, np.uint16) if self.ad is not None else None

    def _by_record(
        self, phred: UInt8s | None, depths: UInt16s | None, m: int, n: int
    ) -> tuple[UInt8s | None, UInt16s | None]:
        return (
            None if phred is None else phred.reshape(m, n, self.n_g),
            None if depths is None else depths.reshape(m, n, self.k),
        )

    def parse(
        self, text: bytes, m: int, n_samples: int, columns: Ints, refuse: Refuse
    ) -> tuple[UInt8s | None, UInt16s | None]:
        """Phred (m, kept, n_g) and depths (m, kept, k) of m records whose samples are `text`, behind LENT."""
        n = len(columns)
        phred, depths = self._nothing(m * n)
        tokens = Tokens(text)
        last = tokens.sample_ends(m * n_samples)  # sample: place in marks of its end
        before = np.concatenate(([len(LENT) - 1], last[:-1]))
        if n < n_samples:
            last = last.reshape(m, n_samples)[:, columns].ravel()
            before = before.reshape(m, n_samples)[:, columns].ravel()
        if m * n and tokens.are_alike(m, n_samples):
            shape = tokens.kinds[before[0] + 1 : last[0] + 1]
            left = np.flatnonzero(~self._values(tokens, before, shape, slice(None), phred, depths))
        else:
            left = np.arange(m * n)
            for _ in range(_MAX_SHAPES):
                if len(left) < 64:
                    break
                # Where the middle sample breaks the rules, the exact path has to say so.
                taken = self._one_shape(tokens, before, last, left, phred, depths)
                left = left[~taken]
        starts, stops = tokens.marks[before[left]] + 1, tokens.marks[last[left]]
        for i, start, stop in zip(left.tolist(), starts.tolist(), stops.tolist(), strict=True):
            sample = text[start:stop]
            try:
                found = self.exact.get(sample)
                if found is None:
                    found = self.rules.read(sample.decode("utf-8", "replace"))
                    if len(self.exact) < 1 << 16:
                        self.exact[sample] = found
            except Refused as fault:
                row, column = divmod(i, n)
                refuse(row, column, sample.decode("utf-8", "replace"), fault)
                continue
            if phred is not None and found[0] is not None:
                phred[i] = found[0]
            if depths is not None and found[1] is not None:
                depths[i] = found[1]
        return self._by_record(phred, depths, m, n)

    def _one_shape(
        self,
        tokens: Tokens,
        before: Ints,
        last: Ints,
        left: Ints,
        phred: UInt8s | None,
        depths: UInt16s | None,
    ) -> Bools:
        """Parse, among the samples `left`, those of the shape of the middle one; True where it was done."""
        model = left[len(left) // 2]
        shape = tokens.kinds[before[model] + 1 : last[model] + 1]
        done: Bools = np.asarray(last[left] - before[left] == len(shape))
        for j in range(len(shape) - 1):
            at = np.flatnonzero(done)
            done[at] = tokens.kinds[before[left[at]] + 1 + j] == shape[j]
        mine = left[done]
        every = len(mine) == len(last)
        good = self._values(tokens, before[mine], shape, slice(None) if every else mine, phred, depths)
        done[done] = good
        return done

    def _values(
        self,
        tokens: Tokens,
        before: Ints,
        shape: UInt8s,
        mine: Ints | slice,
        phred: UInt8s | None,
        depths: UInt16s | None,
    ) -> Bools:
        """Parse samples of one shape, the kinds of bytes behind each value; True where the rules are kept."""
        colons = np.concatenate(([0], np.cumsum(shape[:-1] == _COLON)))  # value: its field
        good = np.ones(len(before), dtype=bool)
        if colons[-1] >= len(self.layout.keys):
            return ~good
        counts = np.bincount(colons, minlength=len(self.layout.keys))
        if self.ad is not None and counts[self.ad]:
            at = int(np.searchsorted(colons, self.ad))
            good &= self._depths(tokens.whole(before, at, int(counts[self.ad])), mine, depths)
        place = self.pl if self.pl is not None else self.gl
        if place is not None and counts[place]:
            at, count = int(np.searchsorted(colons, place)), int(counts[place])
            if self.layout.has_gt and self.k > 1:
                # A genotype of one or two bytes may be haploid; then these likelihoods are wrong.
                start = tokens.marks[before]
                good &= (tokens.marks[before + 1] - start > 3) | (tokens.text[start + 1] == _DOT)
            if self.pl is not None:
                good &= self._likelihoods(tokens.whole(before, at, count), mine, phred)
            elif count == self.n_g:
                good &= self._logarithms(tokens.floats(before, at, count), mine, phred)
            else:
                good[:] = False
        return good

    def _depths(
        self,
        values: list[UInt16s],
        mine: Ints | slice,
        depths: UInt16s | None,
    ) -> Bools:
        assert depths is not None
        good, missing = soundness(values)
        if len(values) != self.k:
            return good & missing if len(values) == 1 else np.zeros(len(good), dtype=bool)
        known = good & ~missing
        clear = bool(known.all())
        for j, value in enumerate(values):
            value -= np.uint16(ZERO)
            depths[mine, j] = value if clear else np.where(known, value, NO_DEPTH)
        return good

    def _likelihoods(
        self,
        values: list[UInt16s],
        mine: Ints | slice,
        phred: UInt8s | None,
    ) -> Bools:
        assert phred is not None
        good, missing = soundness(values)
        if len(values) != self.n_g:
            return good & missing if len(values) == 1 else np.zeros(len(good), dtype=bool)
        known = good & ~missing
        clear = bool(known.all())
        best = values[0].copy()
        for value in values[1:]:
            np.minimum(best, value, out=best)
        for j, value in enumerate(values):
            value -= best
            np.minimum(value, 255, out=value)
            phred[mine, j] = value if clear else np.where(known, value, NO_PHRED)
        return good

    @staticmethod
    def _logarithms(
        floats: Floats | None,
        mine: Ints | slice,
        phred: UInt8s | None,
    ) -> Bools:
        assert phred is not None
        if floats is None:
            return np.zeros(len(phred[mine]), dtype=bool)
        good: Bools = np.asarray(~np.isnan(floats).any(axis=-1) & (floats <= 0).all(axis=-1))
        phred[mine] = np.where(good[:, None], to_phred(np.where(good[:, None], floats * -10.0, 0.0)), 0)
        return good
