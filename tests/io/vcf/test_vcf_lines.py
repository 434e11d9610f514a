"""Cells of VCF lines, and lines that are no row of the table: expected values counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.io.problems import Problems
from crossproof.io.vcf.header import VcfHeader
from crossproof.io.vcf.lines import cell_ends

GOOD = b"1\t5\t.\tA\tG\t.\t.\t.\tGT\t0/1"


def read(text: bytes, *, crlf: bool = False, known_lines: bool = True):
    header = VcfHeader(("S1",), 3, crlf, {}, {}, ())
    problems = Problems("calls.vcf")
    data, ends, numbers = cell_ends(text, 4, header, problems, known_lines=known_lines)
    return data, ends, numbers.tolist(), problems.listed()


def test_sound_lines_are_a_table_of_ends() -> None:
    data, ends, numbers, problems = read(GOOD + b"\n" + GOOD + b"\n")
    assert (numbers, problems, ends.shape) == ([4, 5], [], (2, 10))
    assert bytes(data[i] for i in ends[1]) == b"\t" * 9 + b"\n"
    assert np.diff(ends[0]).tolist() == [2, 2, 2, 2, 2, 2, 2, 3, 4]


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"", "The line is empty."),
        (b"#CHROM\tPOS", "There is a header line among the records: two files seem to be joined end to end."),
        (GOOD + b"\r", "The line holds a carriage return (CR) that is not part of its line end."),
        (GOOD.replace(b"A", b"\x07"), "The line holds a control character (code 7)."),
        (GOOD[:-4], "The line has 9 columns, the header 10."),
        (
            GOOD.replace(b"\t", b" "),
            "The line has 1 columns, the header 10. The columns seem to be separated by spaces, not tabs.",
        ),
    ],
)
def test_a_line_that_is_no_row_is_left_out_and_told(line: bytes, problem: str) -> None:
    data, ends, numbers, problems = read(GOOD + b"\n" + line + b"\n" + GOOD + b"\n")
    assert (data, len(ends), numbers) == ((GOOD + b"\n") * 2, 2, [4, 6])
    assert [(p.row, p.problem) for p in problems] == [(5, problem)]
    assert [p.row for p in read(line + b"\n", known_lines=False)[3]] == [None]


def test_line_ends_are_alike_throughout() -> None:
    data, _, numbers, problems = read(GOOD + b"\r\n" + GOOD + b"\n", crlf=True)
    assert (data, numbers) == (GOOD + b"\r\n", [4])
    assert "two files seem to be pasted together" in problems[0].problem
