"""Marker tables: every layout and notation, read back as written."""

from __future__ import annotations

import csv
import io
import time
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from genotype_cases import by_marker
from hypothesis import given, settings
from hypothesis import strategies as st

from crossproof.errors import PlateError
from crossproof.io.genotypes import read_batch
from crossproof.io.problems import Problems
from crossproof.io.tables.call_notation import (
    IUPAC_PAIRS,
    MISSING_TEXTS,
    Notation,
    read_marker,
    split_alleles,
)
from crossproof.io.tables.grid import read_grid
from crossproof.io.tables.layouts import ABOUT_MARKER, heading_key
from crossproof.model.genotypes import MAX_ALLELES
from crossproof.model.sentinels import ABSENT, MISSING

# --- one marker


def test_iupac_letters_are_those_of_the_standard() -> None:
    # Cornish-Bowden 1985, Nucleic Acids Res 13:3021-3030, Table 1 (memory).
    assert IUPAC_PAIRS == {"R": "AG", "Y": "CT", "M": "AC", "K": "GT", "S": "CG", "W": "AT"}


def test_missing_spellings_of_the_design_are_all_there() -> None:
    assert {"", "-", "NA", "N", "NN", "./.", "?"} <= MISSING_TEXTS


def read(texts: list[str], declared: str = "", counted: str | None = None, maternal: bool = False):
    return read_marker(texts, declared=split_alleles(declared), counted=counted, maternal=maternal)


@pytest.mark.parametrize(
    ("declared", "counted", "why"),
    [
        ("A/G", None, "no allele is declared as the one counted"),
        ("A/G/T", "A", "the marker sheet does not give two alleles"),
        ("", "A", "the marker sheet does not give two alleles"),
        ("A/G", "T", "the counted allele T is not among A/G"),
    ],
)
def test_counts_of_an_allele_that_is_not_known(declared: str, counted: str | None, why: str) -> None:
    reading = read(["0", "2"], declared, counted)
    assert reading.notation is Notation.COUNT
    assert list(reading.faults) == [""]
    assert f"but {why}." in reading.faults[""][0]


def test_counts_of_an_allele_by_hand() -> None:
    for counted, zero, two in (("A", (1, 1), (0, 0)), ("G", (0, 0), (1, 1))):
        reading = read(["0", "1", "2"], "A/G", counted)
        assert (reading.alleles, reading.faults, reading.notation) == (("A", "G"), {}, Notation.COUNT)
        assert reading.calls == {"0": zero, "1": (0, 1), "2": two}
    spoilt = read(["0", "Q"], "A/G", "A")
    assert (spoilt.alleles, spoilt.calls, list(spoilt.faults)) == (("A", "G"), {}, ["Q"])
    assert spoilt.notation is Notation.COUNT


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("A/G/T", "more than two alleles"), ("A-", "may mean a missing allele or a deletion"),
        ("--", "may mean a missing allele or a deletion"), ("xy", "not a call in any notation"),
        ("1.5", "holds a decimal number"), ("152", "A single number may mean a homozygote"),
        ("B", "stands for three bases"), ("0/1", "say nothing without the alleles' names"),
        ("152/A", "mixes a fragment size and letters"), ("152.5/158.1", "fragment sizes are whole numbers"),
    ],
)  # fmt: skip
def test_calls_that_mean_nothing_certain(text: str, why: str) -> None:
    reading = read([text])
    assert why in reading.faults[text][0]
    assert reading.calls == {}


def test_a_missing_allele_and_a_haploid_call_are_told_apart() -> None:
    assert read(["A/.", "A/G"]).calls == {"A/.": (0, MISSING), "A/G": (0, 1)}
    assert read(["A", "G"], maternal=True).calls == {"A": (0, ABSENT), "G": (1, ABSENT)}
    assert "one allele" in read(["R"], maternal=True).faults["R"][0]


