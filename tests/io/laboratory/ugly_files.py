"""Laboratory files as they come: each is the clean second plate put into an ugly shape.

Every shape is one that laboratories' software, spreadsheets and e-mail programs produce (common practice, no
source); all content is invented. `KINDS` holds the makers by name. What each must end in is said beside it:
the clean season's verdicts, or one message that names what only a person can know.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import unicodedata
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import openpyxl
from clean_season import Plate

Rows = list[list[str]]


@dataclass(frozen=True)
class Sent:
    """One file from the laboratory.

    `options` go to `crossproof receive`. `beside` are further files: those the person has (a list of names),
    and sheets of the season that say what only they can (markers.csv). `ends_in`: "" where the season ends in
    the clean verdicts, or else part of the one message. `settled_by`: options that settle that message, after
    which the verdicts are the clean ones.
    """

    name: str
    data: bytes
    options: tuple[str, ...] = ()
    beside: dict[str, bytes] = field(default_factory=dict)
    ends_in: str = ""
    settled_by: tuple[str, ...] = ()


KINDS: dict[str, Callable[[Plate], Sent]] = {}


def kind(maker: Callable[[Plate], Sent]) -> Callable[[Plate], Sent]:
    """Put a maker among the kinds."""
    KINDS[maker.__name__] = maker
    return maker


def text_of(
    rows: Sequence[Sequence[str]], separator: str = ",", end: str = "\n", quote: bool = False
) -> bytes:
    out = io.StringIO()
    how = csv.QUOTE_ALL if quote else csv.QUOTE_MINIMAL
    csv.writer(out, delimiter=separator, lineterminator=end, quoting=how).writerows(rows)
    return out.getvalue().encode()


def calls_as(p: Plate, write: Callable[[str, int], str]) -> Rows:
    """The wide table with every call rewritten; `write` gets the call and the marker's number."""
    return [p.rows()[0]] + [[r[0], *(write(c, j) for j, c in enumerate(r[1:]))] for r in p.rows()[1:]]


def named(p: Plate, name: Callable[[int], str], heading: str = "sample_id") -> Rows:
    """The wide table with other names of the samples."""
    return [[heading, *p.markers]] + [[name(i), *r[1:]] for i, r in enumerate(p.rows()[1:])]


def across(rows: Rows) -> Rows:
    return [list(r) for r in zip(*rows, strict=True)]


def long_rows(p: Plate) -> Rows:
    """One row per call: sample, well, marker, call."""
    return [
        [s, w, m, call]
        for s, w, calls in zip(p.samples, p.wells, p.calls, strict=True)
        for m, call in zip(p.markers, calls, strict=True)
    ]


