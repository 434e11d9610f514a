"""A small file cannot claim a large memory: each is read in a process of bounded address space.

The bound is on address space, which counts libraries as well (about 1.2 GB of it before a byte is read);
`MORE` is what reading may add.
"""

from __future__ import annotations

import base64
import gzip
import io
import struct
import subprocess
import sys
import textwrap
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from crossproof.io.vcf.bgzf import bgzf

MORE = 600 * 1024**2
HEADER = "##fileformat=VCFv4.2\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT"

READER = textwrap.dedent(
    """
    import resource, sys
    from pathlib import Path
    from crossproof.errors import CrossproofError
    from crossproof.io.sheets import workbooks  # what the readers load later
    from crossproof.io.vcf import bcf_worker
    from crossproof.io.config.season_config import read_config
    from crossproof.io.genotypes import read_batch
    from crossproof.io.sheets.sheet import read_sheet

    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + int(sys.argv[3]),) * 2)
    path = Path(sys.argv[2])
    try:
        if sys.argv[1] == "config":
            read_config(path)
        elif sys.argv[1] == "sheet":
            sheet = read_sheet(path, shown_as="crosses")
            print("REFUSED" if any(p.severity == "error" for p in sheet.problems) else "READ")
            sys.exit(0)
        else:
            read_batch(path, batch="B", shown_as="plate", max_input_gb=1.0)
        print("READ")
    except CrossproofError as refused:
        print("REFUSED", refused)
    """
)


def outcome(kind: str, path: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-c", READER, kind, str(path), str(MORE)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def many_samples() -> bytes:
    """A record of 8 alleles under a header of 20,000 samples, but with three columns of calls."""
    names = "\t".join(f"s{i}" for i in range(20_000))
    record = "1\t1\tm\tA\tC,G,T,AC,AG,AT,CC\t.\tPASS\t.\tGT:PL\t0/0:0\t0/1:0\t7/7:0\n"
    return gzip.compress(f"{HEADER}\t{names}\n{record}".encode(), mtime=0)


def gzip_bomb() -> bytes:
    """300 MB of one line in 300 KB."""
    out = io.BytesIO()
    with gzip.GzipFile(fileobj=out, mode="wb", mtime=0) as packed:
        packed.write(f"{HEADER}\ta\n1\t".encode())
        for _ in range(300):
            packed.write(b"0" * 1_000_000)
    return out.getvalue()


def table_bomb() -> bytes:
    """A table of 280 MB of commas in 280 KB."""
    return gzip.compress(b"sample_id,m1\n" + b"," * 280_000_000, 1, mtime=0)


def bcf_record() -> bytes:
    """A BCF record that claims 4 GB of fields for 2 to the 24 samples."""
    text = f"{HEADER}\ta\n".encode() + b"\0"
    shared = struct.pack("<iiifHHI", 0, 0, 1, 0.0, 0, 2, (0xFF << 24) | 0xFFFFFF)
    record = struct.pack("<II", 0xFFFFFF00, 0xFFFFFF00) + shared
    return bgzf(b"BCF\2\2" + struct.pack("<I", len(text)) + text + record)


def book(sheet: str) -> bytes:
    """A workbook of one sheet with this XML."""
    out = io.BytesIO()
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types">'
            '<Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            '<Default Extension="xml" ContentType="application/xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kind}.worksheet+xml"/></Types>',
        )
        archive.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        archive.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
            '<sheet name="S" sheetId="1" r:id="r1"/></sheets></workbook>',
        )
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{office}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        )
        archive.writestr("xl/worksheets/sheet1.xml", f'<worksheet xmlns="{main}">{sheet}</worksheet>')
    return out.getvalue()


def cell(place: str, text: str) -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


def claimed_dimension() -> bytes:
    """A sheet of four cells that claims all rows and columns there can be."""
    rows = (
        f'<row r="1">{cell("A1", "cross_id")}{cell("B1", "mother")}{cell("C1", "father")}</row>'
        f'<row r="2">{cell("A2", "X1")}{cell("B2", "Lark")}{cell("C2", "Wren")}</row>'
    )
    return book(f'<dimension ref="A1:XFD1048576"/><sheetData>{rows}</sheetData>')


def far_cell() -> bytes:
    """A cell in the last column of the last row."""
    rows = f'<row r="1">{cell("A1", "cross_id")}</row><row r="1048576">{cell("XFD1048576", "x")}</row>'
    return book(f"<sheetData>{rows}</sheetData>")


def workbook_bomb() -> bytes:
    """1 GB of blanks in a sheet of 1 MB."""
    return book("<sheetData/>" + " " * 1_000_000_000)


CASES: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "VCF of 8 alleles, 20,000 samples": ("batch", many_samples, "REFUSED"),
    "gzip bomb": ("batch", gzip_bomb, "REFUSED"),
    "table bomb": ("batch", table_bomb, "REFUSED"),
    "BCF record that claims 4 GB": ("batch", bcf_record, "REFUSED"),
    "sheet that claims A1:XFD1048576": ("sheet", claimed_dimension, "READ"),
    "calls that claim A1:XFD1048576": ("batch", claimed_dimension, "REFUSED"),
    "cell in the last place there is": ("sheet", far_cell, "REFUSED"),
    "aliases upon aliases": (
        "config",
        lambda: b"a: &a [x,x,x,x,x,x,x,x]\n" + b"".join(
            b"%c: &%c [%s]\n" % (c, c, b",".join([b"*%c" % (c - 1)] * 8)) for c in range(98, 107)
        ),
        "REFUSED",
    ),
    "brackets in brackets": ("config", lambda: b"crosses: " + b"[" * 50_000, "REFUSED"),
}  # fmt: skip


QUICK = ("VCF of 8 alleles, 20,000 samples", "sheet that claims A1:XFD1048576", "aliases upon aliases")


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=() if n in QUICK else pytest.mark.slow) for n in CASES]
)
def test_a_small_file_cannot_claim_much(name: str, tmp_path: Path) -> None:
    kind, make, wanted = CASES[name]
    path = tmp_path / ("config.yaml" if kind == "config" else "file.xlsx" if kind == "sheet" else "file")
    path.write_bytes(make())
    assert path.stat().st_size < 4e6
    assert outcome(kind, path).startswith(wanted)


@pytest.mark.slow
def test_a_workbook_of_blanks_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "file.xlsx"
    path.write_bytes(workbook_bomb())
    assert path.stat().st_size < 4e6
    assert outcome("sheet", path).startswith("REFUSED")


def test_a_calibration_unpacks_to_what_belongs_there_only() -> None:
    """calibration.json is an input too, and holds packed numbers."""
    from crossproof.season.kept_lines import kept_from_dict

    bomb = base64.b64encode(zlib.compress(bytes(50_000_000), 9)).decode()
    kept = {"markers": [["m1", ["A", "G"]]], "lines": {"Lark": {"tubes": [], "percent": bomb}}}
    tracemalloc.start()
    with pytest.raises(ValueError, match="belong"):
        kept_from_dict(kept)
    assert tracemalloc.get_traced_memory()[1] < 5e6
    tracemalloc.stop()
