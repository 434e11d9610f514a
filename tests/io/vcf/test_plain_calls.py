"""The short ways through plain genotypes and numbers against the long ones, counts against scikit-allel."""

from __future__ import annotations

import re
from pathlib import Path

import allel
import numpy as np
import pytest

from crossproof.errors import PlateError
from crossproof.io.genotypes import read_batch
from crossproof.io.vcf import genotypes, text
from crossproof.io.vcf.marker_choice import marker_scores
from crossproof.io.vcf.phred import all_are
from crossproof.io.vcf.plain_calls import plain_calls
from crossproof.io.vcf.tokens import LENT, NO_VALUE, UNREADABLE, ZERO, Tokens
from crossproof.model.genotypes import MAX_ALLELES
from crossproof.season.file_outcomes import outcome_of_calls

HEAD = "##fileformat=VCFv4.3\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t"
SPELLINGS = np.array(["0/0", "0/1", "1|0", "1/1", "./.", "2|2", "./1"])


def file_of(rng: np.random.Generator, tail: str = "", samples: int = 11) -> str:
    names = "\t".join(f"s{i}" for i in range(samples))
    rows = []
    for i in range(200):
        cells = "\t".join(x + tail for x in rng.choice(SPELLINGS, samples))
        rows.append(f"chr1\t{7 * i + 1}\tm{i}\tA\tG,T\t.\tPASS\t.\tGT{':DP' if tail else ''}\t{cells}\n")
    return HEAD + names + "\n" + "".join(rows)


def read(path: Path, content: str) -> object:
    """What reading gives, or the problems it is refused for."""
    path.write_text(content, encoding="utf-8")
    try:
        batch = read_batch(path, batch="B", max_markers=150)
    except PlateError as refused:
        return refused.problems
    blocks = [(b.k, b.rows.tolist(), b.calls.tolist()) for b in batch.blocks]
    return batch.markers.ids.tolist(), batch.markers.pos.tolist(), blocks, batch.notes


HARM = {
    "nothing": lambda t: t,
    "an allele that is not listed": lambda t: t.replace("\t2|2", "\t3|2", 1),
    "no separator": lambda t: t.replace("\t0/1\t", "\t0.1\t", 1),
    "a tab too many": lambda t: t.replace("\t0/1\t", "\t0/1\t\t", 1),
    "a space for a tab": lambda t: t.replace("\t0/1\t", "\t0/1 ", 1),
    "two cells run together": lambda t: t.replace("\t0/1\t", "\t0/10/1\t", 1),
    "a haploid call": lambda t: t.replace("\t0/1\t", "\t1\t", 1),
    "a line cut": lambda t: re.sub(r"(\tm90\t.*)\t[^\t]+\n", r"\1\n", t),
    "a cell moved to the next line": lambda t: re.sub(r"\t(...)\n(chr1\t78\t)", r"\n\1\t\2", t),
    "a field before FORMAT gone": lambda t: t.replace("\tm50\tA\tG,T\t.", "\tm50\tA\tG,T", 1),
    "a control character": lambda t: t.replace("\tPASS\t", "\tPA\x01SS\t", 1),
    "a NUL in a call": lambda t: t.replace("\t0/1\t", "\t0\x001\t", 1),
    "no last line break": lambda t: t[:-1],
    "CR LF": lambda t: t.replace("\n", "\r\n"),
}


