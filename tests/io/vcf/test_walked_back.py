"""Values read from the ends of samples back, and whole lines of pieces, against splitting the text.

What a sample holds is told here by `str.split` after the VCF specification (section 1.6.2: fields are
separated by colons, values by commas, '.' is a missing one; trailing fields may be left out).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from crossproof.io.vcf import fields
from crossproof.io.vcf.fields import parse_numeric
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import Refused
from crossproof.io.vcf.lines import WholeLines
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED
from crossproof.io.vcf.tokens import LENT, NO_VALUE, ZERO, words_before
from crossproof.io.vcf.walked_back import values_by_field, walk_back

HEAD = "1\t7\tm,1:2\tA\tG\t.\tPASS\tX=1,2:3\tGT:AD:DP:PL\t"
ODD = [
    "0:1,2:3:5,0",
    "0/1:1,2:3",
    "./.:.:.:.",
    ".",
    "0/1:12,1000:3:0,5,2000",
    "/0/1:3,4:7:0,1,2",
    "0/10:3,4:7:0,1,2",
    "0/1:3,.:7:0,.,2",
    "0/1:3,4:x:0,1,2",
    "0:5:3,4:0,1,2",
]


def samples_of(rng: np.random.Generator, count: int, odd: float, others: Sequence[str] = ODD) -> list[str]:
    """Invented samples of GT:AD:DP:PL, a share of them of another shape."""
    out = []
    for _ in range(count):
        a, b, *likely = rng.integers(0, 10 ** rng.integers(1, 4), 5).tolist()
        gt = rng.choice(["0/0", "0|1", "1/1", "./."])
        usual = f"{gt}:{a},{b}:{a + b}:{','.join(map(str, likely))}"
        out.append(str(rng.choice(others)) if rng.random() < odd else usual)
    return out


def by_splitting(sample: str) -> tuple[list[int], list[int]] | None:
    """Depths, and likelihoods with the best at 0; None for a haploid call, where splitting is not enough."""
    cells = dict(zip(("GT", "AD", "DP", "PL"), sample.split(":"), strict=False))
    if len(cells["GT"].strip("/|")) < 3 and cells["GT"] != ".":
        return None
    ad, pl = (cells.get(key, ".").split(",") for key in ("AD", "PL"))
    depths = [NO_DEPTH] * 2 if "." in ad else [int(v) for v in ad]
    phred = [NO_PHRED] * 3 if "." in pl else [min(int(v) - min(map(int, pl)), 255) for v in pl]
    return depths, phred


@pytest.mark.parametrize(
    ("odd", "others"),
    [(0.0, ODD), (0.02, ODD), (0.5, ODD), (0.3, ["./.:0,0:0"]), (0.6, ["0|1:.:9:7,0,8", "."])],
)
@pytest.mark.parametrize("some", [False, True])
def test_same_as_splitting(
    odd: float, others: list[str], some: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(4)
    walked = []
    monkeypatch.setattr(fields, "walk_back", lambda *a: walked.append(1) or walk_back(*a))
    for n, m in ((3, 2), (101, 9)):
        records = [samples_of(rng, n, odd, others) for _ in range(m)]
        data = "".join(HEAD + "\t".join(r) + "\n" for r in records).encode()
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) < 32).reshape(m, n + 9)
        columns = np.arange(0, n, 2) if some else np.arange(n)
        refused: list[tuple[int, int]] = []
        got = parse_numeric(
            data,
            ends[:, 8] + 1,
            ends[:, -1],
            n,
            columns,
            [FieldLayout.parse("GT:AD:DP:PL", {})] * m,
            np.full(m, 2),
            want_phred=True,
            want_depths=True,
            refuse=lambda i, c, value, fault, refused=refused: refused.append((i, c)),
            table=ends,
        ).groups[2]
        assert got.phred is not None
        assert got.depths is not None
        for i, record in enumerate(records):
            for c, column in enumerate(columns.tolist()):
                told = by_splitting(record[column])
                if told is not None:
                    assert (got.depths[i, c].tolist(), got.phred[i, c].tolist()) == told
                # Only the last of the odd ones is against the rules: a haploid call before one depth alone.
                assert ((i, c) in refused) == (record[column] == ODD[-1])
    assert walked


def test_refusals_name_their_sample() -> None:
    cells = ["0/1:3,4:7:0,1,2"] * 40
    cells[17] = "0/1:3,x:7:0,1,2"
    data = (HEAD + "\t".join(cells) + "\n").encode() * 3
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) < 32).reshape(3, 49)
    refused: list[tuple[int, int, str, str]] = []

    def refuse(i: int, c: int, value: str, fault: Refused) -> None:
        refused.append((i, c, value, fault.why))

    parse_numeric(
        data,
        ends[:, 8] + 1,
        ends[:, -1],
        40,
        np.arange(1, 40),
        [FieldLayout.parse("GT:AD:DP:PL", {})] * 3,
        np.full(3, 2),
        want_phred=True,
        want_depths=True,
        refuse=refuse,
        table=ends,
    )
    why = "AD holds 'x', which is not a whole number of at least 0."
    assert refused == [(i, 16, cells[17], why) for i in range(3)]


def test_a_sample_of_another_shape_is_found_out() -> None:
    # Each would be misread by whoever believed the shape of the first.
    others = ["0:1:2,33,4", "0/1:1,2,34", "0/1:123:4:5", "0/1:1:2222", "0/12:1:23", "0/1,1:2,3", "0/1:1:a"]
    cells = ["0/1:12:3", *others, "1|0:.:999"]
    text = LENT + "".join(c + "\t" for c in cells).encode() + b"\n"
    stops = np.flatnonzero(np.frombuffer(text, np.uint8) == 9)[len(LENT) :]
    starts = np.concatenate(([len(LENT)], stops[:-1] + 1))
    values, good = walk_back(words_before(text), starts, stops, (1, 1, 1), {1, 2})
    assert good.tolist() == [True, *[False] * len(others), True]
    assert [v[0].tolist()[:: len(cells) - 1] for v in (values[1], values[2])] == [
        [12 + ZERO, NO_VALUE],
        [3 + ZERO, 999 + ZERO],
    ]


@pytest.mark.parametrize(
    ("sample", "told"),
    [
        (b"0/1:3,4:7", (1, 2, 1)),
        (b".|.:.", (1, 1)),
        (b"0:3", None),
        (b"0/1:1000", None),
        (b"0/1:", None),
        (b"0/1:-3", None),
        (b"", None),
    ],
)
def test_shape(sample: bytes, told: tuple[int, ...] | None) -> None:
    assert values_by_field(sample) == told


@pytest.mark.parametrize("size", [1, 2, 7, 50, 1000])
@pytest.mark.parametrize("end", [b"", b"no line break"])
def test_whole_lines(size: int, end: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crossproof.io.vcf.lines._CHUNK", 40)
    text = b"".join(b"x" * (i * 7 % 23) + b"\n" for i in range(60)) + end
    lines = WholeLines([text[i : i + size] for i in range(0, len(text), size)], most=100)
    chunks = list(lines)
    assert b"".join(chunks) + lines.rest == text
    assert all(chunk.endswith(b"\n") for chunk in chunks)
    assert (lines.rest, lines.too_long) == (end, False)
    assert size > 50 or len(chunks) > 10


def test_a_line_without_end_is_left_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crossproof.io.vcf.lines._CHUNK", 40)
    lines = WholeLines(iter([b"short\n", b"x" * 60, b"x" * 60, b"x" * 60, b"\n"]), most=100)
    assert (list(lines), lines.too_long) == ([b"short\n"], True)
