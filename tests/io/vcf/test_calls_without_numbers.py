"""A genotype that lost its PL or AD, as in a merge of files, is known by its call; cases made by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import crossproof
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import Evidence
from crossproof.season.templates import new_season

MARKERS = 40
HEAD = "##fileformat=VCFv4.3\n##contig=<ID=1>\n"
FORMATS = {
    "GT": '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n',
    "PL": '##FORMAT=<ID=PL,Number=G,Type=Integer,Description="Likelihoods">\n',
    "AD": '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Depths">\n',
}
CLEAR = {
    "PL": {"0/0": "0,90,255", "0/1": "90,0,90", "1/1": "255,90,0"},
    "AD": {"0/0": "20,0", "0/1": "10,10", "1/1": "0,20"},
}


def vcf(key: str, lost: str | None) -> str:
    """Two lines twice, fixed for different alleles, and their hybrid, which has no `key` of its own."""
    names = ("S01", "S02", "S03", "S04", "S05")
    lines = [HEAD + FORMATS["GT"] + FORMATS[key].rstrip("\n")]
    lines.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names]))
    for i in range(MARKERS):
        mother, father = ("0/0", "1/1") if i % 2 else ("1/1", "0/0")
        cells = [f"{g}:{CLEAR[key][g]}" for g in (mother, mother, father, father)]
        cells.append("0/1" if lost is None else f"0/1:{lost}")
        lines.append(
            "\t".join(["1", str(i * 100 + 1), f"M{i:02d}", "A", "G", ".", "PASS", ".", f"GT:{key}", *cells])
        )
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("key", "lost"),
    [("PL", "."), ("PL", ".,.,."), ("PL", None), ("AD", "."), ("AD", ".,."), ("AD", None), ("AD", "0,0")],
)
def test_clear_calls_without_numbers_give_a_clear_verdict(tmp_path: Path, key: str, lost: str | None) -> None:
    folder = tmp_path / "season"
    new_season(folder)
    (folder / "genotypes" / "plate1.vcf").write_text(vcf(key, lost))
    config = (folder / "config.yaml").read_text().replace("plate1.csv, layout: wide", "plate1.vcf")
    (folder / "config.yaml").write_text(config)
    batch = read_batch(folder / "genotypes" / "plate1.vcf", batch="B01")
    assert batch.evidence is (Evidence.LIKELIHOODS if key == "PL" else Evidence.DEPTHS)
    verdict: pd.Series = crossproof.verify(folder).iloc[0]
    assert verdict["verdict"] == "hybrid"
    assert verdict["call_rate"] == 1.0


def test_reference_calls_filled_in_at_no_read_say_nothing(tmp_path: Path) -> None:
    text = vcf("AD", "0,0").replace("0/1:0,0", "0/0:0,0")
    (tmp_path / "filled.vcf").write_text(text)
    (block,) = read_batch(tmp_path / "filled.vcf", batch="B").blocks
    assert (block.calls[:, 4] == -1).all()
    np.testing.assert_array_equal(block.depths[:, 4], 0)
