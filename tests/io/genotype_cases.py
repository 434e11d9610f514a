"""The broken and tricky genotype files of tests/bad_inputs/genotypes, made from their text."""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import yaml

from crossproof.io.files.byte_source import BGZF_END
from crossproof.model.genotypes import CallBatch, Evidence

FOLDER = Path(__file__).parents[1] / "bad_inputs" / "genotypes"

HEADER = (
    "##fileformat=VCFv4.3\n"
    "##contig=<ID=1,length=1000000>\n"
    '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\ta\tb\tc\n"
)
# htslib writes BCF only for declared fields.
_DECLARED = (
    '##FILTER=<ID=PASS,Description="passed">\n'
    '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Depths">\n'
    '##FORMAT=<ID=PL,Number=G,Type=Integer,Description="Likelihoods">\n'
    '##FORMAT=<ID=GL,Number=G,Type=Float,Description="Likelihoods">\n'
    '##FORMAT=<ID=DP,Number=1,Type=Integer,Description="Depth">\n'
)


def load_cases() -> list[dict[str, Any]]:
    """All cases, in the order of the files."""
    cases: list[dict[str, Any]] = []
    for path in sorted(FOLDER.glob("*.yaml")):
        cases += yaml.safe_load(path.read_text(encoding="utf-8"))
    return cases


def spelled(text: str) -> str:
    """The text with tabs and other unseen characters put in."""
    return text.replace("→", "\t").replace("␍", "\r").replace("␀", "\0").replace("␦", "\ufeff")


def bgzf(data: bytes, block: int = 60_000, end: bool = True) -> bytes:
    """Data packed as bgzip does it (SAM specification, section 4.1)."""
    out = b""
    for start in range(0, len(data), block):
        part = data[start : start + block]
        packer = zlib.compressobj(6, zlib.DEFLATED, -15)
        body = packer.compress(part) + packer.flush()
        head = b"\x1f\x8b\x08\x04\0\0\0\0\0\xff\6\0BC\2\0" + struct.pack("<H", len(body) + 25)
        out += head + body + struct.pack("<II", zlib.crc32(part), len(part))
    return out + (BGZF_END if end else b"")


def unbgzf(data: bytes) -> bytes:
    """The bytes of a bgzip file."""
    return gzip.decompress(data)


def to_bcf(text: str, folder: Path) -> bytes:
    """VCF text as BCF, by cyvcf2's writer."""
    from cyvcf2 import VCF, Writer

    head, _, rest = text.partition("#CHROM")
    source, target = folder / "source.vcf", folder / "target.bcf"
    source.write_text(head + _DECLARED + "#CHROM" + rest, encoding="utf-8")
    reader = VCF(str(source))
    writer = Writer(str(target), reader, "wb")
    for record in reader:
        writer.write_record(record)
    writer.close()
    reader.close()
    return target.read_bytes()


def _workbook(rows: list[list[Any]], how: str) -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    for row in rows:
        page.append(row)
    if how == "merged":
        page.merge_cells("B2:B3")
    if how == "hidden":
        book.create_sheet("other")
        page.sheet_state = "hidden"
        book.active = 1
    held = io.BytesIO()
    book.save(held)
    data = held.getvalue()
    return data[: len(data) // 2] if how == "cut" else data


def make_file(case: dict[str, Any], folder: Path) -> Path:
    """Write the file of a case; its name says nothing of its format."""
    how = case.get("pack", "plain")
    path = folder / "plate"
    if "sheet" in case:
        path.write_bytes(_workbook(case["sheet"], how))
        return path
    if "records" in case:
        text = HEADER + spelled(case["records"])
    else:
        text = spelled(case.get("file", case.get("table", "")))
    path.write_bytes(_packed(text, how, folder))
    return path


def _packed(text: str, how: str, folder: Path) -> bytes:
    data = text.encode("utf-8")
    if how == "plain":
        return data
    if how in ("latin-1", "utf-16", "utf-16-le"):
        return text.encode(how)
    if how.startswith("bgzip"):
        whole = bgzf(data)
        if how == "bgzip without end":
            return bgzf(data, end=False)
        if how == "bgzip cut":
            return whole[: len(whole) // 2]
        if how == "bgzip bit flipped":
            return whole[:60] + bytes([whole[60] ^ 4]) + whole[61:]
    if how.startswith("gzip"):
        whole = gzip.compress(data, mtime=0)
        if how == "gzip":
            return whole
        if how == "gzip cut":
            return whole[:-12]
        if how == "gzip twice":
            return gzip.compress(whole, mtime=0)
        if how == "gzip bomb":
            return gzip.compress((HEADER + "1").encode() + bytes([48]) * 40_000_000, mtime=0)
    if how == "zip":
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w") as archive:
            archive.writestr("calls.csv", data)
        return held.getvalue()
    if how.startswith("bcf"):
        whole = to_bcf(text, folder)
        if how == "bcf":
            return whole
        if how == "bcf without end":
            return whole.removesuffix(BGZF_END)
        raw = unbgzf(whole)
        if how == "bcf record cut":
            return bgzf(raw[:-5])
        if how == "bcf length claimed":
            start = 9 + struct.unpack_from("<I", raw, 5)[0]
            return bgzf(raw[: start + 4] + struct.pack("<I", 2**32 - 100) + raw[start + 8 :])
    raise AssertionError(how)


def read_options(case: dict[str, Any]) -> dict[str, Any]:
    """Arguments of read_batch."""
    options = dict(case.get("options", {}))
    if "markers" in options:
        options["marker_sheet"] = pd.DataFrame(options.pop("markers"), dtype=str)
    if "evidence" in options:
        options["evidence"] = Evidence(options["evidence"])
    return options


def spoken(calls: Any) -> str:
    """A call of the model as text: '0/1', './1', '0' for a haploid one."""
    a, b = (int(x) for x in calls)
    one = "." if a == -1 else str(a)
    return one if b == -2 else f"{one}/{'.' if b == -1 else b}"


def by_marker(batch: CallBatch, what: str) -> dict[str, Any]:
    """Calls, phred or depths of a batch by marker name (chrom:pos without one)."""
    out: dict[str, Any] = {}
    for block in batch.blocks:
        array = getattr(block, what)
        for i, row in enumerate(block.rows):
            name = batch.markers.ids[row]
            name = f"{batch.markers.chrom[row]}:{batch.markers.pos[row]}" if name == "." else name
            if what == "calls":
                out[name] = [spoken(c) for c in array[i]]
            else:
                out[name] = None if array is None else array[i].tolist()
    return out
