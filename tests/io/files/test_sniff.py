"""Formats are told from the content."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from genotype_cases import HEADER, bgzf, to_bcf

from crossproof.errors import PlateError
from crossproof.io.files.byte_source import BGZF_END, Packing, has_bgzf_end, read_pieces
from crossproof.io.files.sniff import FileKind, sniff

RECORD = "1\t10\tm1\tA\tG\t.\tPASS\t.\tGT\t0/0\t0/1\t1/1\n"


def put(folder: Path, data: bytes, name: str = "plate.txt") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("pack", "packing"),
    [(lambda b: b, Packing.PLAIN), (bgzf, Packing.BGZF), (gzip.compress, Packing.GZIP)],
    ids=["plain", "bgzip", "gzip"],
)
def test_vcf_in_every_packing_whatever_its_name(pack, packing, tmp_path: Path) -> None:
    found = sniff(put(tmp_path, pack((HEADER + RECORD).encode()), "plate.xlsx"), shown_as="p")
    assert (found.kind, found.packing) == (FileKind.VCF, packing)
    assert bool(found.notes) == (packing is Packing.GZIP)


def test_bcf_table_and_folder(tmp_path: Path) -> None:
    bcf = sniff(put(tmp_path, to_bcf(HEADER + RECORD, tmp_path), "plate.vcf"), shown_as="p")
    assert (bcf.kind, bcf.packing) == (FileKind.BCF, Packing.BGZF)
    assert sniff(put(tmp_path, b"sample_id;m1\n"), shown_as="p").kind is FileKind.TABLE
    with pytest.raises(PlateError, match="a folder, not a genotype file"):
        sniff(tmp_path, shown_as="p")


def test_the_end_block_is_the_one_of_the_specification(tmp_path: Path) -> None:
    # SAM/BAM specification, section 4.1.2, "End-of-file marker": these 28 bytes.
    wanted = "1f 8b 08 04 00 00 00 00 00 ff 06 00 42 43 02 00 1b 00 03 00 00 00 00 00 00 00 00 00"
    assert bytes.fromhex(wanted) == BGZF_END
    assert has_bgzf_end(put(tmp_path, bgzf(b"x")))
    assert not has_bgzf_end(put(tmp_path, bgzf(b"x", end=False)))
    assert not has_bgzf_end(put(tmp_path, b"x"))


@pytest.mark.parametrize("block", [7, 1000, 60_000])
@pytest.mark.parametrize("piece", [1, 100, 1 << 22])
def test_pieces_join_to_what_the_standard_library_unpacks(block: int, piece: int, tmp_path: Path) -> None:
    data = bytes(range(256)) * 40
    packed = bgzf(data, block)
    assert gzip.decompress(packed) == data
    path = put(tmp_path, packed)
    pieces = read_pieces(path, Packing.BGZF, shown_as="p", limit_bytes=1e9, piece_bytes=piece)
    assert b"".join(pieces) == data


def test_several_gzip_members_and_padding(tmp_path: Path) -> None:
    path = put(tmp_path, gzip.compress(b"abc") + gzip.compress(b"def") + b"\0" * 512)
    assert b"".join(read_pieces(path, Packing.GZIP, shown_as="p", limit_bytes=100)) == b"abcdef"


@pytest.mark.parametrize("pack", [bgzf, gzip.compress], ids=["bgzip", "gzip"])
def test_limit_is_exact(pack, tmp_path: Path) -> None:
    path = put(tmp_path, pack(b"x" * 5000))
    packing = Packing.BGZF if pack is bgzf else Packing.GZIP
    assert len(b"".join(read_pieces(path, packing, shown_as="p", limit_bytes=5000))) == 5000
    with pytest.raises(PlateError, match="max_input_gb"):
        list(read_pieces(path, packing, shown_as="p", limit_bytes=4999))


def test_virtual_offset_starts_inside_a_block(tmp_path: Path) -> None:
    first = bgzf(b"0123456789", end=False)
    path = put(tmp_path, first + bgzf(b"abcdef"))
    pieces = read_pieces(
        path, Packing.BGZF, shown_as="p", limit_bytes=100, virtual_offset=len(first) << 16 | 2
    )
    assert b"".join(pieces) == b"cdef"
