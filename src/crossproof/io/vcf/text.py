"""The strict scan of VCF text.

The general-purpose readers misread damaged VCF files without a word (missing columns become missing calls,
a cut record becomes a genotype, allele 256 becomes 0), so every byte that carries structure is checked here
before a value is believed:

0. a chunk of nothing but usual genotypes takes a shorter way to the same proofs (`plain_calls`);
1. bytes below 32 are found in one pass; in a sound chunk they are the tabs and line ends, and form a table of
   records x columns; anything else goes line by line to `_mend`, which says what is wrong where;
2. the nine fixed fields are parsed record by record (`vcf_grammar`), with a memory for alleles and FORMAT;
3. the genotype of each sample is looked up by its first three bytes in a table of all usual spellings;
   whatever is not in it goes to the exact grammar;
4. allele numbers are checked against ALT.

Lines may end in LF or in CR LF, but alike throughout the file. The last line must end in a line break:
nothing else shows that the last number is whole. A record with FILTER other than PASS or '.' is kept (a
caller's filter speaks of the site, the marker error rate decides here) and counted in the notes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from crossproof.io.problems import Problems, TooManyProblems
from crossproof.io.vcf.fields import FieldLayout, Numeric, parse_numeric
from crossproof.io.vcf.genotypes import read_genotypes
from crossproof.io.vcf.grammar import Refused, is_number, parse_alleles, parse_pos
from crossproof.io.vcf.header import VcfHeader
from crossproof.io.vcf.plain_calls import plain_calls
from crossproof.io.vcf.records import FixedFields, Records, Tally
from crossproof.model.arrays import Ints, UInt8s
from crossproof.model.genotypes import MAX_ALLELES

_MAX_LINE = 1 << 28
_TAB, _LF, _CR = 9, 10, 13


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
    _layouts: dict[str, FieldLayout] = field(default_factory=dict)
    _last: tuple[str, int] = ("", -1)
    _run: set[object] = field(default_factory=set)
    _chroms: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.aside = Problems(self.problems.file)

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
        held = b""
        pieces = chain((first,), pieces) if first else pieces
        try:
            while True:
                piece = next(pieces, None)
                if piece is not None:
                    held = held + piece if held else piece
                    cut = held.rfind(b"\n") + 1
                    if cut == 0:
                        if len(held) > _MAX_LINE:
                            self.problems.error(
                                "A line is longer than 256 MB, so this cannot be a VCF file of calls.",
                                "Check that the right file was given.",
                                row=line,
                            )
                            return
                        continue
                    chunk, held = held[:cut], held[cut:]
                elif held:
                    if region is None:
                        self._unfinished(held, line)
                        return
                    chunk, held = held + b"\n", b""
                else:
                    return
                records, count, beyond = self._chunk(chunk, line, region)
                line += count
                if records is not None and len(records):
                    yield records
                if beyond or piece is None:
                    return
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
        n = len(self.header.samples)
        plain = None if self.header.crlf else plain_calls(data, n)
        if plain is not None:
            starts, format_ends, last_ends = plain.starts, plain.format_ends, plain.format_ends + 4 * n
            count = len(starts)
            numbers = np.arange(line, line + count)
            table = np.empty((0, 0), dtype=np.int64)
        else:
            count = data.count(b"\n")
            data, table, numbers = self._table(data, line)
            if not len(table):
                return None, count, False
            starts = np.concatenate(([0], table[:-1, -1] + 1))
            format_ends, last_ends = table[:, 8], table[:, 8 + n]
        fixed, rows, beyond = self._fixed_fields(data, starts, format_ends, numbers, region)
        if not fixed:
            return None, count, beyond
        chosen_rows: Ints | slice = slice(None) if len(rows) == len(starts) else np.array(rows)
        lines, format_ends, last_ends = numbers[chosen_rows], format_ends[chosen_rows], last_ends[chosen_rows]

        # Called before and after unsound records are left out: `lines` and `fixed` are those of that time.
        def refuse(row: int, column: int, value: str, fault: Refused, *, early: bool = True) -> None:
            name = self.header.samples[self.columns[column]]
            self._refuse(fault, int(lines[row]), name, value, fixed[row], early=early)

        n_alleles = np.fromiter((len(f.alleles) for f in fixed), np.int64, len(fixed))
        if plain is not None and (plain.highest[chosen_rows] < n_alleles).all():
            calls = plain.calls[chosen_rows]
            calls = calls if len(self.columns) == n else calls[:, self.columns]
        else:
            if plain is not None:
                begin = plain.begin(self.columns)[chosen_rows]
            else:
                begin = table[chosen_rows, 8:-1][:, :n][:, self.columns] + 1  # record, kept sample
            calls, good = read_genotypes(data, begin, fixed, refuse)
            if not good.all():
                keep = np.flatnonzero(good)
                fixed, lines, calls = [fixed[i] for i in keep], lines[keep], calls[keep]
                format_ends, last_ends, n_alleles = format_ends[keep], last_ends[keep], n_alleles[keep]
        layouts = [f.layout for f in fixed]

        def numeric(chosen: Ints) -> Numeric:
            unfit: dict[int, str] = {}

            def refuse_value(row: int, column: int, value: str, fault: Refused) -> None:
                if fault.record_only:
                    unfit.setdefault(row, fault.why)
                refuse(int(chosen[row]), column, value, fault, early=False)

            found = parse_numeric(
                data,
                format_ends[chosen] + 1,
                last_ends[chosen],
                n,
                self.columns,
                [layouts[i] for i in chosen],
                n_alleles[chosen],
                want_phred=self.want_phred,
                want_depths=self.want_depths,
                refuse=refuse_value,
            )
            found.unfit = unfit
            return found

        records = Records(
            [f.chrom for f in fixed],
            np.fromiter((f.pos for f in fixed), np.int64, len(fixed)),
            [f.id for f in fixed],
            [f.alleles for f in fixed],
            calls,
            lines,
            numeric,
        )
        self.call_from_likelihood(records, layouts)
        return records, count, beyond

    def _table(self, data: bytes, line: int) -> tuple[bytes, Ints, Ints]:
        """Sound lines of a chunk, the byte that ends each cell (record, column), and the lines' numbers."""
        width = len(self.header.samples) + 9 + self.header.crlf
        buffer = np.frombuffer(data, dtype=np.uint8)
        marks = np.flatnonzero(buffer < 32)
        numbers = np.arange(line, line + len(marks) // width)
        if not self._is_table(buffer, marks, width):
            data, numbers = self._mend(data, line)
            buffer = np.frombuffer(data, dtype=np.uint8)
            marks = np.flatnonzero(buffer < 32)
            assert self._is_table(buffer, marks, width)
        return data, marks.reshape(-1, width), numbers

    def _is_table(self, buffer: UInt8s, marks: Ints, width: int) -> bool:
        if len(marks) % width:
            return False
        kinds = buffer[marks].reshape(-1, width)
        tabs = width - 1 - self.header.crlf
        sound = bool((kinds[:, :tabs] == _TAB).all() and (kinds[:, -1] == _LF).all())
        if sound and self.header.crlf:
            table = marks.reshape(-1, width)
            sound = bool((kinds[:, tabs] == _CR).all() and (table[:, -1] == table[:, -2] + 1).all())
        return sound

    def _mend(self, data: bytes, line: int) -> tuple[bytes, Ints]:
        """Say what is wrong with a chunk; return its sound lines and their numbers."""
        width = len(self.header.samples) + 9
        sound: list[bytes] = []
        numbers: list[int] = []
        for i, text in enumerate(data.split(b"\n")[:-1]):
            row = self._row(line + i)
            body = text.removesuffix(b"\r") if self.header.crlf else text
            if self.header.crlf and body is text:
                self.problems.error(
                    "This line ends in LF while others end in CR LF: two files seem to be pasted together.",
                    "Export the file again, or convert it throughout (dos2unix).",
                    row=row,
                )
            elif b"\r" in body:
                self.problems.error(
                    "The line holds a carriage return (CR) that is not part of its line end.",
                    "Convert the whole file to LF line ends (dos2unix), or export it again.",
                    row=row,
                )
            elif not body.strip():
                self.problems.error(
                    "The line is empty.", "Remove it; a VCF file may not hold empty lines.", row=row
                )
            elif body.startswith(b"#"):
                self.problems.error(
                    "There is a header line among the records: two files seem to be joined end to end.",
                    "Give them as two batches, or merge them with a VCF tool.",
                    row=row,
                    value=body[:40].decode("utf-8", "replace"),
                )
            elif body.translate(None, _ALLOWED) != b"":
                bad = body.translate(None, _ALLOWED)[0]
                tabs = body[: body.index(bad)].count(b"\t")
                self.problems.error(
                    f"The line holds a control character (code {bad}).",
                    "The file is damaged; copy it again from where it was made.",
                    row=row,
                    column=f"column {tabs + 1}",
                )
            elif (have := body.count(b"\t") + 1) != width:
                spaces = " The columns seem to be separated by spaces, not tabs." if have == 1 else ""
                self.problems.error(
                    f"The line has {have} columns, the header {width}.{spaces}",
                    "Export the file again; the line is cut off, or tabs were lost or added by an editor.",
                    row=row,
                    value=body[:40].decode("utf-8", "replace"),
                )
            else:
                sound.append(text + b"\n")
                numbers.append(line + i)
        return b"".join(sound), np.array(numbers, dtype=np.int64)

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

    def _fixed_fields(
        self,
        data: bytes,
        starts: Ints,
        format_ends: Ints,
        lines: Ints,
        region: tuple[str, int, int] | None,
    ) -> tuple[list[FixedFields], list[int], bool]:
        """Parse the nine fixed fields: records to go on with, their rows, and whether the region ended."""
        out: list[FixedFields] = []
        rows: list[int] = []
        for row, (start, end) in enumerate(zip(starts.tolist(), format_ends.tolist(), strict=True)):
            cells = data[start:end].split(b"\t")
            try:
                chrom_text, pos_text, id_text, ref, alt, qual, filters, _, form = cells
                pos = parse_pos(pos_text)
                chrom = chrom_text.decode("utf-8")
                if region is not None:
                    if chrom != region[0] or pos > region[2]:
                        return out, rows, True
                    if pos < region[1]:
                        continue
                if not is_number(qual.decode("ascii", "replace")):
                    raise Refused(
                        f"QUAL {qual.decode('utf-8', 'replace')!r} is not a number.", "Export the file again."
                    )
                if not filters or b" " in filters:
                    raise Refused("FILTER is empty or holds a blank.", "Export the file again.")
                record = self.accept(
                    chrom,
                    pos,
                    id_text.decode("utf-8"),
                    ref.decode("ascii", "replace"),
                    alt.decode("ascii", "replace"),
                    filters,
                    form.decode("ascii", "replace"),
                )
            except Refused as fault:
                self._refuse(fault, int(lines[row]), _blamed(cells, fault), "")
                if fault.record_only:
                    self.set_aside(fault, chrom, pos, id_text.decode("utf-8"), int(lines[row]))
                continue
            except UnicodeDecodeError:
                self._refuse(
                    Refused("The line is not UTF-8 text.", "Save the file as UTF-8."), int(lines[row]), "", ""
                )
                continue
            if record is not None:
                out.append(record)
                rows.append(row)
        return out, rows, False

    def accept(
        self, chrom: str, pos: int, name: str, ref: str, alt: str, filters: bytes, form: str
    ) -> FixedFields | None:
        """Check the fixed fields of one record; None where it is set aside. Raises Refused."""
        self.tally.records += 1
        if not chrom or chrom == "." or " " in chrom:
            raise Refused("CHROM is empty or holds a blank.", "Export the file again.")
        if not name or " " in name:
            raise Refused("ID is empty or holds a blank.", "Write '.' where a marker has no name.")
        if ";" in name and "" in name.split(";"):
            raise Refused(
                "ID holds an empty name beside a semicolon.", "Write '.' where a marker has no name."
            )
        alleles = parse_alleles(ref, alt)
        layout = self._layouts.get(form)
        if layout is None:
            layout = FieldLayout.parse(form, self.header.format_numbers)
            if len(self._layouts) < 4096:
                self._layouts[form] = layout
        self._check_order(chrom, pos, name, alleles)
        self.tally.depth_unusable += self.want_depths and layout.ad_unusable
        if filters not in (b"PASS", b"."):
            self.tally.filtered += 1
        declared = self.header.contigs
        if declared:
            if chrom not in declared:
                self.tally.undeclared += 1
            elif (length := declared[chrom]) is not None and pos > length + 1:
                self.tally.beyond_contig += 1
        if len(alleles) > MAX_ALLELES:
            self.tally.many_alleles += 1
            return None
        return FixedFields(chrom, pos, name, alleles, layout)

    def _check_order(self, chrom: str, pos: int, name: str, alleles: tuple[str, ...]) -> None:
        key: object = name if name != "." else alleles
        if (chrom, pos) != self._last:
            if chrom != self._last[0]:
                if chrom in self._chroms:
                    self.tally.unsorted += 1
                self._chroms.add(chrom)
            elif pos < self._last[1]:
                self.tally.unsorted += 1
            self._last = (chrom, pos)
            self._run = {key}
            return
        if key in self._run:
            raise Refused(
                f"A second record has the same position and the same "
                f"{'marker name' if name != '.' else 'alleles'} ({chrom}:{pos} {name}).",
                "Keep one of them, or join the records of one marker into one.",
            )
        self._run.add(key)
        self.tally.same_position += 1

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


_ALLOWED = bytes(range(32, 256)) + b"\t"


def _blamed(cells: Sequence[bytes], fault: Refused) -> str:
    """Name of the fixed column that a refusal speaks of."""
    for name in ("POS", "REF", "ALT", "QUAL", "FILTER", "FORMAT", "CHROM", "ID"):
        if fault.why.startswith((name, f"The {name}")):
            return name
    return ""
