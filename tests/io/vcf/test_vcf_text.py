"""The strict scan of VCF text, against the specification, a second reader and itself."""

from __future__ import annotations

import csv
import os
from pathlib import Path
from typing import Any

import allel
import numpy as np
import pytest
from genotype_cases import HEADER, by_marker
from hypothesis import given, settings
from hypothesis import strategies as st
from vcf_maker import random_vcf

from crossproof.errors import PlateError
from crossproof.io.genotypes import read_batch
from crossproof.io.problems import MOST_ALIKE
from crossproof.io.vcf.grammar import Refused, parse_alleles, parse_gt
from crossproof.io.vcf.header import read_header
from crossproof.io.vcf.phred import phred_of_calls
from crossproof.io.vcf.text import VcfScan
from crossproof.model.sentinels import ABSENT, MISSING

SHARED = Path(os.environ.get("CROSSPROOF_SHARED", Path(__file__).parents[4] / "shared"))

# VCF specification 4.3, section 1.1: the example's alleles and names, as printed there.
SPEC_FIXED = {
    14370: ("rs6054257", "G", "A", "29", "PASS"),
    17330: (".", "T", "A", "3", "q10"),
    1110696: ("rs6040355", "A", "G,T", "67", "PASS"),
    1230237: (".", "T", ".", "47", "PASS"),
    1234567: ("microsat1", "GTC", "G,GTCT", "50", "PASS"),
}


def test_example_of_the_vcf_specification(tmp_path: Path) -> None:
    table = SHARED / "reference" / "vcf_spec_example_GT_GQ_DP.csv"
    if not table.is_file():
        pytest.skip(f"{table} is not on this machine")
    # The table's cells hold commas of their own (HQ left out), so only the columns are split.
    rows = [r for r in csv.DictReader(table.open(encoding="utf-8")) if r["POS"]]
    names = ["NA00001", "NA00002", "NA00003"]
    text = "##fileformat=VCFv4.3\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t" + "\t".join(names)
    wanted = {}
    for row in rows:
        name, ref, alt, qual, passed = SPEC_FIXED[int(row["POS"])]
        cells = "\t".join(row[n] for n in names)
        text += f"\n20\t{row['POS']}\t{name}\t{ref}\t{alt}\t{qual}\t{passed}\t.\tGT:GQ:DP\t{cells}"
        key = f"20:{row['POS']}" if name == "." else name
        wanted[key] = [row[n].split(":")[0].replace("|", "/") for n in names]
    path = tmp_path / "spec.vcf"
    path.write_text(text + "\n", encoding="utf-8")
    assert len(wanted) == 5
    assert by_marker(read_batch(path, batch="B"), "calls") == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("0/1", (0, 1)),
        ("1|0", (1, 0)),
        ("/0/1", (0, 1)),
        ("|0|1", (0, 1)),
        ("|1", (1, ABSENT)),
        ("0", (0, ABSENT)),
        ("./1", (MISSING, 1)),
        ("1/.", (1, MISSING)),
        (".", (MISSING, MISSING)),
        ("10/11", (10, 11)),
    ],
)
def test_genotype_grammar(text: str, wanted: tuple[int, int]) -> None:
    assert parse_gt(text) == wanted


@pytest.mark.parametrize("text", ["", "/", "0/", "/0/", "0//1", "a", "0/1/1", "-1/0", "0 /1", "01/0", "0\\1"])
def test_what_is_no_genotype(text: str) -> None:
    with pytest.raises(Refused):
        parse_gt(text)


@pytest.mark.parametrize("alt", ["<DEL>", "*", "A[2:321682[", "]13:123456]T", ".A", "<*>", "<NON_REF>"])
def test_alleles_that_are_no_bases(alt: str) -> None:
    assert parse_alleles("A", alt) == ("A", alt)


def scan(text: str, piece: int) -> tuple[list[str], list[list[list[int]]], dict[int, Any]]:
    """Names, calls, and PL and AD by line, the text given in pieces of a size."""
    from crossproof.io.problems import Problems

    data = text.encode()
    pieces = iter([data[i : i + piece] for i in range(0, len(data), piece)])
    problems = Problems("p", alike=True)
    header, rest = read_header(pieces, problems)
    scanner = VcfScan(header, problems, np.arange(len(header.samples)), True, True)
    names: list[str] = []
    calls: list[list[list[int]]] = []
    numbers: dict[int, Any] = {}
    for records in scanner.run(pieces, first=rest, line=header.lines + 1):
        names += records.ids
        calls += records.calls.tolist()
        for group in records.numeric(np.arange(len(records))).groups.values():
            for i, row in enumerate(group.rows):
                numbers[int(records.lines[row])] = [
                    None if a is None else a[i].tolist() for a in (group.phred, group.depths)
                ]
    problems.raise_if_any()
    return names, calls, numbers


@pytest.mark.parametrize("piece", [1, 7, 64, 1000, 1 << 22])
def test_size_of_the_pieces_does_not_matter(piece: int) -> None:
    text = random_vcf(np.random.default_rng(3), 30, 4)
    text = text.replace("A" * 20_000, "AAA")
    assert scan(text, piece) == scan(text, 1 << 23)


