"""What VCF text can say, BCF says the same; damaged BCF is refused or read as it was.

The BCF is written by bcftools, another program than the reader's library; where it is absent, by cyvcf2.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from genotype_cases import bgzf, to_bcf, unbgzf
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from crossproof.errors import PlateError
from crossproof.io.calls.store import batch_arrays
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import CallBatch

EXAMPLES = int(os.environ.get("CROSSPROOF_FUZZ", "4"))
QUIET = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large]
QUICK = settings(
    deadline=None, suppress_health_check=QUIET, phases=[Phase.explicit, Phase.reuse, Phase.generate]
)
"""Each example starts the reader anew: a failing one is shown as it was found, not made smaller."""
SAMPLES = ("s0", "naïve 1", "-rf", "名")
ALLELES = ("A", "G", "T", "AC", "<DEL>", "*")
HEAD = (
    "##fileformat=VCFv4.3\n"
    + "".join(f"##contig=<ID={c},length=900000>\n" for c in ("chr1", "2", "x.y"))
    + '##FILTER=<ID=q10,Description="low">\n'
    '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Depths">\n'
    '##FORMAT=<ID=DP,Number=1,Type=Integer,Description="Depth">\n'
    '##FORMAT=<ID=PL,Number=G,Type=Integer,Description="Likelihoods">\n'
    '##FORMAT=<ID=GL,Number=G,Type=Float,Description="Likelihoods">\n'
    "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t" + "\t".join(SAMPLES) + "\n"
)
FORMS = ("GT", "GT:AD", "GT:PL", "GT:DP:AD:PL", "PL", "GL:AD", "GT:GL", "GT:PL:GL")


def joined(values: st.SearchStrategy[Any], count: int) -> st.SearchStrategy[str]:
    return st.lists(values, min_size=count, max_size=count).map(lambda v: ",".join(map(str, v)))


@st.composite
def sample(draw: st.DrawFn, form: str, k: int) -> str:
    """One sample: any genotype, with as many likelihoods as its ploidy asks for, or fewer fields."""
    alleles = st.integers(0, k - 1).map(str)
    kind = draw(st.sampled_from(["two", "two", "two", "half", "none", "dot", "one"]))
    joint = draw(st.sampled_from("/|"))
    pair = draw(alleles), draw(alleles)
    genotype = {
        "two": joint.join(pair),
        "half": joint.join((".", pair[0])),
        "none": f".{joint}.",
        "dot": ".",
        "one": pair[0],
    }[kind]
    haploid = kind == "one" and "GT" in form
    genotypes = k if haploid else k * (k + 1) // 2
    depth = st.one_of(st.integers(0, 40), st.integers(0, 70_000))
    phred = st.one_of(st.integers(0, 60), st.integers(0, 70_000))
    # Eighths are the same number in BCF's 32 bits as in text.
    logarithm = st.integers(-400, 0).map(lambda n: f"{n / 8:g}")
    fields = {
        "GT": st.just(genotype),
        "AD": st.one_of(st.just("."), joined(depth, k)),
        "DP": depth.map(str),
        "PL": st.one_of(st.just("."), joined(phred, genotypes)),
        "GL": st.one_of(st.just("."), joined(logarithm, genotypes)),
    }
    keys = form.split(":")
    kept = keys[: draw(st.integers(1, len(keys)))] if draw(st.booleans()) else keys
    return ":".join(draw(fields[key]) for key in kept)


@st.composite
def record(draw: st.DrawFn, number: int) -> str:
    """One record at a place of its own."""
    k = draw(st.sampled_from([1, 2, 2, 2, 3, 4, 6]))
    form = draw(st.sampled_from(FORMS))
    chrom = ("chr1", "2", "x.y")[min(number // 20, 2)]
    alt = ",".join(ALLELES[1:k]) or "."
    name = draw(st.sampled_from([".", f"m{number}", f"m{number};rs{number}"]))
    passed = draw(st.sampled_from(["PASS", ".", "q10"]))
    samples = "\t".join(draw(sample(form, k)) for _ in SAMPLES)
    return f"{chrom}\t{10 * number + 1}\t{name}\tA\t{alt}\t.\t{passed}\t.\t{form}\t{samples}\n"


@st.composite
def vcf(draw: st.DrawFn) -> str:
    """A file of up to 60 records: one start of the reader for many cases."""
    count = draw(st.integers(20, 60))
    return HEAD + "".join(draw(record(i)) for i in range(count))


def as_bcf(text: str, folder: Path) -> Path:
    target = folder / "plate.bcf"
    if shutil.which("bcftools") is None:
        target.write_bytes(to_bcf(text, folder))
        return target
    done = subprocess.run(
        ["bcftools", "view", "--no-version", "-Ob", "-o", str(target), "-"],
        input=text.encode(),
        capture_output=True,
    )
    assert done.returncode == 0, done.stderr.decode()
    return target


@settings(QUICK, max_examples=EXAMPLES)
@given(vcf(), st.lists(st.sampled_from(SAMPLES), min_size=1, unique=True))
def test_bcf_reads_as_its_vcf(tmp_path: Path, text: str, keep: list[str]) -> None:
    path = tmp_path / "plate.vcf"
    path.write_text(text, encoding="utf-8")
    binary = as_bcf(text, tmp_path)
    (head_a, a), (head_b, b) = (
        batch_arrays(read_batch(p, batch="B", keep_samples=keep, max_markers=None)) for p in (path, binary)
    )
    assert head_a == head_b
    assert len(head_a["ids"]) == text.count("\n") - HEAD.count("\n")
    assert a.keys() == b.keys()
    for name in a:
        np.testing.assert_array_equal(a[name], b[name], err_msg=name)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, dict[str, Any]]:
    """A sound BCF and what it says."""
    folder = tmp_path_factory.mktemp("whole")
    rows = [
        f"chr1\t{i}\tm{i}\tA\tG\t.\tPASS\t.\tGT:AD:PL\t0/0:9,0:0,9,90\t0/1:5,4:50,0,60\t1/1:0,7:90,9,0\t.:.:.\n"
        for i in range(1, 41)
    ]
    path = as_bcf(HEAD + "".join(rows), folder)
    # In small blocks, so that damage falls on every kind of place.
    data = bgzf(unbgzf(path.read_bytes()), 300)
    path.write_bytes(data)
    return data, said(read_batch(path, batch="B"))


def outcome(path: Path) -> CallBatch | PlateError:
    """What reading gives; a refusal says why and what to do, any other exception fails the test."""
    try:
        return read_batch(path, batch="B")
    except PlateError as fault:
        refused = fault
    assert all(p.problem and p.remedy for p in refused.problems)
    return refused


def said(batch: CallBatch) -> dict[str, Any]:
    head, arrays = batch_arrays(batch)
    # What is not known is equal to itself here, which NaN is not.
    known = {n: np.where(np.isnan(a), None, a) if a.dtype.kind == "f" else a for n, a in arrays.items()}
    return {**head, **{name: array.tolist() for name, array in known.items()}}


@st.composite
def damage(draw: st.DrawFn) -> tuple[str, float, int]:
    """Kind, place as a share of the file, and amount."""
    kinds = st.sampled_from(["byte", "cut", "gone", "twice"])
    return draw(kinds), draw(st.floats(0, 0.999)), draw(st.integers(1, 255))


def damaged(data: bytes, kind: str, share: float, amount: int) -> bytes:
    at = int(share * len(data))
    if kind == "byte":
        return data[:at] + bytes([data[at] ^ amount]) + data[at + 1 :]
    if kind == "cut":
        return data[:at]
    if kind == "gone":
        return data[:at] + data[at + amount :]
    return data[: at + amount] + data[at:]


@settings(QUICK, max_examples=20 * EXAMPLES)
@given(damage())
def test_damaged_bcf_is_refused_or_reads_as_it_was(
    tmp_path: Path, whole: tuple[bytes, dict[str, Any]], change: tuple[str, float, int]
) -> None:
    data = damaged(whole[0], *change)
    path = tmp_path / "plate"
    path.write_bytes(data)
    got = outcome(path)
    if not isinstance(got, PlateError):
        assert said(got) == whole[1]


@settings(QUICK, max_examples=EXAMPLES)
@given(st.floats(0, 0.999), st.integers(1, 255))
@example(0.0667, 6)  # a type of numbers that there is not
def test_bytes_changed_before_packing_never_end_the_run(
    tmp_path: Path, whole: tuple[bytes, dict[str, Any]], share: float, amount: int
) -> None:
    """No checksum tells of this: what is read may differ, but is sound in itself or refused."""
    raw = unbgzf(whole[0])
    start = 9 + struct.unpack_from("<I", raw, 5)[0]
    at = start + int(share * (len(raw) - start))
    path = tmp_path / "plate"
    path.write_bytes(bgzf(raw[:at] + bytes([raw[at] ^ amount]) + raw[at + 1 :]))
    batch = outcome(path)
    if not isinstance(batch, PlateError):
        assert len(batch.samples) == len(SAMPLES)
        for block in batch.blocks:
            assert int(block.calls.max(initial=-1)) < block.k