def workbook(sheets: dict[str, Rows]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        page = book.create_sheet(title)
        for row in rows:
            page.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def merged(data: bytes, cells: str) -> bytes:
    book = openpyxl.load_workbook(io.BytesIO(data))
    book.active.merge_cells(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


TITLE: Rows = [["Genotyping report"], ["Project", "4711"], ["Date", "05.06.2026"]]
STATISTICS: Rows = [
    ["Statistics"],
    ["Assay", "Called", "Failed", "Call rate"],
    *([f"A{i}", str(50 + i), str(8 - i), f"{(50 + i) / 58:.2f}"] for i in range(5)),
    [],
    ["Genotypes"],
]


# ---- how the text is written -----------------------------------------------------------------------------


@kind
def plain_table(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(p.rows()))


@kind
def semicolons(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(p.rows(), ";", "\r\n"))


@kind
def tabs_in_a_txt(p: Plate) -> Sent:
    return Sent("results export.txt", text_of(p.rows(), "\t"))


@kind
def bars(p: Plate) -> Sent:
    return Sent("plate2.txt", text_of(p.rows(), "|"))


@kind
def columns_by_spaces(p: Plate) -> Sent:
    rows = calls_as(p, lambda c, j: c or "-")
    return Sent("plate2.txt", "\n".join("  ".join(c.ljust(8) for c in r).rstrip() for r in rows).encode())


@kind
def utf16_unicode_text(p: Plate) -> Sent:
    return Sent("plate2.txt", text_of(p.rows(), "\t", "\r\n").decode().encode("utf-16"))


@kind
def byte_order_mark_and_old_line_ends(p: Plate) -> Sent:
    return Sent("plate2.csv", b"\xef\xbb\xbf" + text_of(p.rows(), ",", "\r"))


@kind
def western_letters(p: Plate) -> Sent:
    rows = [["Señal / Prüfung", *[""] * len(p.markers)], *p.rows()]
    return Sent("plate2.csv", text_of(rows, ";").decode().encode("cp1252"))


@kind
def separator_line(p: Plate) -> Sent:
    return Sent("plate2.csv", b"sep=;\r\n" + text_of(p.rows(), ";", "\r\n"))


@kind
def all_in_quotes(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(p.rows(), quote=True))


@kind
def packed(p: Plate) -> Sent:
    return Sent("plate2.csv.gz", gzip.compress(text_of(p.rows()), mtime=0))


# ---- what stands around the table ------------------------------------------------------------------------


@kind
def three_lines_above(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of([*TITLE, *p.rows()]))


@kind
def remarks_with_separators_above(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of([["Genotypes, plate 2, read again", "", "x"], [], *p.rows()], ";"))


@kind
def statistics_first(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of([*TITLE, [], *STATISTICS, *p.rows()]))


@kind
def legend_and_total_below(p: Plate) -> Sent:
    below = [[], ["Total", str(len(p.samples)), "samples"], ["? = not called"], ["End of report"]]
    return Sent("plate2.csv", text_of([*p.rows(), *below]))


@kind
def empty_rows_and_columns(p: Plate) -> Sent:
    rows = [r + ["", "", ""] for r in p.rows()]
    rows = [rows[0], *(x for r in rows[1:] for x in (r, [""] * len(r)))]
    return Sent("plate2.csv", text_of(rows))


@kind
def headings_again_on_every_page(p: Plate) -> Sent:
    rows = p.rows()
    return Sent("plate2.csv", text_of([*rows[:30], rows[0], *rows[30:]]))


@kind
def data_on_the_second_sheet(p: Plate) -> Sent:
    return Sent("plate2.xlsx", workbook({"Info": [*TITLE, *STATISTICS], "Genotypes": p.rows()}))


@kind
def workbook_with_title_rows(p: Plate) -> Sent:
    return Sent("Order 4711.xlsx", workbook({"Results": [*TITLE, [], *p.rows()]}))


@kind
def merged_title(p: Plate) -> Sent:
    return Sent("plate2.xlsx", merged(workbook({"Results": [*TITLE, *p.rows()]}), "A1:H1"))


@kind
def merged_calls(p: Plate) -> Sent:
    data = merged(workbook({"Results": [*TITLE, *p.rows()]}), "C9:C10")
    return Sent("plate2.xlsx", data, ends_in="C9:C10 are merged")


@kind
def two_sheets_that_both_fit(p: Plate) -> Sent:
    first = [p.rows()[0], *([r[0], *("?" for _ in r[1:])] for r in p.rows()[1:])]
    return Sent(
        "plate2.xlsx",
        workbook({"Run 1": first, "Run 2": p.rows()}),
        ends_in="More than one sheet",
        settled_by=("--sheet", "Run 2"),
    )


# ---- columns that are no marker --------------------------------------------------------------------------


@kind
def further_columns(p: Plate) -> Sent:
    rows = [["sample_id", "MasterPlate", "MasterWell", "DNA ng/ul", *p.markers]]
    rows += [
        [s, "DNA_4711", w, f"{20 + i * 0.7:.1f}", *c]
        for i, (s, w, c) in enumerate(zip(p.samples, p.wells, p.calls, strict=True))
    ]
    return Sent("plate2.csv", text_of(rows))


@kind
def columns_behind(p: Plate) -> Sent:
    rows = [[*r, "ok" if i % 3 else "repeat", f"{90 + i % 10}%"] for i, r in enumerate(p.rows()[1:])]
    return Sent("plate2.csv", text_of([[*p.rows()[0], "QC", "Call rate"], *rows]))


@kind
def row_numbers_first(p: Plate) -> Sent:
    rows = [[str(i), *r] for i, r in enumerate(p.rows()[1:], 1)]
    return Sent("plate2.csv", text_of([["No.", "Sample name", *p.markers], *rows]))


@kind
def score_beside_each_call(p: Plate) -> Sent:
    head = ["Sample"] + [h for m in p.markers for h in (m, f"{m} Score")]
    rows = [
        [s, *(x for j, c in enumerate(calls) for x in (c, f"0.{(i * 7 + j) % 90 + 10}"))]
        for i, (s, calls) in enumerate(zip(p.samples, p.calls, strict=True))
    ]
    return Sent("plate2.csv", text_of([head, *rows]))


# ---- how the table lies ----------------------------------------------------------------------------------


@kind
def markers_in_rows(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of([["Assay", *across(p.rows())[0][1:]], *across(p.rows())[1:]]))


@kind
def markers_in_rows_described(p: Plate) -> Sent:
    head = ["SNP", "Chr", "Position", "Strand", "Flanking", *p.samples]
    rows = [
        [m, c, str(x), "+", "ACGT[A/T]GGTCA", *calls]
        for m, c, x, calls in zip(p.markers, p.chrom, p.pos, zip(*p.calls, strict=True), strict=True)
    ]
    return Sent("plate2.csv", text_of([*TITLE, head, *rows]))


@kind
def one_row_per_call(p: Plate) -> Sent:
    rows = [["SampleName", "MasterWell", "Assay", "Genotype"], *long_rows(p)]
    return Sent("plate2.csv", text_of(rows))


@kind
def one_row_per_call_with_signals(p: Plate) -> Sent:
    head = ["Subject", "SNP ID", "Call", "Plate", "Well", "X", "Y", "Confidence"]
    rows = [
        [s, m, call or "?", "DNA_4711", w, f"{1 + n % 7 / 9:.4f}", f"{1 + n % 5 / 7:.4f}", f"{n % 30 + 70}"]
        for n, (s, w, m, call) in enumerate(long_rows(p))
    ]
    return Sent("export.csv", text_of([*TITLE, [], *STATISTICS, [], head, *rows]))


@kind
def one_row_per_call_two_alleles(p: Plate) -> Sent:
    rows = [[s, m, *(c.split("/") if c else ("", ""))] for s, _, m, c in long_rows(p)]
    return Sent("export.txt", text_of([["Sample Name", "Marker", "Allele 1", "Allele 2"], *rows], "\t"))


@kind
def two_columns_per_marker(p: Plate) -> Sent:
    head = ["Sample"] + [f"{m}_{i}" for m in p.markers for i in (1, 2)]
    rows = [
        [s, *(x for c in calls for x in (c.split("/") if c else ("", "")))]
        for s, calls in zip(p.samples, p.calls, strict=True)
    ]
    return Sent("plate2.csv", text_of([head, *rows]))


@kind
def two_columns_one_heading(p: Plate) -> Sent:
    head = ["Sample"] + [h for m in p.markers for h in (m, "")]
    rows = [
        [s, *(x for c in calls for x in (c.split("/") if c else ("0", "0")))]
        for s, calls in zip(p.samples, p.calls, strict=True)
    ]
    return Sent("plate2.csv", text_of([head, *rows]))


# ---- names -----------------------------------------------------------------------------------------------


@kind
def own_names_with_plate_and_well(p: Plate) -> Sent:
    rows = [["Lab ID", "Plate", "Well", *p.markers]]
    rows += [[f"BX{900 + i}", p.plate, w, *c] for i, (w, c) in enumerate(zip(p.wells, p.calls, strict=True))]
    return Sent("plate2.csv", text_of(rows))


@kind
def own_names_with_own_plate_name(p: Plate) -> Sent:
    rows = [["Lab ID", "Plate", "Well", *p.markers]]
    rows += [
        [f"BX{900 + i}", "DNA_4711", w[0] + w[1:].zfill(2), *c]
        for i, (w, c) in enumerate(zip(p.wells, p.calls, strict=True))
    ]
    return Sent("plate2.csv", text_of(rows), ("--plate", p.plate))


@kind
def names_are_wells(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(named(p, lambda i: f"{p.plate}_{p.wells[i][0]}{p.wells[i][1:]:0>2}")))


@kind
def own_names_only(p: Plate) -> Sent:
    pairs = "".join(f"BX{900 + i};{s}\n" for i, s in enumerate(p.samples)).encode()
    return Sent(
        "plate2.csv",
        text_of(named(p, lambda i: f"BX{900 + i}")),
        beside={"list.csv": pairs},
        ends_in="No sample of this file is in your sheets",
        settled_by=("--names", "list.csv"),
    )


@kind
def own_names_and_the_list(p: Plate) -> Sent:
    pairs = [
        ["Laboratory number", "Customer sample"],
        *([f"BX{900 + i}", s] for i, s in enumerate(p.samples)),
    ]
    return Sent(
        "plate2.csv",
        text_of(named(p, lambda i: f"BX{900 + i}")),
        ("--names", "names.xlsx"),
        {"names.xlsx": workbook({"Names": pairs})},
    )


@kind
def names_written_otherwise(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(named(p, lambda i: p.samples[i].lower().replace("-", "_") + " ")))


@kind
def names_with_an_ending(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(named(p, lambda i: p.samples[i] + ".fsa")))


@kind
def names_with_an_order_number(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(named(p, lambda i: "4711_" + p.samples[i])))


@kind
def a_sample_twice(p: Plate) -> Sent:
    rows = p.rows()
    again = [rows[10][0], *("?" for _ in rows[10][1:])]
    return Sent("plate2.csv", text_of([*rows, again]), ends_in="appears twice")


@kind
def blanks_left_out(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of([r for r in p.rows() if not re.match("(?i)blank|NTC|B0", r[0])]))


@kind
def nobody_of_this_season(p: Plate) -> Sent:
    return Sent(
        "other.csv",
        text_of(named(p, lambda i: f"Kiwi {i}")),
        ends_in="No sample of this file is in your sheets",
    )


@kind
def markers_written_otherwise(p: Plate) -> Sent:
    rows = p.rows()
    head = ["sample_id", *(f"m-{int(m[1:]):03d}" for m in p.markers)]
    return Sent("plate2.csv", text_of([head, *rows[1:]]))


@kind
def markers_with_a_prefix(p: Plate) -> Sent:
    head = ["sample_id", *(f"Pv_{m}" for m in p.markers)]
    return Sent("plate2.csv", text_of([head, *p.rows()[1:]]))


@kind
def markers_of_another_panel(p: Plate) -> Sent:
    head = ["sample_id", *(f"SSR{i * 7 + 5}x" for i in range(len(p.markers)))]
    return Sent("plate2.csv", text_of([head, *p.rows()[1:]]), ends_in="shares no marker")


# ---- calls -----------------------------------------------------------------------------------------------


@kind
def words_for_no_call(p: Plate) -> Sent:
    words = ("Uncallable", "Bad", "NTC", "Missing")
    return Sent("plate2.csv", text_of(calls_as(p, lambda c, j: c or words[j % 4])))


@kind
def a_word_nobody_knows(p: Plate) -> Sent:
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: c or "zweifelhaft")),
        ends_in="zweifelhaft",
        settled_by=("--missing", "zweifelhaft"),
    )