def test_too_many_alleles_are_a_fault_of_the_marker() -> None:
    reading = read([f"{size}/{size}" for size in range(100, 100 + 2 * (MAX_ALLELES + 1), 2)])
    assert list(reading.faults) == [""]
    assert f"The marker has {MAX_ALLELES + 1} alleles; at most {MAX_ALLELES}" in reading.faults[""][0]


@pytest.mark.parametrize(
    ("texts", "notation"),
    [
        (["A/G", "G:G", "A|A"], Notation.PAIR),
        (["AG", "GG"], Notation.LETTERS),
        (["R", "A"], Notation.ONE_LETTER),
        (["152/158"], Notation.SIZES),
    ],
)
def test_notation_of_a_marker(texts: list[str], notation: Notation) -> None:
    reading = read(texts)
    assert reading.faults == {}
    assert reading.notation is notation


def test_counts_need_a_declared_allele_and_count_it() -> None:
    assert read(["0", "1", "2"], "A/G", "G").calls == {"0": (0, 0), "1": (0, 1), "2": (1, 1)}
    assert read(["0", "1", "2"], "A/G", "A").calls == {"0": (1, 1), "1": (0, 1), "2": (0, 0)}
    assert list(read(["0", "1", "2"], "A/G").faults) == [""]
    assert list(read(["0", "1", "2"], "", "G").faults) == [""]


def test_alleles_are_ordered_by_size_not_by_text() -> None:
    assert read(["98/152", "102/98"]).alleles == ("98", "102", "152")


def test_declared_order_of_alleles_is_kept() -> None:
    reading = read(["A/G"], "G/A")
    assert reading.alleles == ("G", "A")
    assert reading.calls == {"A/G": (1, 0)}


@pytest.mark.parametrize(
    "texts",
    [["0", "A/G"], ["A", "A/G"], ["R", "AG"], ["152/158", "A/G"], ["1", "152/158"]],
)
def test_notations_that_do_not_go_together(texts: list[str]) -> None:
    assert "" in read(texts).faults


@pytest.mark.parametrize("text", ["0/1", "A/-", "--", "A/B/C", "X", "152", "1.5", "0,98", "AGT", "11", "=A"])
def test_what_is_never_read_as_a_call(text: str) -> None:
    reading = read([text])
    assert list(reading.faults) == [text]
    why, remedy = reading.faults[text]
    assert why.endswith(".")
    assert remedy.endswith(".")


def test_letters_that_are_names_of_alleles() -> None:
    assert read(["AB", "BB"], "A/B").calls == {"AB": (0, 1), "BB": (1, 1)}
    assert read(["I/D", "D/D"], "I/D").calls == {"I/D": (0, 1), "D/D": (1, 1)}


# --- the grid

CELL = st.text(
    st.characters(
        codec="utf-8", exclude_characters='",;\t\n\r#\ufeff\ufffd', exclude_categories=("Cc", "Cs", "Z")
    ),
    max_size=90,
)


@settings(max_examples=150, deadline=None)
@given(
    st.integers(1, 5).flatmap(
        lambda w: st.lists(st.lists(CELL, min_size=w, max_size=w), min_size=1, max_size=8)
    ),
    st.sampled_from([",", ";", "\t"]),
    st.booleans(),
)
def test_grid_holds_what_the_csv_module_reads(rows: list[list[str]], separator: str, quoted: bool) -> None:
    width = len(rows[0])
    header = ["first", *(f"h{i}" for i in range(width))]
    rows = [[f"r{i}", *row] for i, row in enumerate(rows)]
    held = io.StringIO()
    quoting = csv.QUOTE_ALL if quoted else csv.QUOTE_NONE
    csv.writer(held, delimiter=separator, lineterminator="\n", quoting=quoting).writerows([header, *rows])
    grid = read_grid(held.getvalue().encode(), Problems("p", alike=True))
    assert grid.headings == header
    assert [[grid.texts[c] for c in row] for row in grid.codes] == rows
    assert grid.rows.tolist() == list(range(2, len(rows) + 2))
    assert len(set(grid.texts)) == len(grid.texts)


