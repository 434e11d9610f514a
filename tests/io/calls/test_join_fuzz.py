"""Several files of the same plants, each written in its own way, against what the plants are.

The reference is the made-up truth itself: every plant has two alleles at every marker, and each file writes
them with its own strand, order of alleles, ploidy, format, evidence, contigs and samples. Whatever is joined
must be the truth again, on one strand for all files, or the marker must be set aside and named.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from crossproof.io.calls.batch_join import JoinedCalls, join_batches
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import CallBatch, genotype_alleles

CASES = int(os.environ.get("CROSSPROOF_FUZZ", "120"))
MATE = {"A": "T", "C": "G", "G": "C", "T": "A"}
KINDS = ("vcf", "vcf", "vcf-pl", "vcf-ad", "wide", "by-marker", "long")
Call = tuple[str, str]
"""Two alleles by name; "." where not seen, "" in the second place of a haploid call."""


@dataclass
class Truth:
    """What the plants are, on the forward strand: marker -> alleles; marker -> plant -> its two alleles."""

    alleles: dict[str, tuple[str, ...]]
    calls: dict[str, dict[str, Call]]


@dataclass
class Written:
    """A file, and what stands in it: marker -> plant -> call, on the forward strand."""

    batch: str
    path: Path
    kind: str
    turned: frozenset[str]
    calls: dict[str, dict[str, Call]]


def make_truth(rng: np.random.Generator) -> Truth:
    plants = [f"p{i}" for i in range(int(rng.integers(3, 9)))]
    alleles: dict[str, tuple[str, ...]] = {"PROOF": ("A", "G")}
    for m in range(int(rng.integers(1, 7))):
        how = rng.random()
        if how < 0.25:
            pair = [("A", "T"), ("C", "G")][int(rng.integers(2))]
            alleles[f"M{m}"] = pair if rng.random() < 0.5 else pair[::-1]
        elif how < 0.85:
            alleles[f"M{m}"] = tuple(map(str, rng.choice(list("ACGT"), 2, replace=False)))
        elif how < 0.93:
            alleles[f"M{m}"] = tuple(map(str, rng.choice(list("ACGT"), 3, replace=False)))
        else:
            alleles[f"M{m}"] = ("A", "ACC")
    calls = {}
    for name, options in alleles.items():
        share = rng.random()
        ones = [
            options[min(int(rng.random() > share) * int(rng.integers(1, 3)), len(options) - 1)]
            for _ in plants
        ]
        twos = [options[min(int(rng.random() > share), len(options) - 1)] for _ in plants]
        calls[name] = dict(zip(plants, zip(ones, twos, strict=True), strict=True))
    # The strand of a whole file can be told where a marker shows two alleles that are no mates.
    calls["PROOF"] |= {plants[0]: ("A", "A"), plants[1]: ("G", "G"), plants[2]: ("A", "G")}
    return Truth(alleles, calls)


def turn(call: Call) -> Call:
    return MATE.get(call[0], call[0]), MATE.get(call[1], call[1])


def write(truth: Truth, number: int, folder: Path, rng: np.random.Generator) -> Written:
    kind = str(rng.choice(KINDS))
    plants = list(next(iter(truth.calls.values())))
    some = [p for p in plants if rng.random() < 0.7]
    plants = list(dict.fromkeys([*plants[:3], *some]))
    rng.shuffle(plants)
    markers = [m for m in truth.alleles if m == "PROOF" or rng.random() < 0.8]
    rng.shuffle(markers)
    bases = {m for m in markers if all(a in MATE for a in truth.alleles[m])}
    turned: set[str] = set()
    if rng.random() < 0.35:
        turned = bases
    elif rng.random() < 0.2:  # as some arrays do: strand by marker, which its alleles show
        plain = {m for m in bases if not {MATE[a] for a in truth.alleles[m]} & set(truth.alleles[m])}
        turned = {m for m in sorted(plain - {"PROOF"}) if rng.random() < 0.5}
    calls: dict[str, dict[str, Call]] = {}
    for m in markers:
        calls[m] = {}
        for p in plants:
            call = truth.calls[m][p]
            draw = rng.random()
            if m == "PROOF" and p in list(truth.calls[m])[:3]:
                draw = 1.0
            if draw < 0.1:
                call = (".", ".")
            elif draw < 0.18 and kind == "vcf":
                call = (call[0], ".") if draw < 0.14 else (call[0], "")
            calls[m][p] = call
    path = folder / f"f{number}"
    shown = {m: {p: turn(c) if m in turned else c for p, c in row.items()} for m, row in calls.items()}
    names = {m: [MATE[a] if m in turned else a for a in truth.alleles[m]] for m in markers}
    text = _vcf(kind, shown, names, plants, rng) if kind.startswith("vcf") else _table(kind, shown, plants)
    path.write_text(text, encoding="utf-8")
    return Written(f"B{number}", path, kind, frozenset(turned), calls)


def _vcf(
    kind: str,
    calls: dict[str, dict[str, Call]],
    names: dict[str, list[str]],
    plants: Sequence[str],
    rng: np.random.Generator,
) -> str:
    contig = "chr1" if rng.random() < 0.3 else "1"
    head = "##fileformat=VCFv4.2\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT"
    lines = []
    for m, row in calls.items():
        seen = [a for a in names[m] if any(a in c for c in row.values())] or names[m][:1]
        alleles = seen if rng.random() < 0.4 else names[m]
        if "ACC" not in alleles:
            alleles = [str(a) for a in rng.permutation(alleles)]
        elif alleles == ["ACC"]:
            alleles = ["A", "ACC"]
        cells = []
        for p in plants:
            a, b = row[p]
            numbers = [str(alleles.index(x)) if x in alleles else x for x in (a, b)]
            gt = (
                numbers[0] if numbers[1] == "" else "/".join(numbers if rng.random() < 0.5 else numbers[::-1])
            )
            if kind == "vcf-pl":
                pl = ["." if a == "." else "0" if {x, y} == {a, b} else "40" for x, y in _pairs(alleles)]
                gt += ":" + (",".join(pl) if a != "." else ".")
            elif kind == "vcf-ad":
                gt += ":" + (",".join(str(9 * ((x == a) + (x == b))) for x in alleles) if a != "." else ".")
            cells.append(gt)
        pos = 100 * (1 + sorted(names).index(m))
        form = {"vcf": "GT", "vcf-pl": "GT:PL", "vcf-ad": "GT:AD"}[kind]
        alt = ",".join(alleles[1:]) or "."
        lines.append("\t".join([contig, str(pos), m, alleles[0], alt, ".", ".", ".", form, *cells]))
    return head + "\t" + "\t".join(plants) + "\n" + "\n".join(lines) + "\n"


def _pairs(alleles: Sequence[str]) -> list[Call]:
    return [(alleles[a], alleles[b]) for b in range(len(alleles)) for a in range(b + 1)]


def _table(kind: str, calls: dict[str, dict[str, Call]], plants: Sequence[str]) -> str:
    def cell(call: Call) -> str:
        return "" if call[0] == "." else "/".join(call)

    if kind == "wide":
        rows = [["sample_id", *calls]] + [[p, *(cell(calls[m][p]) for m in calls)] for p in plants]
    elif kind == "by-marker":
        rows = [["marker", *plants]] + [[m, *(cell(calls[m][p]) for p in plants)] for m in calls]
    else:
        rows = [["sample_id", "marker", "call"]] + [[p, m, cell(calls[m][p])] for p in plants for m in calls]
    return "\n".join(",".join(row) for row in rows) + "\n"


def read(written: Written, truth: Truth) -> CallBatch:
    layout = {"wide": "wide", "by-marker": "wide-by-marker", "long": "long"}.get(written.kind)
    known = set(next(iter(truth.calls.values())))
    return read_batch(written.path, batch=written.batch, layout=layout, known_samples=known)


def spelled(joined: JoinedCalls, batch: CallBatch) -> dict[str, dict[str, list[Call]]]:
    """What the joined arrays say: marker -> plant -> the call, and what likelihoods and depths show."""
    out: dict[str, dict[str, list[Call]]] = {}
    for block in joined.blocks(batch):
        pairs = genotype_alleles(block.k)
        for i, row in enumerate(block.rows.tolist()):
            names = joined.markers.alleles[row]
            for s, plant in enumerate(batch.samples):
                one, two = (int(x) for x in block.calls[i, s])
                said = [
                    (
                        names[one] if one >= 0 else ".",
                        {-1: ".", -2: ""}.get(two) or names[two] if two != -2 else "",
                    )
                ]
                if block.phred is not None and one >= 0 and two >= 0:
                    best = pairs[int(block.phred[i, s].argmin())]
                    assert int((block.phred[i, s] == 0).sum()) == 1
                    said.append((names[best[0]], names[best[1]]))
                if block.depths is not None and one >= 0 and two >= 0:
                    seen = [names[a] for a in np.flatnonzero(block.depths[i, s]).tolist()]
                    said.append((seen[0], seen[-1]))
                out.setdefault(str(joined.markers.ids[row]), {})[plant] = said
    return out


def same(one: Call, other: Call) -> bool:
    if "" in one or "" in other:
        return one == other
    return sorted(one) == sorted(other)


def check(seed: int, folder: Path) -> tuple[int, int]:
    """Make, read, join and compare one season; returns how many markers were kept and set aside."""
    rng = np.random.default_rng(seed)
    truth = make_truth(rng)
    written = [write(truth, i, folder, rng) for i in range(int(rng.integers(2, 6)))]
    batches = [read(w, truth) for w in written]
    joined = join_batches(batches)
    kept = set(joined.markers.ids.tolist())
    there = set().union(*(w.calls for w in written))
    aside = there - kept
    assert kept <= there
    told = {p.column for p in joined.problems if "is set aside" in p.problem}
    assert aside == told, "a marker is gone without a word, or named though it is there"
    if not any(w.turned for w in written):
        assert not aside, (seed, joined.problems)
    said = [spelled(joined, b) for b in batches]
    for m in kept:
        # A file in which nobody has a call of a marker says nothing of it, and need not hold it.
        holders = [
            (w, s)
            for w, s in zip(written, said, strict=True)
            if m in s or any(call != (".", ".") for call in w.calls.get(m, {}).values())
        ]

        def fits(turned: bool, m: str = m, holders: list = holders) -> bool:
            return all(
                same(turn(w.calls[m][p]) if turned else w.calls[m][p], call)
                for w, s in holders
                for p, calls in s[m].items()
                for call in calls
            )

        assert all(set(s[m]) == set(w.calls[m]) for w, s in holders), (seed, m)
        assert fits(False) or fits(True), (
            seed,
            m,
            truth.alleles[m],
            [(w.kind, m in w.turned, w.calls[m], s[m]) for w, s in holders],
        )
    return len(kept), len(aside)


def test_files_written_in_different_ways_join_to_the_truth(tmp_path: Path) -> None:
    kept = aside = 0
    for seed in range(CASES):
        one, two = check(seed, tmp_path)
        kept, aside = kept + one, aside + two
    assert kept > 2 * aside > 0


@pytest.mark.slow
def test_many_files_written_in_different_ways_join_to_the_truth(tmp_path: Path) -> None:
    for seed in range(10_000, 11_500):
        check(seed, tmp_path)
