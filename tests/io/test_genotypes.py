"""The one entrance for every format, the choice of markers, and regions."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from genotype_cases import by_marker, to_bcf
from vcf_maker import random_vcf

from crossproof.errors import PlateError
from crossproof.io.calls.store import batch_arrays
from crossproof.io.genotypes import peek_samples, read_batch
from crossproof.io.vcf.marker_choice import marker_scores, thin_rows
from crossproof.io.vcf.region_parts import read_part, write_part
from crossproof.io.vcf.variant_files import merge_regions, read_region, regions
from crossproof.model.genotypes import CallBatch

SHARED = Path(os.environ.get("CROSSPROOF_SHARED", Path(__file__).parents[3] / "shared"))


def same(one: CallBatch, two: CallBatch) -> None:
    (head_a, a), (head_b, b) = batch_arrays(one), batch_arrays(two)
    assert head_a == head_b
    assert a.keys() == b.keys()
    for name in a:
        np.testing.assert_array_equal(a[name], b[name], err_msg=name)
        assert a[name].dtype == b[name].dtype


@pytest.fixture(scope="module")
def indexed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the same calls as VCF, indexed bgzip VCF (.tbi and .csi) and indexed BCF."""
    if shutil.which("bcftools") is None or shutil.which("bgzip") is None or shutil.which("tabix") is None:
        pytest.skip("bcftools, bgzip and tabix, which write the indexes, are not on this machine")
    folder = tmp_path_factory.mktemp("indexed")
    (folder / "a.vcf").write_text(random_vcf(np.random.default_rng(4), 2100, 8))
    for command in (
        ["bgzip", "-k", "a.vcf"],
        ["cp", "a.vcf.gz", "c.vcf.gz"],
        ["tabix", "a.vcf.gz"],
        ["bcftools", "index", "c.vcf.gz"],
        ["bcftools", "view", "--no-version", "-Ob", "-o", "a.bcf", "a.vcf"],
        ["bcftools", "index", "a.bcf"],
    ):
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder


@pytest.mark.parametrize(
    ("name", "limit"),
    [("a.vcf.gz", None), ("a.vcf.gz", 400), ("c.vcf.gz", 400), ("a.bcf", 400)],
)
def test_regions_merge_to_what_one_pass_gives(
    indexed: Path, name: str, limit: int | None, tmp_path: Path
) -> None:
    whole = read_batch(indexed / "a.vcf", batch="B", max_markers=limit)
    for jobs in (3,) if name == "a.bcf" else (1, 7):
        parts = []
        lists = regions(indexed / name, jobs)
        assert 1 <= len(lists) <= jobs
        for i, mine in enumerate(lists):
            write_part(tmp_path / str(i), read_region(indexed / name, mine, max_markers=limit))
            parts.append(read_part(tmp_path / str(i)))
        same(merge_regions(parts, batch="B", shown_as=name), whole)


def test_index_of_another_file_is_noticed(indexed: Path, tmp_path: Path) -> None:
    text = random_vcf(np.random.default_rng(9), 2100, 8)
    (tmp_path / "b.vcf").write_text(text)
    subprocess.run(["bgzip", "b.vcf"], cwd=tmp_path, check=True)
    shutil.copy(indexed / "a.vcf.gz.tbi", tmp_path / "b.vcf.gz.tbi")
    path = tmp_path / "b.vcf.gz"

    def read_it() -> CallBatch:
        parts = [read_region(path, mine) for mine in regions(path, 3)]
        return merge_regions(parts, batch="B", shown_as="b.vcf.gz")

    with pytest.raises(PlateError, match=r"index|damaged"):
        read_it()


def test_files_without_an_index_are_read_in_one_pass(indexed: Path, tmp_path: Path) -> None:
    shutil.copy(indexed / "a.vcf.gz", tmp_path / "n.vcf.gz")
    assert regions(tmp_path / "n.vcf.gz", 4) == ()
    assert regions(indexed / "a.vcf", 4) == ()


def test_damaged_index(indexed: Path, tmp_path: Path) -> None:
    shutil.copy(indexed / "a.vcf.gz", tmp_path / "n.vcf.gz")
    (tmp_path / "n.vcf.gz.tbi").write_bytes(b"TBI\1" + b"\xff" * 40)
    with pytest.raises(PlateError, match="index beside the file is damaged"):
        regions(tmp_path / "n.vcf.gz", 4)


def test_scores_by_hand() -> None:
    # 4 plants. Marker 0: two homozygotes each, all called: p = 1/2, 1 - 2/4 = 0.5 -> 500.
    # Marker 1: half called, both A/G -> p = 1/2, call rate 1/2 -> 250. Marker 2: one allele only -> 0.
    calls = np.array(
        [
            [[0, 0], [0, 0], [1, 1], [1, 1]],
            [[0, 1], [-1, -1], [0, 1], [-1, -1]],
            [[0, 0], [0, 0], [0, 0], [0, 0]],
        ],
        dtype=np.int8,
    )
    assert marker_scores(calls, None).tolist() == [500, 250, 0]
    assert marker_scores(calls, np.array([0, 1])).tolist() == [0, 250, 0]


