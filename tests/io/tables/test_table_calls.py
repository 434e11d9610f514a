"""What calls of a laid-out table mean, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.io.problems import Problems
from crossproof.io.tables.layouts import Cells, MarkerInfo
from crossproof.io.tables.table_calls import CallWays, calls_of_table
from crossproof.model.sentinels import MISSING


@pytest.mark.parametrize(
    ("setting", "alleles", "counted"),
    [
        (None, ("A", "G"), ""),
        ("first", ("A", "G"), "A"),
        (" ALT ", ("A", "G"), "G"),
        ("second", ("A", "C", "G"), ""),
        ("T", (), "T"),
    ],
)
def test_the_allele_that_counts_speak_of(setting: str | None, alleles: tuple[str, ...], counted: str) -> None:
    assert CallWays((), setting, generic=False, other_strand=False, batch="B01").counted(alleles) == counted


def test_markers_of_two_and_three_alleles_are_read_into_blocks_of_their_own() -> None:
    texts = ["M1", "A/A", "A/G", "x", "A/C", "C/G"]
    codes = np.array([[1, 2, 3], [4, 5, 1], [2, 1, -1]])  # -1: no cell
    cells = Cells(["M1", "M2", "M3"], ["S1", "S2", "S3"], codes, texts, {"marker": np.array([2, 3, 4])}, {})
    ways = CallWays(frozenset({"X"}), None, generic=False, other_strand=False, batch="B01")
    blocks, markers, notes = calls_of_table(
        cells, {"M2": MarkerInfo(chrom="1", pos=7)}, ways, Problems("calls.csv", alike=True)
    )
    assert markers.alleles == (("A", "G"), ("A", "C", "G"), ("A", "G"))
    assert (markers.chrom[1], markers.pos[1], notes) == ("1", 7, [])
    two, three = blocks
    assert (two.k, two.rows.tolist(), three.k, three.rows.tolist()) == (2, [0, 2], 3, [1])
    assert two.calls.tolist() == [[[0, 0], [0, 1], [MISSING] * 2], [[0, 1], [0, 0], [MISSING] * 2]]
    assert three.calls.tolist() == [[[0, 1], [1, 2], [0, 0]]]


def test_measurements_are_told_from_calls() -> None:
    texts = [f"{i}.5" for i in range(6000)]
    cells = Cells(["M1"], [f"S{i}" for i in range(6000)], np.arange(6000)[None, :], texts, {}, {})
    problems = Problems("calls.csv", alike=True)
    with pytest.raises(Exception, match="6000 different values"):
        calls_of_table(cells, {}, CallWays((), None, False, False, "B01"), problems)