@pytest.mark.parametrize("tail", ["", ":7"])
@pytest.mark.parametrize("harm", HARM.values(), ids=HARM.keys())
def test_the_short_way_says_what_the_long_way_says(
    harm: object, tail: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = harm(file_of(np.random.default_rng(3), tail))  # type: ignore[operator]
    short = read(tmp_path / "a.vcf", content)
    monkeypatch.setattr(text, "plain_calls", lambda data, n: None)
    monkeypatch.setattr(genotypes, "usual_calls", lambda data, begin: None)
    assert read(tmp_path / "a.vcf", content) == short


def test_the_short_way_is_taken_where_it_may_be() -> None:
    content = file_of(np.random.default_rng(3))
    data = content[content.index("chr1") :].encode()
    found = plain_calls(data, 11)
    assert found is not None
    cells = [line.split("\t")[9:] for line in data.decode().splitlines()]
    wanted = [[[-1 if a == "." else int(a) for a in re.split(r"[/|]", c)] for c in row] for row in cells]
    assert found.calls.tolist() == wanted
    assert plain_calls(data, 10) is None
    assert plain_calls(data.replace(b"\t0/1\t", b"\t0.1\t", 1), 11) is None


def test_every_number_of_up_to_four_digits() -> None:
    values = [str(v) for v in range(10_000)] + ["0", "00", "007", "0000", "0012"]
    others = ["", ".", "..", "-1", "1.5", "1e3", "12345", "a", "1a", " 1", "+1", "0x1", "é", "１"]
    for mark in (b"\t", b"\n", b",", b":"):
        tokens = Tokens(LENT + mark.join(v.encode() for v in [*values, *others]) + mark)
        before = np.arange(len(LENT) - 1, len(tokens.marks) - 1)
        found = tokens.whole(before, 0, 1)[0].tolist()
        assert found[: len(values)] == [int(v) + ZERO for v in values]
        assert found[len(values) :] == [NO_VALUE if v == "." else UNREADABLE for v in others]


def test_a_short_number_is_told_whatever_stands_before_it() -> None:
    values = ["7", "07", "123", "45", ".", "", "9", "0", "1000", "1234"]
    text_of = [a + b + c + d for a in values for b in ",:\t" for c in values for d in ",:\t"]
    tokens = Tokens(LENT + "".join(text_of).encode())
    found = tokens.whole(np.arange(len(LENT) - 1, len(tokens.marks) - 1), 0, 1)[0].tolist()
    wanted = [v for a in values for _ in ",:\t" for c in values for _ in ",:\t" for v in (a, c)]
    told = {"": UNREADABLE, ".": NO_VALUE} | {v: int(v) + ZERO for v in values if v.isdigit()}
    assert found == [told[v] for v in wanted]


@pytest.mark.parametrize("columns", [1, 2, 3])
def test_all_values_of_a_cell_are_one_number(columns: int) -> None:
    rng = np.random.default_rng(columns)
    cells = rng.integers(253, 256, (40, 7, columns)).astype(np.uint8)
    assert np.array_equal(all_are(cells, 255), (cells == 255).all(axis=-1))
    assert not all_are(cells, 7).any()


def test_ends_of_samples_of_one_shape_and_of_several() -> None:
    def ends(kinds: list[int], samples: int) -> list[int]:
        return (Tokens(LENT + bytes(kinds)).sample_ends(samples) - len(LENT)).tolist()

    assert ends([58, 44, 9] * 4 + [58, 44, 10], 5) == [2, 5, 8, 11, 14]
    # as many marks in all, but not in each sample
    assert ends([58, 9, 58, 44, 44, 10], 2) == [1, 5]
    assert ends([9, 58, 9, 10], 3) == [0, 2, 3]


@pytest.mark.parametrize(
    ("text_of", "alike"),
    [
        (b"0:1,2\t0:1,2\n3:4,5\t6:7,8\n", True),
        (b"0:1,2\t0:1,2\r3:4,5\t6:7,8\r", True),
        (b"0:1,2\t0:1,2\n3:4,5\t6,7,8\n", False),
        (b"0:1,2\t0:1,2\n3:4,5\t6,7\n", False),
        (b"0:1,2\t0:1\n3:4,5\t6:7,8:9\n", False),
    ],
)
def test_samples_of_one_shape_are_told(text_of: bytes, alike: bool) -> None:
    assert Tokens(LENT + text_of).are_alike(2, 2) is alike


def test_scores_are_scikit_allels() -> None:
    rng = np.random.default_rng(8)
    for samples in (1, 7, 8, 20, 33):
        calls = rng.integers(-2, rng.integers(1, MAX_ALLELES + 1), (60, samples, 2)).astype(np.int8)
        panel = np.flatnonzero(rng.random(samples) < 0.5)
        for subset in (None, panel):
            seen = allel.GenotypeArray(np.maximum(calls, -1))
            counts = seen.count_alleles(
                max_allele=MAX_ALLELES - 1, subpop=None if subset is None else subset.tolist()
            )
            diversity = allel.heterozygosity_expected(counts.to_frequencies(fill=0), ploidy=2, fill=0)
            typed = (seen.values >= 0).any(axis=-1).mean(axis=1)
            wanted = np.floor(typed * diversity * 1000 + 1e-9).astype(int)
            assert marker_scores(calls, subset).tolist() == wanted.tolist()


def test_rates_of_samples_are_scikit_allels(tmp_path: Path) -> None:
    path = tmp_path / "a.vcf"
    path.write_text(file_of(np.random.default_rng(4)), encoding="utf-8")
    batch = read_batch(path, batch="B")
    outcome = outcome_of_calls(batch, "digest", "a.vcf")
    calls = allel.GenotypeArray(np.concatenate([b.calls for b in batch.blocks]))
    called = calls.count_called(axis=0)
    assert list(outcome.call_rate) == np.round(called / len(batch.markers), 6).tolist()
    assert list(outcome.heterozygosity) == np.round(calls.count_het(axis=0) / called, 6).tolist()