def test_large_tables_pass_through_several_chunks() -> None:
    rng = np.random.default_rng(1)
    names = [f"a_rather_long_sample_name_{i:06d}" for i in range(30_000)]
    calls = rng.choice(["A/A", "A/G", "", "a" * 70, "152/158", "x" * 8, "y" * 9, "z" * 64], (30_000, 8))
    text = "sample,1,2,3,4,5,6,7,8\n" + "".join(
        f"{n},{','.join(c)}\n" for n, c in zip(names, calls, strict=True)
    )
    assert len(text) > 1 << 22
    grid = read_grid(text.encode(), Problems("p", alike=True))
    assert grid.column(0) == names
    np.testing.assert_array_equal(np.array(grid.texts)[grid.codes[:, 1:]], calls)


# --- whole tables

NAMES = st.lists(
    st.text(
        st.characters(codec="ascii", categories=("L", "N"), include_characters="_.-; =+@"),
        min_size=1,
        max_size=20,
    )
    .map(str.strip)
    # Headings that describe markers are reserved in a table by marker, and # begins a comment.
    .filter(lambda s: s and not s.startswith("#") and heading_key(s) not in ABOUT_MARKER),
    min_size=2,
    max_size=5,
    unique=True,
)
WAYS = {
    "pair": lambda a, b: f"{a}/{b}",
    "colon": lambda a, b: f"{a}:{b}",
    "letters": lambda a, b: a + b,
    "one letter": lambda a, b: a if a == b else next(k for k, v in IUPAC_PAIRS.items() if set(v) == {a, b}),
}


@st.composite
def season(draw: st.DrawFn) -> tuple[list[str], list[list[list[tuple[str, str] | None]]], str]:
    samples = draw(NAMES)
    markers = draw(st.integers(1, 4))
    calls = []
    for _ in range(markers):
        pair = draw(st.sampled_from(["AC", "AG", "AT", "CG", "CT", "GT"]))
        call = st.sampled_from([None, *product(pair, pair)])
        calls.append([draw(call) for _ in samples])
        calls[-1][0] = (pair[0], pair[1])
    return samples, calls, draw(st.sampled_from(list(WAYS)))


@settings(max_examples=60, deadline=None)
@given(season(), st.sampled_from(["wide", "wide-by-marker", "long"]), st.sampled_from(",;\t"), st.data())
def test_every_layout_reads_back(case, layout: str, separator: str, data: st.DataObject) -> None:
    samples, calls, way = case
    missing = data.draw(st.sampled_from(["", "-", "NA", "NN", "./.", "?", "lost"]))
    text = [[missing if c is None else WAYS[way](*c) for c in row] for row in calls]
    markers = [f"m{i}" for i in range(len(calls))]
    if layout == "wide":
        table = [["sample_id", *markers]] + [[s, *(row[i] for row in text)] for i, s in enumerate(samples)]
    elif layout == "long":
        table = [["sample_id", "marker", "call"]]
        table += [[s, m, text[j][i]] for i, s in enumerate(samples) for j, m in enumerate(markers)]
    else:
        table = [["marker", *samples]] + [[m, *row] for m, row in zip(markers, text, strict=True)]
    held = io.StringIO()
    csv.writer(held, delimiter=separator).writerows(table)
    path = Path(data.draw(st.just("/tmp"))) / "crossproof_table_of_a_test"
    path.write_text(held.getvalue(), encoding="utf-8", newline="")
    try:
        batch = read_batch(path, batch="B", layout=layout, missing=["lost"])
    finally:
        path.unlink()
    assert batch.samples == tuple(samples)
    found = by_marker(batch, "calls")
    for marker, row in zip(markers, calls, strict=True):
        alleles = sorted({a for c in row if c for a in c})
        wanted = ["./." if c is None else sorted(str(alleles.index(a)) for a in c) for c in row]
        assert [c if c == "./." else sorted(c.split("/")) for c in found[marker]] == wanted


