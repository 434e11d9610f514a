"""Two to four genotype files that disagree in names, contigs, ploidy, samples, format and evidence.

`check` never fails on them, and is never silent: a file that can be joined to no other, or samples that no
sheet lists, are named. All names and calls are invented.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from odd_seasons import _BASES, MARKERS, Well, base, call, sample_rows, sheet, table_of, wells, write

from crossproof.steps.checking import check_season

CASES = int(os.environ.get("CROSSPROOF_FUZZ", "40"))
RENAMES: tuple[Callable[[str], str], ...] = (
    lambda m: m,
    lambda m: m,
    str.lower,
    lambda m: m.replace("M0", "M"),
    lambda m: f"S{m}",
    lambda m: m.replace("M", "M-"),
)
KINDS = ("wide", "wide-by-marker", "long", "GT", "GT:PL", "GT:AD", "haploid", "one triploid", "nameless")


@dataclass
class File:
    """A genotype file of a made-up season."""

    batch: str
    kind: str
    wells: tuple[Well, ...]
    markers: tuple[str, ...]
    listed: bool


def vcf(file: File, contig: str) -> str:
    lines = []
    for i, name in enumerate(file.markers):
        ref = _BASES[i % 4][0]
        cells = []
        for w in file.wells:
            said = call(w.kind, i).split("/")
            gt = "./." if len(said) < 2 else "/".join("0" if a == ref else "1" for a in said)
            if file.kind == "haploid" and gt[0] == gt[-1]:
                gt = gt[0]
            if file.kind == "one triploid" and i == 3:
                gt = "0/0/1"
            more = ""
            if file.kind == "GT:PL":
                more = ":" + {"0/0": "0,9,90", "0/1": "9,0,90", "1/1": "90,9,0"}.get(gt, ".")
            elif file.kind == "GT:AD":
                more = ":" + ("." if "." in gt else f"{9 * gt.count('0')},{9 * gt.count('1')}")
            cells.append(gt + more)
        shown = "." if file.kind == "nameless" else name
        form = file.kind if ":" in file.kind else "GT"
        fixed = [contig, str(100 * (i + 1)), shown, *_BASES[i % 4], ".", ".", ".", form]
        lines.append("\t".join([*fixed, *cells]))
    head = "##fileformat=VCFv4.2\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t"
    return head + "\t".join(w.sample for w in file.wells) + "\n" + "\n".join(lines) + "\n"


def text_of(file: File, rng: np.random.Generator) -> str:
    names = [w.sample for w in file.wells]
    if file.kind == "wide":
        return table_of(file.wells, file.markers)
    if file.kind == "long":
        return "sample_id,marker,call\n" + "".join(
            f"{w.sample},{m},{call(w.kind, i)}\n" for w in file.wells for i, m in enumerate(file.markers)
        )
    if file.kind == "wide-by-marker":
        rows = [[m, *(call(w.kind, i) for w in file.wells)] for i, m in enumerate(file.markers)]
        return "\n".join(",".join(row) for row in [["marker", *names], *rows]) + "\n"
    return vcf(file, str(rng.choice(["1", "chr1", "Chr01"])))


def make(folder: Path, seed: int) -> list[File]:
    rng = np.random.default_rng(seed)
    write(folder, base())
    rows = sample_rows(wells())
    entries = ""
    files = []
    for k in range(int(rng.integers(1, 4))):
        batch = f"B{k + 2:02d}"
        own = tuple(
            replace(
                w,
                sample=w.sample if rng.random() < 0.5 else f"{w.sample}-{k}",
                batch=batch,
                plate=f"plate{k + 2}",
                plant="" if rng.random() < 0.5 else w.plant,
            )
            for w in wells()
            if w.kind != "mother" or rng.random() < 0.8
        )
        rename = RENAMES[int(rng.integers(len(RENAMES)))]
        listed = bool(rng.random() < 0.85)
        file = File(batch, str(rng.choice(KINDS)), own, tuple(map(rename, MARKERS)), listed)
        files.append(file)
        (folder / "genotypes" / batch).write_text(text_of(file, rng), encoding="utf-8")
        layout = f", layout: {file.kind}" if file.kind in KINDS[:3] else ""
        entries += f"  - {{batch: {batch}, path: genotypes/{batch}{layout}}}\n"
        if listed:
            own_rows = sample_rows(own)
            if rng.random() < 0.15:
                own_rows = [{**row, "batch": ["", "B99"][int(rng.integers(2))]} for row in own_rows]
            rows += own_rows
    config = folder / "config.yaml"
    config.write_text(config.read_text(encoding="utf-8") + entries, encoding="utf-8")
    (folder / "samples" / "plate1.csv").write_text(sheet(rows), encoding="utf-8")
    return files


def alone(file: File, files: Sequence[File]) -> bool:
    """Whether no other file has a marker of this one, by name (a record without a name has none)."""
    if file.kind == "nameless":
        return not any(f is not file and f.kind == "nameless" for f in files)
    others = {m for f in files if f is not file and f.kind != "nameless" for m in f.markers}
    return not set(file.markers) & (others | set(MARKERS))


def check(folder: Path, seed: int) -> None:
    files = make(folder, seed)
    problems = check_season(folder)
    assert all(p.file and p.problem and p.remedy for p in problems)
    for file in files:
        about = [p for p in problems if p.file == f"genotypes/{file.batch}"]
        if alone(file, files) or not file.listed:
            told = about or [p for p in problems if p.column in ("marker", "batch", "sample_id")]
            assert told, (seed, file.batch, file.kind)
        if file.kind == "one triploid":
            assert any("has 3 alleles" in p.problem for p in about), (seed, [p.problem for p in about])


def test_files_that_disagree_are_checked_and_never_passed_over(tmp_path: Path) -> None:
    for seed in range(CASES):
        check(tmp_path / str(seed), seed)


@pytest.mark.slow
def test_many_files_that_disagree_are_checked_and_never_passed_over(tmp_path: Path) -> None:
    for seed in range(1000, 1000 + 6 * CASES):
        check(tmp_path / str(seed), seed)
