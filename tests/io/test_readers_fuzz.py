"""Damaged and random bytes: only our own errors come out, and soon."""

from __future__ import annotations

import gzip
import os
import warnings
from pathlib import Path

import numpy as np
import pytest
from genotype_cases import HEADER, bgzf, load_cases, make_file
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcf_maker import random_vcf

from crossproof.errors import PlateError
from crossproof.io.genotypes import peek_samples, read_batch
from crossproof.model.genotypes import CallBatch

BOUNDED = settings(
    max_examples=int(os.environ.get("CROSSPROOF_FUZZ", "80")),
    deadline=4000,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
PIECES = [b"\t", b"\n", b"\r\n", b"\0", b" ", b":", b",", b";", b'"', b"/", b".", b"#"]
PIECES += [b"9999999999", b"\xff", b"\xef\xbb\xbf"]
VCF = random_vcf(np.random.default_rng(13), 12, 3).replace("A" * 20_000, "AA").encode()
TABLE = b"sample_id;m1;m2;m3\n" + b"".join(b"s%d;A/G;152/158;R\n" % i for i in range(6))
LONG = b"sample_id,marker,call\n" + b"".join(b"s%d,m%d,A/G\n" % (i, j) for i in range(3) for j in range(3))


def outcome(path: Path, data: bytes, **options: object) -> CallBatch | PlateError:
    """What reading these bytes gives; any exception but our own fails the test."""
    path.write_bytes(data)
    try:
        return read_batch(path, batch="B", max_input_gb=0.01, **options)
    except PlateError as refused:
        return refused


def survives(path: Path, data: bytes, **options: object) -> str:
    """'read' or 'refused'; what is read must be consistent, what is refused must say why."""
    got = outcome(path, data, **options)
    if isinstance(got, PlateError):
        assert all(p.problem and p.remedy for p in got.problems)
        assert got.problems
        return "refused"
    for block in got.blocks:
        assert int(block.calls.max(initial=-1)) < block.k
        assert block.calls.shape[1] == len(got.samples)
    return "read"


@st.composite
def changed(draw: st.DrawFn, whole: bytes) -> bytes:
    """Bytes with a few changes of the kinds that editors, cables and disks make."""
    data = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, max(0, len(data) - 1)))
        kind = draw(st.integers(0, 4))
        piece = draw(st.sampled_from(PIECES))
        if kind == 0:
            data[place : place + 1] = piece
        elif kind == 1:
            data[place:place] = piece
        elif kind == 2:
            del data[place : place + draw(st.integers(1, 30))]
        elif kind == 3:
            data[place:place] = data[place : place + draw(st.integers(1, 200))]
        else:
            del data[place:]
    return bytes(data)


@BOUNDED
@given(changed(VCF))
def test_changed_vcf(tmp_path: Path, data: bytes) -> None:
    survives(tmp_path / "p", data)


@BOUNDED
@given(changed(VCF), st.integers(1, 400))
def test_changed_vcf_inside_sound_blocks(tmp_path: Path, data: bytes, block: int) -> None:
    survives(tmp_path / "p", bgzf(data, block))


@BOUNDED
@given(changed(bgzf(VCF, 500)))
def test_changed_bgzip(tmp_path: Path, data: bytes) -> None:
    survives(tmp_path / "p", data)


@BOUNDED
@given(changed(gzip.compress(VCF, mtime=0)))
def test_changed_gzip(tmp_path: Path, data: bytes) -> None:
    survives(tmp_path / "p", data)


@BOUNDED
@given(st.one_of(changed(TABLE), changed(LONG)), st.sampled_from([None, "wide", "wide-by-marker", "long"]))
def test_changed_table(tmp_path: Path, data: bytes, layout: str | None) -> None:
    survives(tmp_path / "p", data, layout=layout, counted_allele="second")


HEADS = [b"", b"\x1f\x8b", b"PK\3\4", b"##fileformat=VCFv4.2\n", HEADER.encode()]


@BOUNDED
@given(st.binary(max_size=300), st.sampled_from(HEADS))
def test_random_bytes(tmp_path: Path, data: bytes, head: bytes) -> None:
    survives(tmp_path / "p", head + data)


@BOUNDED
@given(st.binary(max_size=300))
def test_random_bcf_header(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "p"
    path.write_bytes(b"BCF\2\2" + data)
    with pytest.raises(PlateError):
        peek_samples(path)


def test_changed_workbook(tmp_path: Path) -> None:
    case = next(c for c in load_cases() if c["name"] == "workbook")
    whole = make_file(case, tmp_path).read_bytes()
    rng = np.random.default_rng(17)
    outcomes = set()
    for _ in range(25):
        data = bytearray(whole)
        for place in rng.integers(0, len(data), 3):
            data[place] = rng.integers(256)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # zipfile warns of what it then refuses
            outcomes.add(survives(tmp_path / "p", bytes(data)))
    assert "refused" in outcomes


def test_a_claim_of_size_costs_nothing(tmp_path: Path) -> None:
    import tracemalloc

    # A BGZF block that claims 4 GB, a BCF header that claims 4 GB, and a long line of a bomb.
    block = bytearray(bgzf(VCF[:100], end=False))
    block[-4:] = b"\xff\xff\xff\xff"
    bcf = bgzf(b"BCF\2\2\xff\xff\xff\xff" + b"x" * 50)
    bomb = gzip.compress(HEADER.encode() + b"1" * 30_000_000, mtime=0)
    for data in (bytes(block) + bgzf(b""), bcf, bomb):
        tracemalloc.start()
        assert survives(tmp_path / "p", data) == "refused"
        assert tracemalloc.get_traced_memory()[1] < 80e6
        tracemalloc.stop()