def test_markers_are_kept_evenly_and_the_best_of_each_stretch() -> None:
    rng = np.random.default_rng(8)
    pos = np.sort(rng.choice(1_000_000, 5000, replace=False))
    score = rng.integers(0, 1000, 5000).astype(np.int32)
    rows = thin_rows(["1"] * 5000, pos, score, 100)
    assert len(rows) == 100
    assert (np.diff(rows) > 0).all()
    # No gap of more than a few windows: 100 of 5000 at random would leave gaps of 6 % of the genome.
    gaps = np.diff(np.concatenate(([0], pos[rows], [1_000_000])))
    assert gaps.max() < 60_000
    assert score[rows].mean() > 900


@pytest.mark.parametrize("limit", [1, 3, 50])
def test_limit_holds_whatever_the_contigs(limit: int) -> None:
    chrom = [f"scaffold{i}" for i in range(200)]
    rows = thin_rows(chrom, np.full(200, 5), np.arange(200, dtype=np.int32), limit)
    assert 1 <= len(rows) <= limit
    assert len(rows) == limit


def test_a_file_within_the_limit_keeps_every_marker(tmp_path: Path) -> None:
    path = tmp_path / "a.vcf"
    path.write_text(random_vcf(np.random.default_rng(1), 90, 3))
    same(read_batch(path, batch="B", max_markers=90), read_batch(path, batch="B", max_markers=None))


def test_wide_tables_are_thinned_too(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(
        "sample_id,"
        + ",".join(f"m{i}" for i in range(64))
        + "\n"
        + "a"
        + ",A/A" * 64
        + "\nb"
        + ",A/A,G/G" * 32
        + "\n"
    )
    batch = read_batch(path, batch="B", max_markers=16)
    places = [int(str(i)[1:]) for i in batch.markers.ids]
    assert len(places) == 16
    assert all(p % 2 == 1 for p in places)
    assert max(np.diff(places)) <= 8


def test_marker_sheet_gives_place_and_inheritance(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("sample_id,m1,cp\na,A/G,A\n")
    sheet = pd.DataFrame(
        {
            "marker": ["m1", "cp", "other"],
            "chrom": ["3", "Pt", "1"],
            "pos": pd.array([77, pd.NA, 3], dtype="Int64"),
            "inheritance": ["nuclear", "maternal", ""],
            "alleles": ["G/A", "", ""],
        }
    )
    batch = read_batch(path, batch="B", marker_sheet=sheet)
    assert batch.markers.chrom.tolist() == ["3", "Pt"]
    assert batch.markers.pos.tolist() == [77, 0]
    assert batch.markers.maternal.tolist() == [False, True]
    assert batch.markers.alleles == (("G", "A"), ("A",))
    assert by_marker(batch, "calls") == {"m1": ["1/0"], "cp": ["0"]}


def test_peek_is_the_header(tmp_path: Path) -> None:
    text = random_vcf(np.random.default_rng(1), 9, 3)
    (tmp_path / "a").write_text(text)
    (tmp_path / "b").write_bytes(to_bcf(text, tmp_path))
    (tmp_path / "c").write_text("marker,chrom,s0,s1,s2\nm1,1,A/G,A/G,A/A\n")
    (tmp_path / "d").write_text("sample_id,m\ns0,A/A\ns1,A/G\ns2,A/A\n")
    (tmp_path / "e").write_text("sample,marker,call\ns0,m,A/A\ns1,m,A/A\ns0,n,A/A\ns2,m,A/A\n")
    for name in "abcde":
        assert peek_samples(tmp_path / name) == ("s0", "s1", "s2"), name


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlateError, match=r"error: genotypes/p1.vcf: There is no such file."):
        read_batch(tmp_path / "p1.vcf", batch="B", shown_as="genotypes/p1.vcf")


def test_real_array_of_inbred_lines_and_their_hybrids() -> None:
    folder = SHARED / "data" / "inbred_f1"
    if not (folder / "genotypes.csv").is_file():
        pytest.skip(f"{folder} is not on this machine")
    sheet = pd.read_csv(folder / "markers.csv", dtype=str, keep_default_na=False)
    batch = read_batch(folder / "genotypes.csv", batch="R", marker_sheet=sheet, max_markers=None)
    plain = pd.read_csv(folder / "genotypes.csv", dtype=str, keep_default_na=False, index_col=0)
    assert batch.samples == tuple(plain.index)
    # An independent count, from pandas: missing calls, and heterozygous ones by their text.
    (block,) = batch.blocks
    assert int((block.calls < 0).all(axis=-1).sum()) == int((plain.to_numpy() == "").sum())
    texts = plain[batch.markers.ids].to_numpy().T[block.rows]
    het = np.array([[len(set(t.split("/"))) == 2 for t in row] for row in texts])
    np.testing.assert_array_equal(block.calls[..., 0] != block.calls[..., 1], het)
    truth = pd.read_csv(folder / "truth.csv", dtype=str)
    progeny = set(truth["sample_id"][truth["role"] != "parent"])
    hybrids = [i for i, s in enumerate(batch.samples) if s in progeny]
    assert len(hybrids) == 6
    lines = [i for i in range(len(batch.samples)) if i not in hybrids]
    # Hybrids of inbred lines are heterozygous at many markers, the lines themselves at hardly any.
    assert het[:, hybrids].mean() > 0.3
    assert het[:, lines].mean() < 0.01