@kind
def zeros_for_no_call(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(calls_as(p, lambda c, j: c or "0:0")))


@kind
def dashes_for_no_call(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(calls_as(p, lambda c, j: c.replace("/", "") or "--")))


@kind
def letters_together_small(p: Plate) -> Sent:
    return Sent("plate2.csv", text_of(calls_as(p, lambda c, j: c.replace("/", "").lower() or "nn")))


@kind
def letters_with_a_space(p: Plate) -> Sent:
    return Sent("plate2.txt", text_of(calls_as(p, lambda c, j: c.replace("/", " ") or "- -"), "\t"))


@kind
def one_letter_codes(p: Plate) -> Sent:
    code = {frozenset("AG"): "R", frozenset("CT"): "Y", frozenset("CG"): "S", frozenset("AT"): "W"}
    code |= {frozenset("GT"): "K", frozenset("AC"): "M"}

    def letter(call: str, j: int) -> str:
        both = frozenset(call.replace("/", ""))
        return "N" if not both else (next(iter(both)) if len(both) == 1 else code[both])

    return Sent("plate2.csv", text_of(calls_as(p, letter)))


@kind
def allele_letters_explained(p: Plate) -> Sent:
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: generic(p, c, j, "AB", ""))),
        beside={"season/markers.csv": explained_markers(p)},
    )


