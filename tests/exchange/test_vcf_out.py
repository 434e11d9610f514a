"""VCF out, read back by bcftools, by cyvcf2 and by our own strict reader."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.exchange.vcf_out import export_vcf, vcf_lines
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import Evidence, genotype_alleles
from crossproof.model.plant_calls import PlantCalls
from crossproof.season.index import build_index
from crossproof.season.templates import new_season

needs_bcftools = pytest.mark.skipif(
    shutil.which("bcftools") is None, reason="bcftools is not on this machine"
)

# Invented: two placed markers out of order, one of three alleles, one of fragment sizes, one without a place,
# one whose contig is known but not its position.
CALLS = PlantCalls(
    marker_ids=np.array(["M2", "M1", "S1", "U1", "U;2"], dtype=object),
    chrom=np.array(["Chr 1", "Chr 1", "Chr2", "", "Chr2"], dtype=object),
    pos=np.array([200, 100, 50, 0, 0], dtype=np.int64),
    alleles=(("A", "G"), ("C", "T", "CA"), ("152", "158"), ("T",), ("G", "-")),
    plants=("X1-1", "Müller, 2"),
    codes=np.array([[1, -1], [4, 5], [1, 2], [0, 0], [2, 1]], dtype=np.int8),
    lines=(),
    line_codes=np.zeros((5, 0), dtype=np.int8),
)
VERDICTS = pd.DataFrame(
    {
        "plant": ["X1-1", "Müller, 2"],
        "cross_id": ["X1", 'X "2"'],
        "mother": ["Lark", "Lark"],
        "father": ["Wren", "Owl\\x"],
        "verdict": ["hybrid", "undetermined"],
        "decision": ["hold", "retest"],
        "reason": ["plate held", "few markers scored"],
        "p_hybrid": ["0.998000", "0.6"],
        "flags": ["", "a; b > c, d"],
    }
)
GENOTYPES = {
    "M1": ["1/2", "2/2"],
    "M2": ["0/1", "./."],
    "S1": ["1/2", "2/2"],
    "U1": ["0/0", "0/0"],
    "U_2": ["2/2", "1/2"],
}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "plants.vcf"
    path.write_text("\n".join(vcf_lines(CALLS, VERDICTS)) + "\n", encoding="utf-8")
    return path


def bcftools(*arguments: object) -> str:
    done = subprocess.run(["bcftools", *map(str, arguments)], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return done.stdout


def test_the_lines(file: Path) -> None:
    lines = file.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "##fileformat=VCFv4.3"
    assert "##META=<ID=Decision,Type=String,Number=.,Values=[keep, cull, retest, hold]>" in lines
    assert (
        "##SAMPLE=<ID=X1-1,Cross=X1,Mother=Lark,Father=Wren,Verdict=hybrid,Decision=hold,"
        'Reason="plate held",PHybrid=0.998000>'
    ) in lines
    assert (
        '##SAMPLE=<ID=Müller_ 2,Cross="X \\"2\\"",Mother=Lark,Father="Owl\\\\x",Verdict=undetermined,'
        'Decision=retest,Reason="few markers scored",PHybrid=0.6,Flags="a; b > c, d">'
    ) in lines
    body = [line.split("\t")[:8] for line in lines if not line.startswith("#")]
    assert body == [
        ["Chr_1", "100", "M1", "C", "T,CA", ".", ".", "."],
        ["Chr_1", "200", "M2", "A", "G", ".", ".", "."],
        ["Chr2", "50", "S1", "N", "<ALLELE1>,<ALLELE2>", ".", ".", "ALLELES=152,158"],
        ["unplaced", "4", "U1", "T", ".", ".", ".", "UNPLACED"],
        [
            "unplaced",
            "5",
            "U_2",
            "N",
            "<ALLELE1>,<ALLELE2>",
            ".",
            ".",
            "ALLELES=G,-;UNPLACED;CHROMOSOME=Chr2",
        ],
    ]


@needs_bcftools
def test_bcftools_reads_it(file: Path) -> None:
    assert bcftools("query", "-l", file).splitlines() == ["X1-1", "Müller, 2"]
    found = dict(
        line.split(" ", 1) for line in bcftools("query", "-f", "%ID [ %GT]\n", file).splitlines() if line
    )
    assert {k: v.split() for k, v in found.items()} == GENOTYPES
    head = bcftools("view", "-h", file)
    assert "Verdict=undetermined" in head
    assert "##META=<ID=Verdict" in head


@needs_bcftools
def test_bcftools_indexes_the_packed_file(tmp_path: Path, file: Path) -> None:
    packed = tmp_path / "plants.vcf.gz"
    bcftools("view", "-Oz", "-o", packed, file)
    bcftools("index", packed)
    assert bcftools("query", "-r", "Chr_1:150-250", "-f", "%ID\n", packed) == "M2\n"


def test_cyvcf2_reads_it(file: Path) -> None:
    cyvcf2 = pytest.importorskip("cyvcf2")
    reader = cyvcf2.VCF(str(file))
    assert reader.samples == ["X1-1", "Müller, 2"]
    for record in reader:
        shown = ["/".join("." if a < 0 else str(a) for a in pair[:2]) for pair in record.genotypes]
        assert shown == GENOTYPES[record.ID]


def test_our_own_reader_gives_the_genotypes_back(file: Path) -> None:
    batch = read_batch(
        file, batch="B", layout=None, evidence=Evidence.CALLS, missing=(), counted_allele=None,
        marker_sheet=None, max_markers=None, shown_as="plants.vcf",
    )  # fmt: skip
    assert batch.samples == CALLS.plants
    found = {}
    for block in batch.blocks:
        for row, calls in zip(block.rows, block.calls, strict=True):
            pairs = [sorted(c) for c in calls.tolist()]
            found[str(batch.markers.ids[row])] = ["./." if a < 0 else f"{a}/{b}" for a, b in pairs]
    assert {k: found[k] for k in ("M1", "M2", "U1")} == {k: GENOTYPES[k] for k in ("M1", "M2", "U1")}


def judged(folder: Path) -> Path:
    """The season of `crossproof new`, its steps done."""
    new_season(folder)
    return steps_done(folder)


def steps_done(folder: Path) -> Path:
    """A season with its steps done one after the other in this process."""
    from crossproof.steps.examine import examine
    from crossproof.steps.ingest import ingest
    from crossproof.steps.panel import panel
    from crossproof.steps.verdicts import verdicts
    from crossproof.steps.verify import verify

    index = build_index(folder)
    for bucket in index.batch_buckets():
        ingest(index, bucket)
    panel(index)
    for number in index.slices()["verify"]:
        verify(index, int(number))
    examine(index)
    verdicts(index)
    return folder


def test_a_season(tmp_path: Path) -> None:
    season = judged(tmp_path / "s")
    path, markers, plants = export_vcf(season)
    assert (path, markers, plants) == (season / "results" / "plants.vcf", 12, 1)
    lines = path.read_text(encoding="utf-8").splitlines()
    calls = [line.split("\t")[-1] for line in lines if not line.startswith("#")]
    # The example plant is the hybrid of its parents: heterozygous at the 9 markers where they differ.
    assert sorted(calls).count("0/1") == 9
    assert "Verdict=hybrid,Decision=keep" in "".join(lines)
    done = CliRunner().invoke(main, ["export-vcf", str(season), "--out", str(tmp_path / "p.vcf.gz")])
    assert done.exit_code == 0, done.output
    assert "1 plants, 12 markers" in done.output
    packed = (tmp_path / "p.vcf.gz").read_bytes()
    assert packed.endswith(bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000"))
    for name in ("p.bcf", "p.gz", "p.vcf.gz.gz"):
        wrong = CliRunner().invoke(main, ["export-vcf", str(season), "--out", str(tmp_path / name)])
        assert (wrong.exit_code, "does not end in .vcf" in wrong.output) == (2, True)


def test_no_results(tmp_path: Path) -> None:
    new_season(tmp_path / "s")
    done = CliRunner().invoke(main, ["export-vcf", str(tmp_path / "s")])
    assert (done.exit_code, "There are no results to export." in done.output) == (2, True)


def test_results_of_another_version(tmp_path: Path) -> None:
    season = judged(tmp_path / "s")
    header = season / ".crossproof" / "work" / "panel" / "fit" / "header.json"
    header.write_text(header.read_text().replace('"store_version"', '"old_version"'))
    done = CliRunner().invoke(main, ["export-vcf", str(season)])
    assert (done.exit_code, "come from another version" in done.output) == (2, True)


def test_contigs_that_would_fall_together_stay_apart() -> None:
    chrom = np.array(["Chr 1", "Chr_1", "unplaced", "Chr2", ""], dtype=object)
    calls = replace(CALLS, chrom=chrom, pos=np.array([1, 1, 1, 1, 0], dtype=np.int64))
    lines = [line.split("\t")[0] for line in vcf_lines(calls, VERDICTS) if not line.startswith("#")]
    assert lines == ["Chr_1", "Chr_1_2", "unplaced", "Chr2", "unplaced_2"]


def test_genotype_order_is_the_specifications() -> None:
    # VCF 4.3, section 1.6.2, GL: for three alleles 0/0, 0/1, 1/1, 0/2, 1/2, 2/2.
    assert [f"{a}/{b}" for a, b in genotype_alleles(3).tolist()] == ["0/0", "0/1", "1/1", "0/2", "1/2", "2/2"]


def test_one_allele_seen_is_written_beside_a_point(tmp_path: Path) -> None:
    single = np.full(CALLS.codes.shape, -1, dtype=np.int8)
    single[0, 1], single[2, 0] = 1, 0
    codes = CALLS.codes.copy()
    codes[2, 0] = -1
    lines = [
        line.split("\t")
        for line in vcf_lines(replace(CALLS, codes=codes, single=single), VERDICTS)
        if not line.startswith("#")
    ]
    found = {cells[2]: cells[9:] for cells in lines}
    assert found["M2"] == ["0/1", "1/."]
    assert found["S1"] == ["1/.", "2/2"]  # sizes are symbolic alleles, counted from 1
    path = tmp_path / "p.vcf"
    path.write_text("\n".join(vcf_lines(replace(CALLS, codes=codes, single=single), VERDICTS)) + "\n")
    read = read_batch(path, batch="B", evidence=Evidence.CALLS)
    m2 = next(b.calls[i] for b in read.blocks for i, r in enumerate(b.rows) if read.markers.ids[r] == "M2")
    assert m2.tolist() == [[0, 1], [1, -1]]


def test_haploid_and_half_missing_calls_of_a_season(tmp_path: Path) -> None:
    # Invented: Lark and Wren differ at all 12 markers; the plant is a hybrid with a haploid call at the first
    # marker and a half-missing one at the second. The first plate of the demo becomes a VCF.
    folder = tmp_path / "s"
    new_season(folder)
    plants = ["0/0", "0/0", "1/1", "1/1", "0/1", "./."]
    rows = [
        f"1\t{i + 1}\tM{i}\tA\tG\t.\t.\t.\tGT\t"
        + "\t".join([*plants[:4], {0: "1", 1: "./0"}.get(i, "0/1"), "./."])
        for i in range(12)
    ]
    head = "##fileformat=VCFv4.2\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT"
    text = head + "".join(f"\tS0{i}" for i in range(1, 7)) + "\n" + "\n".join(rows) + "\n"
    (folder / "genotypes" / "plate1.csv").write_text(text)
    config = (folder / "config.yaml").read_text().replace(", layout: wide}", "}")
    (folder / "config.yaml").write_text(config)
    path, _, _ = export_vcf(steps_done(folder))
    lines = [line.split("\t") for line in path.read_text().splitlines() if not line.startswith("#")]
    assert [line[-1] for line in lines] == ["1/.", "0/.", *["0/1"] * 10]


def test_names_that_would_fall_together_stay_apart() -> None:
    plants = ("a,b", "a=b", "L\u200b1", "L\u200c1", "a_b_2")
    codes = np.zeros((5, 5), dtype=np.int8)
    lines = list(vcf_lines(replace(CALLS, plants=plants, codes=codes), VERDICTS))
    names = next(line for line in lines if line.startswith("#CHROM")).split("\t")[9:]
    identifiers = [
        re.match("##SAMPLE=<ID=([^,>]*)", line)[1] for line in lines if line.startswith("##SAMPLE")
    ]
    assert names == ["a,b", "a=b", "L 1", "L 1_2", "a_b_2"]
    assert identifiers == ["a_b", "a_b_3", "L 1", "L 1_2", "a_b_2"]
