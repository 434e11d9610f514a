"""BCF files, read by cyvcf2 in a process of its own.

htslib can end the whole process on a malformed file, and stops without a word at a record that is cut off.
So the frame of every record is checked here first (its lengths must lead exactly to the end of the file),
the reading happens in a child process whose death means a malformed file, and the child's number of records
must be the one counted here.
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from copy import deepcopy
from pathlib import Path
from typing import Any

from crossproof.errors import InternalError, PlateError, Problem, Severity
from crossproof.io.files.byte_source import Packing, read_pieces
from crossproof.io.problems import Problems
from crossproof.io.vcf.header import VcfHeader, read_header
from crossproof.io.vcf.region_parts import RegionPart, read_part
from crossproof.io.vcf.regions import Region

_MAX_HEADER = 1 << 26
_MAX_RECORD = 1 << 30
_AGAIN = "Copy it again from where it was made, or convert it again from VCF."


def read_bcf_header(path: Path, packing: Packing, problems: Problems, limit_bytes: float) -> VcfHeader:
    """Header of a BCF file. Raises PlateError through `problems`."""
    pieces = read_pieces(path, packing, shown_as=problems.file, limit_bytes=limit_bytes, piece_bytes=1 << 16)
    held = b""
    need = 9
    for piece in pieces:
        held += piece
        if need == 9 and len(held) >= 9:
            need = 9 + _header_length(held, problems)
        if len(held) >= need > 9:
            break
    if need == 9 or len(held) < need:
        problems.error("The BCF header is cut off.", _AGAIN)
        problems.raise_if_any()
    text = held[9:need].rstrip(b"\0")
    return read_header(iter((text if text.endswith(b"\n") else text + b"\n",)), problems)[0]


def _header_length(held: bytes, problems: Problems) -> int:
    (length,) = struct.unpack_from("<I", held, 5)
    if not 0 < length <= _MAX_HEADER:
        problems.error(f"The BCF header claims {length} bytes.", _AGAIN)
        problems.raise_if_any()
    return int(length)


def count_records(path: Path, packing: Packing, problems: Problems, limit_bytes: float) -> int:
    """Number of records, each with a sound frame. Raises PlateError through `problems`."""
    pieces = read_pieces(path, packing, shown_as=problems.file, limit_bytes=limit_bytes)
    held, at, count = b"", 0, 0
    skip = -1
    for piece in pieces:
        held = held[at:] + piece
        at = 0
        if skip < 0:
            if len(held) < 9:
                continue
            skip = 9 + _header_length(held, problems)
        if skip:
            step = min(skip, len(held))
            at, skip = step, skip - step
            if skip:
                continue
        while len(held) - at >= 8:
            shared, individual = struct.unpack_from("<II", held, at)
            if shared < 24 or shared + individual > _MAX_RECORD:
                problems.error(
                    f"Record {count + 1} claims {shared + individual} bytes; the file is malformed.", _AGAIN
                )
                problems.raise_if_any()
            if len(held) - at < 8 + shared + individual:
                break
            at += 8 + shared + individual
            count += 1
    if skip != 0 or at != len(held):
        problems.error("The file ends in the middle of a record.", _AGAIN)
        problems.raise_if_any()
    return count


def read_bcf(
    path: Path,
    packing: Packing,
    *,
    columns: Sequence[int],
    header: VcfHeader,
    limit: int | None,
    panel: Sequence[int] | None,
    want_phred: bool,
    want_depths: bool,
    regions: Sequence[Region] | None,
    expected: int | None,
    problems: Problems,
    limit_bytes: float,
) -> RegionPart:
    """Read a BCF file, or regions of it, in a child process.

    Parameters: `columns`: places of the samples to keep; `limit`: most markers; `panel`: places among the
    kept samples whose diversity counts; `regions`: None for the whole file. Raises PlateError for what the
    file holds, InternalError where the child fails by our fault.
    """
    counted = None if regions is not None else count_records(path, packing, problems, limit_bytes)
    with tempfile.TemporaryDirectory(prefix="crossproof-bcf-") as scratch:
        order = {
            "path": str(path),
            "shown_as": problems.file,
            "columns": list(columns),
            "limit": limit,
            "panel": panel,
            "want_phred": want_phred,
            "want_depths": want_depths,
            "regions": None if regions is None else [[r.contig, r.start, r.end] for r in regions],
            "expected": expected,
            "samples": list(header.samples),
            "contigs": header.contigs,
            "format_numbers": header.format_numbers,
            "notes": list(header.notes),
            "out": str(Path(scratch) / "part"),
        }
        report = _report_of(order, Path(scratch) / "part.json", problems.file)
        if report["problems"]:
            raise PlateError([Problem(Severity(p[0]), *p[1:]) for p in report["problems"]])
        if counted is not None and report["records"] != counted:
            raise PlateError.at(
                problems.file,
                f"The file has {counted} records, of which {report['records']} could be read.",
                _AGAIN,
            )
        part = read_part(Path(scratch) / "part")
        # The arrays are mapped from a folder that is about to go.
        part.choice.pieces = deepcopy(part.choice.pieces)
        return part


def _report_of(order: dict[str, Any], answer: Path, shown_as: str) -> dict[str, Any]:
    """What the child process writes of its order. Raises PlateError, InternalError where it cannot."""
    done = subprocess.run(
        [sys.executable, "-m", "crossproof.io.vcf.bcf_worker"],
        input=json.dumps(order),
        capture_output=True,
        text=True,
        check=False,
    )
    # htslib ends the process on some bytes that it does not know, by a signal or without a trace of Python.
    if done.returncode < 0 or (done.returncode > 0 and "Traceback" not in done.stderr):
        raise PlateError.at(shown_as, "The file is malformed: its reader crashed on it.", _AGAIN)
    if done.returncode != 0 or not answer.is_file():
        raise InternalError(f"{shown_as}: the BCF reader failed: {done.stderr[-2000:]}")
    report: dict[str, Any] = json.loads(answer.read_text(encoding="utf-8"))
    return report