GT = st.one_of(
    st.sampled_from(["./.", ".", "0", "1", "2", "./1", "0/.", "/0/1", "|2|1", "/1"]),
    st.tuples(st.integers(0, 2), st.sampled_from("/|"), st.integers(0, 2)).map(
        lambda t: f"{t[0]}{t[1]}{t[2]}"
    ),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(GT, GT, GT), min_size=1, max_size=6), st.sampled_from(["", ":7", ":."]))
def test_every_spelling_reads_as_the_grammar_says(rows: list[tuple[str, str, str]], tail: str) -> None:
    form = "GT:DP" if tail else "GT"
    text = HEADER + "".join(
        f"1\t{i + 1}\tm{i}\tA\tC,G\t.\tPASS\t.\t{form}\t" + "\t".join(g + tail for g in row) + "\n"
        for i, row in enumerate(rows)
    )
    assert scan(text, 1 << 20)[1] == [[list(parse_gt(g)) for g in row] for row in rows]


def test_scikit_allel_reads_the_same(tmp_path: Path) -> None:
    path = tmp_path / "plate.vcf"
    path.write_text(random_vcf(np.random.default_rng(5), 300, 12))
    batch = read_batch(path, batch="B", max_markers=None)
    other = allel.read_vcf(
        str(path),
        fields=["variants/POS", "variants/ID", "calldata/GT", "calldata/AD", "calldata/PL"],
        numbers={"calldata/GT": 2, "calldata/AD": 4, "calldata/PL": 10},
        types={"calldata/GT": "i4", "calldata/AD": "i4", "calldata/PL": "i4"},
        fills={"calldata/AD": -1, "calldata/PL": -1},
    )
    assert batch.markers.pos.tolist() == other["variants/POS"].tolist()
    assert batch.markers.ids.tolist() == other["variants/ID"].tolist()
    seen = 0
    for block in batch.blocks:
        theirs = other["calldata/GT"][block.rows]
        # scikit-allel cannot tell a haploid call from a half-missing one.
        np.testing.assert_array_equal(np.where(block.calls == ABSENT, MISSING, block.calls), theirs)
        depths = other["calldata/AD"][block.rows][..., : block.k]
        np.testing.assert_array_equal(block.depths, np.maximum(depths, 0))
        phred = other["calldata/PL"][block.rows][..., : block.phred.shape[-1]]
        known = (phred >= 0).all(axis=-1)
        called = phred_of_calls(block.calls, block.k)
        shifted = np.minimum(phred - phred.min(axis=-1, keepdims=True), 255)
        # A haploid call has one likelihood for each allele, which scikit-allel leaves as they are.
        two = block.calls[..., 1] != ABSENT
        assert not two.all()
        np.testing.assert_array_equal(block.phred[two], np.where(known[..., None], shifted, called)[two])
        seen += len(block.rows)
    assert seen == len(batch.markers) == 300


def test_problems_are_capped_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "plate.vcf"
    bad = "".join(f"1\t{i + 1}\tm{i}\tA\tG\t.\tPASS\t.\tGT\t0/5\t0/1\t1/1\n" for i in range(MOST_ALIKE + 30))
    path.write_text(HEADER + bad)
    with pytest.raises(PlateError) as caught:
        read_batch(path, batch="B")
    problems = caught.value.problems
    assert len(problems) == MOST_ALIKE + 1
    assert [p.row for p in problems[:3]] == [5, 6, 7]
    assert "30 more problems of this file are not listed." in problems[-1].problem


def test_all_kinds_of_problems_of_one_file_come_at_once(tmp_path: Path) -> None:
    path = tmp_path / "plate.vcf"
    path.write_text(
        HEADER
        + "1\tx\tm0\tA\tG\t.\tPASS\t.\tGT\t0/0\t0/1\t1/1\n"
        + "1\t2\tm1\tA\tG\t.\tPASS\t.\tGT\t0/0\t0/9\t1/1\n"
        + "1\t3\tm2\tA\tG\t.\tPASS\t.\tGT\t0/0\n"
        + "1\t4\tm3\tA\tG\t.\tPASS\t.\tGT:PL\t0/0:1\t0/1:0,0,0\t1/1:0,0,0\n"
    )
    with pytest.raises(PlateError) as caught:
        read_batch(path, batch="B")
    assert sorted(p.row for p in caught.value.problems) == [5, 6, 7, 8]


def test_memory_does_not_grow_with_markers(tmp_path: Path) -> None:
    import tracemalloc

    peaks = []
    row = "\tm\tA\tG\t.\tPASS\t.\tGT:PL\t" + "\t".join(["0/1:30,0,30", "0/0:0,3,30"] * 50) + "\n"
    names = "\t".join(f"s{i}" for i in range(100))
    for markers in (8_000, 16_000):
        path = tmp_path / f"{markers}.vcf"
        with open(path, "w") as out:
            out.write(
                f"##fileformat=VCFv4.3\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t{names}\n"
            )
            for i in range(markers):
                out.write(f"1\t{i * 100 + 1}" + row.replace("\tm\t", "\t.\t"))
        tracemalloc.start()
        batch = read_batch(path, batch="B", max_markers=500)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(batch.markers) == 500
    assert peaks[1] < 1.1 * peaks[0]
