"""The nine fixed fields of VCF records, one record after another.

Most records of a file share their alleles, FILTER and FORMAT with others that were checked before, follow
the record before them on the same contig, and have a plain name or none: a short way knows these. All others,
and whatever is wrong, go through the rules one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import Refused, is_number, parse_alleles, parse_pos
from crossproof.io.vcf.header import VcfHeader
from crossproof.io.vcf.records import FixedFields, Tally
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import MAX_ALLELES

_MOST_KNOWN, _MOST_LAYOUTS = 1 << 14, 4096
_PASSED = (b"PASS", b".")

Region = tuple[str, int, int]
"""Contig, first and last position of the records to read."""

_Sound = tuple[tuple[str, ...], FieldLayout, bool]
"""Alleles, layout, and whether FILTER is other than PASS or '.'."""


@dataclass
class FixedColumns:
    """Fixed fields of accepted records, field by field, each (m,); `rows`: which of the chunk they are."""

    rows: list[int] = field(default_factory=list)
    chrom: list[str] = field(default_factory=list)
    pos: list[int] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    alleles: list[tuple[str, ...]] = field(default_factory=list)
    layouts: list[FieldLayout] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.rows)

    def append(self, row: int, fixed: FixedFields) -> None:
        """Add a record."""
        self.rows.append(row)
        self.chrom.append(fixed.chrom)
        self.pos.append(fixed.pos)
        self.ids.append(fixed.id)
        self.alleles.append(fixed.alleles)
        self.layouts.append(fixed.layout)

    def at(self, i: int) -> FixedFields:
        """Those of one record."""
        return FixedFields(self.chrom[i], self.pos[i], self.ids[i], self.alleles[i], self.layouts[i])

    def take(self, keep: Ints) -> FixedColumns:
        """These records only."""
        out = FixedColumns()
        for i in keep.tolist():
            out.append(self.rows[i], self.at(i))
        return out

    def allele_counts(self) -> Ints:
        """Number of alleles of each record."""
        return np.fromiter(map(len, self.alleles), np.int64, len(self))


RefuseRecord = Callable[[int, Refused, tuple[str, int, str] | None], None]
"""Called with a record's row, what is wrong, and, where the others go on, its CHROM, POS and ID."""


