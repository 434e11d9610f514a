"""One bad record does not cost a file: it is set aside and named, unless most are so."""

from __future__ import annotations

import gzip
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from genotype_cases import HEADER, bgzf, by_marker, make_file, to_bcf

from crossproof.errors import PlateError, Severity
from crossproof.io.genotypes import read_batch
from crossproof.io.reading_problems import reading_problems
from crossproof.io.vcf.region_parts import read_part, write_part
from crossproof.io.vcf.variant_files import merge_regions, read_region, regions
from crossproof.model.genotypes import CallBatch

SOUND = "1\t{pos}\tm{pos}\tA\tG\t.\tPASS\t.\tGT:PL\t0/0:0,9,90\t0/1:9,0,90\t1/1:90,9,0\n"
BAD = {
    "no genotypes": "1\t50\tbad\tA\tG\t.\tPASS\t.\tDP\t3\t4\t5\n",
    "The genotype has 4 alleles": "1\t50\tbad\tA\tG\t.\tPASS\t.\tGT\t0/0/1/1\t0/0/0/1\t0/1\n",
    "PL has 3 values; a record of 1 alleles needs 1": (
        "1\t50\tbad\tA\t.\t.\tPASS\t.\tGT:PL\t0/0:0,9,90\t0/0:0,9,90\t0/0:0\n"
    ),
    "AD has 2 values; a record of 1 alleles needs 1": (
        "1\t50\tbad\tA\t.\t.\tPASS\t.\tGT:AD\t0/0:3,0\t0/0:4,0\t0/0:2\n"
    ),
    "beside a haploid genotype": "1\t50\tbad\tA\tG\t.\tPASS\t.\tGT:PL\t0:0,9,90\t1/1:90,9,0\t1/1:90,9,0\n",
}


def sound(count: int, start: int = 10) -> str:
    return "".join(SOUND.format(pos=start * (i + 1)) for i in range(count) if start * (i + 1) != 50)


def written(folder: Path, records: str, pack: str = "plain") -> Path:
    return make_file({"records": records, "pack": pack}, folder)


def check_named(batch: CallBatch, why: str) -> None:
    (told,) = [p for p in reading_problems(batch, "plate.vcf") if "set aside" in p.problem]
    assert told.severity is Severity.WARNING
    assert told.value == "1:50"
    assert told.problem.startswith("1 record of this file was set aside, the others go on: ")
    # htslib stops counting ploidy at what it found; the words of BCF differ there.
    assert why in told.problem or "more than two alleles" in told.problem


@pytest.mark.parametrize(
    ("why", "pack"),
    [*((why, "plain") for why in BAD), *((why, "bcf") for why in list(BAD)[1:4])],
)
def test_one_bad_record_is_set_aside_and_named(tmp_path: Path, why: str, pack: str) -> None:
    head, tail = sound(4), sound(12).replace(sound(4), "")
    path = written(tmp_path, head + BAD[why] + tail, pack)
    batch = read_batch(path, batch="B", shown_as="plate.vcf")
    without = written(tmp_path, head + tail, pack)
    clean = read_batch(without, batch="B", shown_as="plate.vcf")
    assert by_marker(batch, "calls") == by_marker(clean, "calls")
    assert by_marker(batch, "phred") == by_marker(clean, "phred")
    assert len(batch.markers) == 11
    check_named(batch, why)
    assert not [n for n in clean.notes if "set aside" in n]


@pytest.mark.parametrize(("why", "pack"), [*((why, "plain") for why in BAD), (list(BAD)[1], "bcf")])
def test_a_file_of_which_most_are_so_is_refused(tmp_path: Path, why: str, pack: str) -> None:
    bad = BAD[why] + "".join(BAD[why].replace("1\t50\tbad", f"1\t{60 + i}\tbad{i}") for i in range(3))
    path = written(tmp_path, sound(3) + bad, pack)
    with pytest.raises(PlateError) as refused:
        read_batch(path, batch="B", shown_as="plate.vcf")
    told = {p.problem.partition(" (record")[0] for p in refused.value.problems}
    assert len(refused.value.problems) >= 4
    assert all(why in t or "more than two alleles" in t for t in told)
    if pack == "plain":
        assert [p.row for p in refused.value.problems][:1] == [8]  # the header has four lines


def test_damage_beside_a_record_set_aside_still_refuses_the_file(tmp_path: Path) -> None:
    cut = "1\t900\tm\tA\tG\t.\tPASS\t.\tGT\t0/0\t0/x\t1/1\n"
    path = written(tmp_path, sound(4) + BAD["no genotypes"] + cut)
    with pytest.raises(PlateError, match="This is not a genotype"):
        read_batch(path, batch="B")


def test_the_outcome_depends_neither_on_chunks_nor_on_regions(tmp_path: Path) -> None:
    # Every 7th record is unfit by its PL, every 11th tetraploid; thinned to 40 markers.
    rng = np.random.default_rng(5)
    rows = []
    for i in range(400):
        pos = 100 * (i + 1)
        gts = [["0/0", "0/1", "1/1"][k] for k in rng.integers(0, 3, 3)]
        pls = ["0,9,90", "9,0,90", "90,9,0"]
        if i % 11 == 5:
            gts[1] = "0/0/0/1"
        if i % 7 == 3:
            pls[2] = "90,9,0,1"
        cells = "\t".join(f"{g}:{p}" for g, p in zip(gts, pls, strict=True))
        rows.append(f"1\t{pos}\tm{i}\tA\tG\t.\tPASS\t.\tGT:PL\t{cells}\n")
    path = tmp_path / "p.vcf.gz"
    path.write_bytes(bgzf((HEADER + "".join(rows)).encode(), 700))
    whole = read_batch(path, batch="B", max_markers=40)
    if shutil.which("bcftools") is None:
        pytest.skip("bcftools is not on this machine")
    subprocess.run(["bcftools", "index", str(path)], check=True)
    parts = []
    for i, group in enumerate(regions(path, 5)):
        write_part(tmp_path / f"part{i}", read_region(path, group, max_markers=40))
        parts.append(read_part(tmp_path / f"part{i}"))
    assert len(parts) > 2
    joined = merge_regions(parts, batch="B", shown_as=str(path))
    assert joined.markers.ids.tolist() == whole.markers.ids.tolist()
    assert joined.notes == whole.notes
    assert by_marker(joined, "phred") == by_marker(whole, "phred")
    unfit = {f"m{i}" for i in range(400) if i % 7 == 3 or i % 11 == 5}
    assert not unfit & set(whole.markers.ids.tolist())
    assert any(n.startswith("36 ") and "4 alleles" in n for n in whole.notes)  # 5, 16, ... 390


def test_a_bcf_whose_alleles_are_no_text_is_refused(tmp_path: Path) -> None:
    text = HEADER + sound(3).replace("\tA\tG\t", "\tA\tGGGG\t")
    whole = to_bcf(text, tmp_path)
    raw = gzip.decompress(whole)
    assert raw.count(b"GGGG") == 3
    path = tmp_path / "p.bcf"
    path.write_bytes(bgzf(raw.replace(b"GGGG", b"\x85GGG", 1)))
    with pytest.raises(PlateError, match=r"Record 1 is not UTF-8 text|malformed"):
        read_batch(path, batch="B")
