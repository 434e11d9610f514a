"""What is told of a genotype file that can be read, but not all of it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner
from odd_seasons import base, write

from crossproof.cli import main
from crossproof.io.genotypes import read_batch
from crossproof.io.reading_problems import reading_problems

RECORD = "1\t{pos}\tM{pos}\tA\tG\t.\tPASS\t.\t{form}\t{samples}\n"
SAMPLES = ("S-m1", "S-m2", "S-f1", "S-f2", "P1", "P2", "P3", "S-blank")
CALLS = ("0/0", "0/0", "1/1", "1/1", "0/1", "0/1", "0/0", "./.")


def vcf(number: str, form: str = "GT:AD", values: str = "3") -> str:
    """A file of 12 markers whose header gives AD this Number. Invented."""
    head = (
        "##fileformat=VCFv4.2\n"
        f'##FORMAT=<ID=AD,Number={number},Type=Integer,Description="depth">\n'
        "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t" + "\t".join(SAMPLES) + "\n"
    )
    cells = "\t".join(f"{c}:{values}" for c in CALLS)
    return head + "".join(RECORD.format(pos=i, form=form, samples=cells) for i in range(1, 13))


def season(folder: Path, text: str, evidence: str = "auto") -> Path:
    write(folder, base())
    (folder / "genotypes" / "plate1.csv").write_text(text, encoding="utf-8")
    config = folder / "config.yaml"
    old = config.read_text(encoding="utf-8")
    config.write_text(old.replace("layout: wide", f"evidence: {evidence}"), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("number", "form", "values", "evidence", "told"),
    [
        ("1", "GT:AD", "3", "auto", True),
        ("3", "GT:AD", "3,4,5", "auto", True),
        ("R", "GT:AD", "3,4", "auto", False),
        (".", "GT:AD", "3,4", "auto", False),
        ("1", "GT:AD:PL", "3:9,0,9", "auto", False),  # likelihoods are read, depths would not be
        ("1", "GT:AD", "3", "calls", False),  # not asked for
        ("1", "GT:DP", "3", "auto", False),  # declared, but in no record
    ],
)
def test_depths_that_are_not_read_are_told_of(
    number: str, form: str, values: str, evidence: str, told: bool, tmp_path: Path
) -> None:
    folder = season(tmp_path / "season", vcf(number, form, values), evidence)
    done = CliRunner().invoke(main, ["check", str(folder)])
    assert done.exit_code == 0, done.output
    with (folder / "results" / "problems.csv").open(encoding="utf-8", newline="") as handle:
        said = [p for p in csv.DictReader(handle) if p["column"] == "AD"]
    assert len(said) == told
    for problem in said:
        assert problem["severity"] == "warning"
        assert problem["file"] == "genotypes/plate1.csv"
        assert problem["value"] == "12 records"
        assert "Number=R" in problem["remedy"]


def test_the_remedy_ends_the_warning(tmp_path: Path) -> None:
    path = tmp_path / "plate"
    path.write_text(vcf("1"), encoding="utf-8")
    assert len(reading_problems(read_batch(path, batch="B"), "plate")) == 1
    path.write_text(vcf("R", values="3,4"), encoding="utf-8")
    batch = read_batch(path, batch="B")
    assert reading_problems(batch, "plate") == []
    assert batch.evidence.value == "depths"


@pytest.mark.slow
def test_a_run_tells_of_it_too(tmp_path: Path) -> None:
    folder = season(tmp_path / "season", vcf("1"))
    done = CliRunner().invoke(main, ["run", str(folder)])
    assert done.exit_code == 0, done.output
    with (folder / "results" / "problems.csv").open(encoding="utf-8", newline="") as handle:
        assert [(p["file"], p["column"]) for p in csv.DictReader(handle) if p["column"] == "AD"] == [
            ("genotypes/plate1.csv", "AD")
        ]