class FixedReader:
    """Reads the fixed fields of a file's records in order, and counts what the notes will say."""

    def __init__(self, header: VcfHeader, tally: Tally, want_depths: bool) -> None:
        self.header, self.tally, self.want_depths = header, tally, want_depths
        self._layouts: dict[str, FieldLayout] = {}
        self._sound: dict[tuple[bytes, bytes, bytes, bytes], _Sound] = {}
        self._chroms: set[str] = set()
        # The last record's place, its key there, and those of the records before it at the same place.
        self._chrom, self._pos = "", -1
        self._key: object = None
        self._others: set[object] = set()

    def read(
        self, heads: Sequence[bytes], region: Region | None, refuse: RefuseRecord
    ) -> tuple[FixedColumns, bool]:
        """Fixed fields of records to go on with, and whether the region ended.

        Parameters: `heads`: each record's fixed fields, with eight tabs between them; `refuse` hears of
        records that are left out.
        """
        out = FixedColumns()
        now = b""  # the contig of the record before, where that was accepted
        for row, head in enumerate(heads):
            cells = head.split(b"\t")
            chrom, digits, name, ref, alt, qual, filters, _, form = cells
            if chrom == now and digits.isdigit() and len(digits) < 10 and _is_plain(name, qual):
                sound = self._sound.get((ref, alt, filters, form))
                pos = int(digits)
                # Of records at one place, and of any out of order, more has to be known.
                if sound is not None and pos > self._pos:
                    if region is not None and pos > region[2]:
                        return out, True
                    if region is None or pos >= region[1]:
                        self._add(out, row, pos, name.decode("ascii"), sound)
                    continue
            fixed, beyond = self._one(row, cells, region, refuse)
            if beyond:
                return out, True
            now = b"" if fixed is None else chrom
            if fixed is not None:
                out.append(row, fixed)
        return out, False

    def _add(self, out: FixedColumns, row: int, pos: int, name: str, sound: _Sound) -> None:
        """Accept a record on the contig of the one before."""
        alleles, layout, filtered = sound
        tally = self.tally
        tally.records += 1
        tally.filtered += filtered
        if contigs := self.header.contigs:
            self._count_contig(contigs, self._chrom, pos)
        self._pos, self._key = pos, name if name != "." else alleles
        if self._others:
            self._others = set()
        out.rows.append(row)
        out.chrom.append(self._chrom)
        out.pos.append(pos)
        out.ids.append(name)
        out.alleles.append(alleles)
        out.layouts.append(layout)

    def _one(
        self, row: int, cells: list[bytes], region: Region | None, refuse: RefuseRecord
    ) -> tuple[FixedFields | None, bool]:
        """A record by the rules; None where it is left out, and whether the region ended."""
        chrom_text, pos_text, id_text, ref, alt, qual, filters, _, form = cells
        try:
            pos = parse_pos(pos_text)
            chrom = chrom_text.decode("utf-8")
            if region is not None:
                if chrom != region[0] or pos > region[2]:
                    return None, True
                if pos < region[1]:
                    return None, False
            if not is_number(qual.decode("ascii", "replace")):
                raise Refused(
                    f"QUAL {qual.decode('utf-8', 'replace')!r} is not a number.", "Export the file again."
                )
            if not filters or b" " in filters:
                raise Refused("FILTER is empty or holds a blank.", "Export the file again.")
            fixed = self.accept(
                chrom,
                pos,
                id_text.decode("utf-8"),
                ref.decode("ascii", "replace"),
                alt.decode("ascii", "replace"),
                filters,
                form.decode("ascii", "replace"),
            )
        except Refused as fault:
            refuse(row, fault, (chrom, pos, id_text.decode("utf-8")) if fault.record_only else None)
            return None, False
        except UnicodeDecodeError:
            refuse(row, Refused("The line is not UTF-8 text.", "Save the file as UTF-8."), None)
            return None, False
        if fixed is not None and not (self.want_depths and fixed.layout.ad_unusable):
            if len(self._sound) < _MOST_KNOWN:
                known = fixed.alleles, fixed.layout, filters not in _PASSED
                self._sound[ref, alt, filters, form] = known
        return fixed, False

    def accept(
        self, chrom: str, pos: int, name: str, ref: str, alt: str, filters: bytes, form: str
    ) -> FixedFields | None:
        """Check the fixed fields of one record; None where it is set aside. Raises Refused."""
        self.tally.records += 1
        _check_names(chrom, name)
        alleles = parse_alleles(ref, alt)
        layout = self._layouts.get(form)
        if layout is None:
            layout = FieldLayout.parse(form, self.header.format_numbers)
            if len(self._layouts) < _MOST_LAYOUTS:
                self._layouts[form] = layout
        self._check_order(chrom, pos, name, alleles)
        self.tally.depth_unusable += self.want_depths and layout.ad_unusable
        if filters not in _PASSED:
            self.tally.filtered += 1
        if contigs := self.header.contigs:
            self._count_contig(contigs, chrom, pos)
        if len(alleles) > MAX_ALLELES:
            self.tally.many_alleles += 1
            return None
        return FixedFields(chrom, pos, name, alleles, layout)

    def _count_contig(self, contigs: dict[str, int | None], chrom: str, pos: int) -> None:
        if chrom not in contigs:
            self.tally.undeclared += 1
        elif (length := contigs[chrom]) is not None and pos > length + 1:
            self.tally.beyond_contig += 1

    def _check_order(self, chrom: str, pos: int, name: str, alleles: tuple[str, ...]) -> None:
        key: object = name if name != "." else alleles
        if (chrom, pos) != (self._chrom, self._pos):
            if chrom != self._chrom:
                if chrom in self._chroms:
                    self.tally.unsorted += 1
                self._chroms.add(chrom)
            elif pos < self._pos:
                self.tally.unsorted += 1
            self._chrom, self._pos = chrom, pos
            self._key, self._others = key, set()
            return
        if key == self._key or key in self._others:
            raise Refused(
                f"A second record has the same position and the same "
                f"{'marker name' if name != '.' else 'alleles'} ({chrom}:{pos} {name}).",
                "Keep one of them, or join the records of one marker into one.",
            )
        self._others.add(key)
        self.tally.same_position += 1


def _is_plain(name: bytes, qual: bytes) -> bool:
    """Whether ID and QUAL are sound, and ID is one name in ASCII or none."""
    if name != b"." and not (name and name.isascii() and b" " not in name and b";" not in name):
        return False
    return qual == b"." or is_number(qual.decode("ascii", "replace"))


def _check_names(chrom: str, name: str) -> None:
    """Raises Refused where CHROM or ID is none."""
    unnamed = "Write '.' where a marker has no name."
    if not chrom or chrom == "." or " " in chrom:
        raise Refused("CHROM is empty or holds a blank.", "Export the file again.")
    if not name or " " in name:
        raise Refused("ID is empty or holds a blank.", unnamed)
    if "" in name.split(";"):
        raise Refused("ID holds an empty name beside a semicolon.", unnamed)


def blamed(fault: Refused) -> str:
    """Name of the fixed column that a refusal speaks of."""
    for name in ("POS", "REF", "ALT", "QUAL", "FILTER", "FORMAT", "CHROM", "ID"):
        if fault.why.startswith((name, f"The {name}")):
            return name
    return ""
