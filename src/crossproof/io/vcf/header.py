"""The header of a VCF file: version, samples, declared contigs and FORMAT fields."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from crossproof.io.problems import Problems

FIXED = ("#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT")
_MAX_HEADER = 1 << 26
_VERSION = re.compile(r"^##fileformat=VCFv(\d+)\.(\d+)$")


@dataclass(frozen=True)
class VcfHeader:
    """What the reader needs of a header.

    `lines`: number of header lines, so that record i is line `lines` + i; `newline`: LF or CR LF;
    `contigs`: declared contig -> length or None; `format_numbers`: FORMAT ID -> Number.
    """

    samples: tuple[str, ...]
    lines: int
    crlf: bool
    contigs: dict[str, int | None] = field(default_factory=dict)
    format_numbers: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def read_header(pieces: Iterator[bytes], problems: Problems) -> tuple[VcfHeader, bytes]:
    """Read the header off a stream of bytes.

    Returns the header and the bytes read beyond it. Raises PlateError, through `problems`, where records
    could not be read safely under this header.
    """
    held = bytearray()
    line = looked = 0  # where the first unfinished line begins, and how far it was searched
    end = -1
    for piece in pieces:
        held += piece
        while end < 0 and (newline := held.find(b"\n", looked)) >= 0:
            if not held.startswith((b"##", b"\xef\xbb\xbf##"), line):
                end = newline + 1
            line = looked = newline + 1
        if end >= 0 or len(held) > _MAX_HEADER:
            break
        looked = len(held)
    if end < 0:
        _explain_missing_end(held, problems)
    text, rest = bytes(held[:end]), bytes(held[end:])
    return _parse(text, problems), rest


def _explain_missing_end(held: bytearray, problems: Problems) -> None:
    if len(held) > _MAX_HEADER:
        problems.error(
            "The header is longer than 64 MB, so this cannot be a VCF file of calls.",
            "Check that the right file was given.",
        )
    else:
        problems.error(
            "The header has no #CHROM line that names the samples, or that line was cut off.",
            "Export the file again; a VCF needs its #CHROM line, ended by a line break.",
        )
    problems.raise_if_any()


def _parse(text: bytes, problems: Problems) -> VcfHeader:
    notes: list[str] = []
    if text.startswith(b"\xef\xbb\xbf"):
        notes.append("starts with a byte order mark, which VCF does not allow; ignored")
        text = text[3:]
    if b"\0" in text:
        problems.error(
            "The header holds a NUL byte: the file is damaged or no text.",
            "Copy it again from where it was made.",
            row=text[: text.index(b"\0")].count(b"\n") + 1,
        )
        problems.raise_if_any()
    raw = text.split(b"\n")[:-1]
    crlf = raw[0].endswith(b"\r")
    if any(line.endswith(b"\r") != crlf for line in raw):
        problems.error(
            "Some header lines end in CR LF and others in LF: two files seem to be pasted together.",
            "Export the file again, or convert it throughout (dos2unix).",
        )
    if crlf:
        notes.append("lines end in CR LF; read as LF")
    lines = [line.removesuffix(b"\r") for line in raw]
    _check_version(lines[0], problems, notes)
    contigs: dict[str, int | None] = {}
    numbers: dict[str, str] = {}
    for line in lines[1:-1]:
        meta = line.decode("utf-8", "replace")
        if meta.startswith("##contig=<"):
            name, length = _attribute(meta, "ID"), _attribute(meta, "length")
            if name:
                contigs[name] = int(length) if length.isascii() and length.isdigit() else None
        elif meta.startswith("##FORMAT=<"):
            numbers[_attribute(meta, "ID")] = _attribute(meta, "Number")
    samples = _samples(lines[-1], len(lines), problems)
    problems.raise_if_any()
    return VcfHeader(samples, len(lines), crlf, contigs, numbers, tuple(notes))


def _attribute(meta: str, name: str) -> str:
    found = re.search(rf"[<,]{name}=([^,>]*)", meta)
    return found.group(1).strip('"') if found else ""


def _check_version(line: bytes, problems: Problems, notes: list[str]) -> None:
    match = _VERSION.match(line.decode("utf-8", "replace").strip())
    if match is None:
        problems.error(
            "The first line does not give the version of the format.",
            "The first line of a VCF file must be ##fileformat=VCFv4.2 or another version from 4.0 to 4.5; "
            "export the file again.",
            row=1,
            value=line.decode("utf-8", "replace"),
        )
        return
    major, minor = int(match.group(1)), int(match.group(2))
    if major != 4:
        problems.error(
            f"VCF version {major}.{minor} is not read here.",
            "Export the file as VCF 4.1 to 4.5.",
            row=1,
            value=line.decode("utf-8", "replace"),
        )
    elif minor > 5:
        notes.append(f"VCF version 4.{minor} is newer than 4.5; read by the rules of 4.5")


def _samples(line: bytes, row: int, problems: Problems) -> tuple[str, ...]:
    try:
        cells = line.decode("utf-8").split("\t")
    except UnicodeDecodeError:
        problems.error(
            "A sample name is not UTF-8 text.", "Save the file as UTF-8.", row=row, column="#CHROM line"
        )
        return ()
    if not line.startswith(b"#CHROM"):
        problems.error(
            "The #CHROM line that names the samples is missing.",
            "Export the file again with its full header.",
            row=row,
            value=cells[0],
        )
        return ()
    samples = tuple(cells[9:])
    if tuple(cells[:9]) != FIXED or not samples:
        why, remedy, shown = _wrong_columns(cells)
        problems.error(why, remedy, row=row, value=shown)
        return ()
    seen: set[str] = set()
    for i, name in enumerate(samples):
        if not name.strip():
            problems.error(
                "A sample has no name.", "Name it in the export.", row=row, column=f"column {i + 10}"
            )
        elif name in seen:
            problems.error(
                "Two columns have the same sample name, so it cannot be told whose calls are whose.",
                "Give each well its own name in the export.",
                row=row,
                column=f"column {i + 10}",
                value=name,
            )
        elif any(ord(c) < 32 or ord(c) == 127 for c in name):
            problems.error(
                "A sample name holds a control character.", "Rename the sample.", row=row, value=name
            )
        seen.add(name)
    return samples


def _wrong_columns(cells: list[str]) -> tuple[str, str, str]:
    """What is wrong with a #CHROM line that does not name columns and samples; remedy and value."""
    if len(cells) == 1 or (len(cells) < 9 and " " in cells[0]):
        return (
            "The columns of the #CHROM line are separated by spaces, not tabs.",
            "Export the file again; an editor or a copy through a web page may have replaced the tabs.",
            "",
        )
    if cells in (list(FIXED), list(FIXED[:8])):
        return "The file has no samples: it lists sites only.", "Export it with genotypes.", ""
    wrong = next((i for i, (a, b) in enumerate(zip(cells, FIXED, strict=False)) if a != b), len(cells))
    return (
        f"Column {wrong + 1} of the #CHROM line must be {FIXED[min(wrong, 8)]}.",
        "Export the file again as VCF with genotypes.",
        cells[wrong] if wrong < len(cells) else "",
    )