@kind
def allele_letters_unexplained(p: Plate) -> Sent:
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: generic(p, c, j, "AB", "/"))),
        ends_in="generic_alleles",
    )


@kind
def allele_numbers_explained(p: Plate) -> Sent:
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: generic(p, c, j, "12", "/") or "0/0")),
        beside={"season/markers.csv": explained_markers(p)},
    )


@kind
def counts_of_the_second_allele(p: Plate) -> Sent:
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: str(c.split("/").count(p.alleles[j][1])) if c else "")),
        ends_in="counted_allele",
        settled_by=("--counted-allele", "second"),
    )


@kind
def the_other_strand(p: Plate) -> Sent:
    turn = str.maketrans("ACGT", "TGCA")
    return Sent(
        "plate2.csv",
        text_of(calls_as(p, lambda c, j: c.translate(turn))),
        ends_in="strand",
        settled_by=("--strand", "other"),
    )


# ---- other kinds of file ---------------------------------------------------------------------------------


@kind
def variant_calls(p: Plate) -> Sent:
    return Sent("plate2.vcf", vcf(p, p.samples))


@kind
def variant_calls_packed_own_names(p: Plate) -> Sent:
    pairs = "".join(f"BX{900 + i},{s}\n" for i, s in enumerate(p.samples)).encode()
    data = gzip.compress(vcf(p, [f"BX{900 + i}" for i in range(len(p.samples))]), mtime=0)
    return Sent("plate2.vcf.gz", data, ("--names", "list.csv"), {"list.csv": pairs})


