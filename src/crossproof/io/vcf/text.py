"""The strict scan of VCF text.

The general-purpose readers misread damaged VCF files without a word (missing columns become missing calls,
a cut record becomes a genotype, allele 256 becomes 0), so every byte that carries structure is checked here
before a value is believed:

0. a chunk of nothing but usual genotypes takes a shorter way to the same proofs (`plain_calls`);
1. bytes below 32 are found in one pass; in a sound chunk they are the tabs and line ends, and form a table of
   records x columns; anything else goes line by line to `lines`, which says what is wrong where;
2. the nine fixed fields are parsed record by record (`vcf_grammar`), with a memory for alleles and FORMAT;
3. the genotype of each sample is looked up by its first three bytes in a table of all usual spellings;
   whatever is not in it goes to the exact grammar;
4. allele numbers are checked against ALT.

Lines may end in LF or in CR LF, but alike throughout the file. The last line must end in a line break:
nothing else shows that the last number is whole. A record with FILTER other than PASS or '.' is kept (a
caller's filter speaks of the site, the marker error rate decides here) and counted in the notes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from crossproof.io.problems import Problems, TooManyProblems
from crossproof.io.vcf.fields import Numeric, parse_numeric
from crossproof.io.vcf.fixed_fields import FixedColumns, FixedReader, RefuseRecord, blamed
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.genotypes import read_genotypes
from crossproof.io.vcf.grammar import Refused
from crossproof.io.vcf.header import VcfHeader
from crossproof.io.vcf.lines import WholeLines, cell_ends
from crossproof.io.vcf.plain_calls import PlainCalls, plain_calls
from crossproof.io.vcf.records import FixedFields, Records, Tally
from crossproof.model.arrays import Ints

_MAX_LINE = 1 << 28


@dataclass(frozen=True)
class _Chunk:
    """Records of whole lines: their lines in the file, fixed fields, and where in `data` parts of them end.

    `samples`: of the file. Either `plain` calls, or the byte that ends each cell: `table` (record, column).
    """

    data: bytes
    lines: Ints
    heads: list[bytes]
    format_ends: Ints
    last_ends: Ints
    samples: int
    plain: PlainCalls | None = None
    table: Ints | None = None

    def begin(self, columns: Ints) -> Ints:
        """Places (record, sample) where these samples begin."""
        if self.plain is not None:
            return self.plain.begin(columns)
        assert self.table is not None
        ends = self.table[:, 8:-1]
        return (ends[:, columns] if len(columns) < self.samples else ends[:, : self.samples]) + 1


@dataclass
class VcfScan:
    """Scan of one file or region; yields `Records` and notes problems as it goes.

    `columns` (kept,) int64: which samples are kept, as places in the header. `want_phred`, `want_depths`:
    which numeric fields to read. `known_lines`: False for a region, whose line numbers are not known.
    """

    header: VcfHeader
    problems: Problems
    columns: Ints
    want_phred: bool
    want_depths: bool
    known_lines: bool = True
    tally: Tally = field(default_factory=Tally)
    aside: Problems = field(init=False)
    """What is wrong with records that are set aside: told where they are too many for the others to go on."""
    _aside: set[tuple[str, int, str, int]] = field(default_factory=set)
    _fixed: FixedReader = field(init=False)

    def __post_init__(self) -> None:
        self.aside = Problems(self.problems.file)
        self._fixed = FixedReader(self.header, self.tally, self.want_depths)

    def run(
        self,
        pieces: Iterator[bytes],
        *,
        first: bytes = b"",
        line: int = 1,
        region: tuple[str, int, int] | None = None,
    ) -> Iterator[Records]:
        """Scan pieces of text that start at a record.

        Parameters: `first`: bytes that precede the pieces; `line`: number of the first line; `region`:
        (contig, start, end) keeps records with start <= POS <= end and stops behind them. Problems are
        noted, not raised, except for a line beyond all bounds.
        """
        lines = WholeLines(chain((first,), pieces), most=_MAX_LINE)
        try:
            for chunk in lines:
                records, count, beyond = self._chunk(chunk, line, region)
                line += count
                if records is not None and len(records):
                    yield records
                if beyond:
                    return
            if lines.too_long:
                self.problems.error(
                    "A line is longer than 256 MB, so this cannot be a VCF file of calls.",
                    "Check that the right file was given.",
                    row=line,
                )
            elif lines.rest and region is None:
                self._unfinished(lines.rest, line)
            elif lines.rest:
                records = self._chunk(lines.rest + b"\n", line, region)[0]
                if records is not None and len(records):
                    yield records
        except TooManyProblems:
            return

    def _unfinished(self, rest: bytes, line: int) -> None:
        cells = rest.count(b"\t") + 1
        self.problems.error(
            "The file ends in the middle of a line, so its last values may be cut off.",
            "Copy the file again from where it was made. If it is known to be whole, add a line break at "
            "its end.",
            row=self._row(line),
            value=f"{cells} of {len(self.header.samples) + 9} columns",
        )

    def _row(self, line: int) -> int | None:
        return line if self.known_lines else None

    def _chunk(
        self, data: bytes, line: int, region: tuple[str, int, int] | None
    ) -> tuple[Records | None, int, bool]:
        """Records of whole lines, the number of lines, and whether the region ended."""
        chunk = self._laid_out(data, line)
        # Where all lines are sound they need not be counted again.
        count = len(chunk.lines) if chunk.data is data else data.count(b"\n")
        fixed, beyond = self._fixed.read(chunk.heads, region, self._record_refusal(chunk.lines))
        if not fixed:
            return None, count, beyond
        rows: Ints | slice = slice(None) if len(fixed) == len(chunk.lines) else np.array(fixed.rows)
        n_alleles, calls = fixed.allele_counts(), None
        if chunk.plain is not None and (chunk.plain.highest[rows] < n_alleles).all():
            calls = chunk.plain.calls[rows]
            calls = calls if len(self.columns) == len(self.header.samples) else calls[:, self.columns]
        refuse = self._refusal(chunk.lines[rows], fixed)
        if calls is None:
            calls, good = read_genotypes(
                chunk.data, chunk.begin(self.columns)[rows], n_alleles, fixed.layouts, refuse
            )
            if not good.all():
                keep = np.flatnonzero(good)
                fixed, calls, n_alleles = fixed.take(keep), calls[keep], n_alleles[keep]
                rows = np.array(fixed.rows, dtype=np.int64)
                refuse = self._refusal(chunk.lines[rows], fixed)
        layouts = fixed.layouts
        ends = chunk.format_ends[rows], chunk.last_ends[rows]
        table = None if chunk.table is None else chunk.table[rows]

        def numeric(chosen: Ints) -> Numeric:
            unfit: dict[int, str] = {}

            def refuse_value(row: int, column: int, value: str, fault: Refused) -> None:
                if fault.record_only:
                    unfit.setdefault(row, fault.why)
                refuse(int(chosen[row]), column, value, fault, early=False)

            found = parse_numeric(
                chunk.data,
                ends[0][chosen] + 1,
                ends[1][chosen],
                len(self.header.samples),
                self.columns,
                [layouts[i] for i in chosen],
                n_alleles[chosen],
                want_phred=self.want_phred,
                want_depths=self.want_depths,
                refuse=refuse_value,
                table=None if table is None else table if len(chosen) == len(table) else table[chosen],
            )
            found.unfit = unfit
            return found

        records = Records(
            fixed.chrom,
            np.array(fixed.pos, dtype=np.int64),
            fixed.ids,
            fixed.alleles,
            calls,
            chunk.lines[rows],
            numeric,
        )
        self.call_from_likelihood(records, layouts)
        return records, count, beyond

    def _laid_out(self, data: bytes, line: int) -> _Chunk:
        """Where the records of a chunk and their parts lie, in the short way if it is one of plain calls."""
        n = len(self.header.samples)
        plain = None if self.header.crlf else plain_calls(data, n)
        if plain is not None:
            ends = plain.format_ends
            lines = np.arange(line, line + len(ends))
            return _Chunk(data, lines, plain.heads, ends, ends + 4 * n, n, plain=plain)
        data, table, lines = cell_ends(data, line, self.header, self.problems, known_lines=self.known_lines)
        starts = np.concatenate(([0], table[:, -1] + 1))[: len(table)].tolist()
        heads = [data[start:end] for start, end in zip(starts, table[:, 8].tolist(), strict=True)]
        return _Chunk(data, lines, heads, table[:, 8], table[:, 8 + n], n, table=table)

    def _record_refusal(self, lines: Ints) -> RefuseRecord:
        """What is called with a record that its fixed fields leave out."""

        def refuse(row: int, fault: Refused, where: tuple[str, int, str] | None) -> None:
            self._refuse(fault, int(lines[row]), blamed(fault), "")
            if where is not None:
                self.set_aside(fault, *where, int(lines[row]))

        return refuse

    def _refusal(self, lines: Ints, fixed: FixedColumns) -> Callable[..., None]:
        """What is called with record, kept sample, value and fault of a value that is refused."""

        def refuse(row: int, column: int, value: str, fault: Refused, *, early: bool = True) -> None:
            name = self.header.samples[self.columns[column]]
            self._refuse(fault, int(lines[row]), name, value, fixed.at(row), early=early)

        return refuse

    def _refuse(
        self,
        fault: Refused,
        line: int,
        column: str,
        value: str,
        where: FixedFields | None = None,
        *,
        early: bool = True,
    ) -> None:
        """Note a fault of a record, or set the record aside.

        `early`: it is not among the records that are read on, and has to be counted here.
        """
        place = "" if self.known_lines or where is None else f" (record {where.chrom}:{where.pos})"
        row = self._row(line)
        if not fault.record_only:
            self.problems.error(fault.why + place, fault.remedy, row=row, column=column, value=value)
            return
        self.aside.error(fault.why + place, fault.remedy, row=row, column=column, value=value)
        if early and where is not None:
            self.set_aside(fault, where.chrom, where.pos, where.id, line)

    def set_aside(self, fault: Refused, chrom: str, pos: int, name: str, line: int = 0) -> None:
        """Count a record that the file can go on without, once for whatever is wrong with it."""
        if (key := (chrom, pos, name, line)) not in self._aside:
            self._aside.add(key)
            self.tally.set_aside(fault.why, [f"{chrom}:{pos}"])

    def accept(
        self, chrom: str, pos: int, name: str, ref: str, alt: str, filters: bytes, form: str
    ) -> FixedFields | None:
        """Check the fixed fields of one record; None where it is set aside. Raises Refused."""
        return self._fixed.accept(chrom, pos, name, ref, alt, filters, form)

    def call_from_likelihood(self, records: Records, layouts: Sequence[FieldLayout]) -> None:
        """Where a record has no GT, call the single most likely genotype of its PL or GL."""
        bare = np.array([i for i, f in enumerate(layouts) if not f.has_gt], dtype=np.int64)
        if not len(bare):
            return
        self.tally.from_likelihood += len(bare)
        want, self.want_phred = self.want_phred, True
        numeric = records.numeric(bare)
        self.want_phred = want
        numeric.fill_calls(records.calls, bare)
