"""What kind of genotype file this is, told from its content and never from its name."""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from pathlib import Path

from crossproof.errors import PlateError
from crossproof.io.files.byte_source import Packing, packing_of, read_pieces


class FileKind(StrEnum):
    """Kinds of genotype file that can be read."""

    VCF = "VCF"
    BCF = "BCF"
    TABLE = "table"
    XLSX = "XLSX"


@dataclass(frozen=True)
class Sniffed:
    """Kind and packing of a file, with remarks for the user."""

    kind: FileKind
    packing: Packing
    notes: tuple[str, ...] = ()


_REFUSED: tuple[tuple[bytes, str, str], ...] = (
    (b"\xff\xfe", "UTF-16 text", "Save it as UTF-8 (in a spreadsheet: CSV UTF-8)."),
    (b"\xfe\xff", "UTF-16 text", "Save it as UTF-8 (in a spreadsheet: CSV UTF-8)."),
    (
        b"\xd0\xcf\x11\xe0",
        "an old .xls workbook or a protected one",
        "Save it as .xlsx or .csv, unprotected.",
    ),
    (b"%PDF", "a PDF document", "Export the calls as VCF or as a table."),
    (b"BZh", "a bzip2 archive", "Unpack it, or pack it with bgzip."),
    (b"\xfd7zXZ", "an xz archive", "Unpack it, or pack it with bgzip."),
    (b"\x28\xb5\x2f\xfd", "a zstd archive", "Unpack it, or pack it with bgzip."),
    (b"CRAM", "a CRAM read file", "Call genotypes first and give the VCF."),
    (b"BAM\1", "a BAM read file", "Call genotypes first and give the VCF."),
    (b"PAR1", "a Parquet file", "Export the calls as VCF or as a CSV table."),
    (b"\x89HDF", "an HDF5 file", "Export the calls as VCF or as a CSV table."),
)


def sniff(path: Path, *, shown_as: str) -> Sniffed:
    """Kind of a genotype file.

    Parameters: `shown_as` is the path as the user wrote it. Raises PlateError where the file is empty or
    of a kind that cannot be read; OSError where it cannot be opened.
    """
    if path.is_dir():
        raise _refuse(shown_as, "This is a folder, not a genotype file.", "Name the file inside it.")
    if os.path.getsize(path) == 0:
        raise _refuse(shown_as, "The file is empty.", "Export it again; an empty file holds no calls.")
    packing = packing_of(path)
    pieces = read_pieces(path, packing, shown_as=shown_as, limit_bytes=1e15, piece_bytes=1 << 16)
    head = b"".join(islice(pieces, 1))
    if not head:
        raise _refuse(shown_as, "The file is empty once unpacked.", "Export it again.")
    notes: tuple[str, ...] = ()
    if packing is Packing.GZIP:
        notes = (
            "packed with plain gzip: read from end to end, since only bgzip files show whether their end "
            "is missing and can be read by region",
        )
    if head.startswith((b"BCF\2", b"BCF\4")):
        return Sniffed(FileKind.BCF, packing)
    text = head.removeprefix(b"\xef\xbb\xbf")
    if _is_vcf(text):
        return Sniffed(FileKind.VCF, packing, notes)
    if head.startswith(b"PK\3\4"):
        if packing is not Packing.PLAIN:
            raise _refuse(shown_as, "The file is a workbook inside an archive.", "Unpack it first.")
        return Sniffed(FileKind.XLSX, packing)
    _refuse_foreign(head, text, shown_as)
    return Sniffed(FileKind.TABLE, packing, notes)


def _is_vcf(text: bytes) -> bool:
    """Whether text begins as a VCF does, its first line missing or not."""
    return (
        text.startswith(b"#CHROM")
        or text.lstrip()[:16].lower().startswith(b"##fileformat=vcf")
        or (text.startswith(b"##") and b"\n#CHROM" in text)
    )


def _refuse_foreign(head: bytes, text: bytes, shown_as: str) -> None:
    """Raise PlateError where this is the beginning of something that holds no calls to read."""
    for magic, what, remedy in _REFUSED:
        if head.startswith(magic):
            raise _refuse(shown_as, f"The file is {what}, which is not read here.", remedy)
    if head[:2] == b"\x1f\x8b":
        raise _refuse(shown_as, "The file was compressed twice.", "Unpack it once (gunzip) and try again.")
    if b"\0" in head:
        if head[1:64:2].count(b"\0") > 8 or head[0:64:2].count(b"\0") > 8:
            raise _refuse(shown_as, "The file is UTF-16 text.", "Save it as UTF-8.")
        raise _refuse(
            shown_as,
            "The file holds NUL bytes: it is not text, or it is damaged.",
            "Export the calls again as VCF or as a table.",
        )
    low = text[:512].lstrip().lower()
    if low.startswith((b"<!doctype", b"<html", b"<?xml", b"<head", b"<body")):
        raise _refuse(
            shown_as,
            "The file is a web page, perhaps a log-in or error page saved in place of the data.",
            "Download the data file itself.",
        )
    if low.startswith((b"{", b"[")):
        raise _refuse(shown_as, "The file is JSON.", "Export the calls as VCF or as a table.")
    if not text.strip():
        raise _refuse(shown_as, "The file holds nothing but blanks.", "Export it again.")


def _refuse(shown_as: str, problem: str, remedy: str) -> PlateError:
    return PlateError.at(shown_as, problem, remedy)