@kind
def variant_calls_without_names(p: Plate) -> Sent:
    return Sent("plate2.vcf", vcf(p, p.samples, ids=False))


@kind
def binary_variant_calls(p: Plate) -> Sent:
    return Sent("plate2.bcf", bcf(vcf(p, p.samples)))


@kind
def accents_taken_apart(p: Plate) -> Sent:
    """The names of two plants hold accents, composed in the sheet and decomposed in the file."""
    return Sent("plate2.csv", text_of(named(p, lambda i: unicodedata.normalize("NFD", p.samples[i]))))


@kind
def archive_of_the_table(p: Plate) -> Sent:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(zipfile.ZipInfo("plate2.csv"), text_of(p.rows()))
    return Sent("plate2.zip", out.getvalue(), ends_in="Unpack it")


@kind
def a_picture_of_it(p: Plate) -> Sent:
    return Sent("plate2.pdf", b"%PDF-1.4\n%...", ends_in="PDF")


@kind
def the_old_workbook(p: Plate) -> Sent:
    return Sent("plate2.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512), ends_in=".xls")


# ---- parts -----------------------------------------------------------------------------------------------


def generic(p: Plate, call: str, j: int, letters: str, between: str) -> str:
    if not call:
        return ""
    return between.join(
        letters[p.alleles[j].index(a)] for a in sorted(call.split("/"), key=p.alleles[j].index)
    )


def markers_sheet(p: Plate, *, more: Sequence[tuple[str, Sequence[str]]] = ()) -> bytes:
    head = ["marker", "chrom", "pos", "alleles", *(name for name, _ in more)]
    rows = []
    for j, m in enumerate(p.markers):
        alleles = "/".join(p.alleles[j])
        rows.append([m, p.chrom[j], str(p.pos[j]), alleles, *(values[j] for _, values in more)])
    return text_of([head, *rows])


def explained_markers(p: Plate) -> bytes:
    return markers_sheet(p, more=[("generic_alleles", ["/".join(a) for a in p.alleles])])


def vcf(p: Plate, names: Sequence[str], *, ids: bool = True) -> bytes:
    lines = ["##fileformat=VCFv4.3", *(f"##contig=<ID={c}>" for c in dict.fromkeys(p.chrom))]
    lines.append('##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">')
    lines.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names]))
    for j in sorted(range(len(p.markers)), key=lambda j: (p.chrom[j], p.pos[j])):
        number = {a: str(k) for k, a in enumerate(p.alleles[j])}
        calls = ["/".join(number[a] for a in c[j].split("/")) if c[j] else "./." for c in p.calls]
        name = p.markers[j] if ids else "."
        lines.append(
            "\t".join([p.chrom[j], str(p.pos[j]), name, *p.alleles[j], ".", "PASS", ".", "GT", *calls])
        )
    return ("\n".join(lines) + "\n").encode()


def bcf(text: bytes) -> bytes:
    import tempfile
    from pathlib import Path

    from cyvcf2 import VCF, Writer

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.vcf").write_bytes(text)
        source = VCF(str(Path(folder) / "a.vcf"))
        sink = Writer(str(Path(folder) / "a.bcf"), source, mode="wb")
        for record in source:
            sink.write_record(record)
        sink.close()
        source.close()
        return (Path(folder) / "a.bcf").read_bytes()