def test_problems_of_a_table_name_row_column_and_value(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("sample_id,m1,m2\na,A/G,C/C\nb,het,C/C\nc,A/A,0,5\nd,A/A,C/1\n")
    with pytest.raises(PlateError) as caught:
        read_batch(path, batch="B", shown_as="genotypes/t.csv")
    assert [(p.row, p.problem) for p in caught.value.problems] == [(4, "The row has 4 cells, the header 3.")]
    path.write_text("sample_id,m1,m2\na,A/G,C/C\nb,het,C/C\nc,A/A,0.5\nd,A/A,C/1\n")
    with pytest.raises(PlateError) as caught:
        read_batch(path, batch="B", shown_as="genotypes/t.csv")
    places = {(p.file, p.row, p.column, p.value) for p in caught.value.problems}
    file = "genotypes/t.csv"
    assert places == {(file, 3, "m1", "het (b)"), (file, 4, "m2", "0.5 (c)"), (file, 5, "m2", "C/1 (d)")}


def test_remedies_of_missing_calls_work_when_followed(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("sample_id,m1\na,A/G\nb,fail\nc,0/0\nd,--\n")
    with pytest.raises(PlateError) as caught:
        read_batch(path, batch="B")
    assert all("missing:" in p.remedy for p in caught.value.problems)
    batch = read_batch(path, batch="B", missing=["fail", "0/0", "--"])
    assert by_marker(batch, "calls") == {"m1": ["0/1", "./.", "./.", "./."]}


def test_calls_of_other_batches_in_the_file_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("sample_id,m1\na,A/G\nother,failed\nb,G/G\n")
    batch = read_batch(path, batch="B", keep_samples=["b", "a"])
    assert batch.samples == ("a", "b")
    assert by_marker(batch, "calls") == {"m1": ["0/1", "1/1"]}


def test_columns_that_describe_markers_are_named_and_never_a_sample(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("marker,chrom,pos,a,POS\nm1,1,7,A/G,A/A\n")
    batch = read_batch(path, batch="B")
    assert batch.samples == ("a", "POS")
    assert "columns chrom, pos describe the markers" in batch.notes
    with pytest.raises(PlateError, match="could be a sample or describe the markers"):
        read_batch(path, batch="B", known_samples=["a", "pos"])


@pytest.mark.parametrize("answer", ["samples", "markers"])
def test_layout_is_proven_by_names(answer: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("id,x,y\np,A/G,C/C\nq,A/A,C/T\n")
    with pytest.raises(PlateError, match="cannot be told"):
        read_batch(path, batch="B")
    if answer == "samples":
        assert read_batch(path, batch="B", known_samples=["q"]).samples == ("p", "q")
    else:
        sheet = pd.DataFrame({"marker": ["p", "q"], "alleles": ["", ""]})
        assert read_batch(path, batch="B", marker_sheet=sheet).samples == ("x", "y")


@pytest.mark.slow
def test_wide_table_of_4000_by_10000_in_6_s(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    path = tmp_path / "big.csv"
    calls = np.array(["A/A", "A/G", "G/G", ""])
    with open(path, "w") as out:
        out.write("sample_id," + ",".join(f"m{i:05d}" for i in range(10_000)) + "\n")
        for i in range(4000):
            out.write(f"s{i}," + ",".join(calls[rng.choice(4, 10_000, p=[0.4, 0.3, 0.25, 0.05])]) + "\n")
    start = time.process_time()
    batch = read_batch(path, batch="B", max_markers=None)
    assert batch.blocks[0].calls.shape == (10_000, 4000, 2)
    assert time.process_time() - start < 6
