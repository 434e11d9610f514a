"""Declared columns: headings are matched as the input contract says; examples fit their own declaration."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.errors import Severity
from crossproof.io.sheets.columns import CROSSES, SAMPLES, TABLES, Kind
from crossproof.io.sheets.headings import heading_key, match_headings, nearest
from crossproof.io.sheets.names import name_fault
from crossproof.io.sheets.values import read_choice, read_date, read_integer, read_number, read_time
from crossproof.model.plates import parse_well


@pytest.mark.parametrize("heading", ["Cross ID", "cross-id", "CROSS_ID", "  cross  id ", "cross\u00a0id"])
def test_headings_ignore_case_spaces_hyphens_and_underscores(heading: str) -> None:
    names, problems = match_headings([heading], CROSSES, {}, file="c.csv", header_row=1)
    assert names == ("cross_id",)
    assert problems == []


@given(st.sampled_from([n for t in TABLES.values() for n in t.names]), st.data())
def test_every_spelling_of_a_heading_has_one_key(name: str, data: st.DataObject) -> None:
    spelt = "".join(
        data.draw(st.sampled_from(["_", " ", "-", "__", " - "])) if c == "_" else data.draw(case(c))
        for c in name
    )
    assert heading_key(spelt) == name


def case(letter: str) -> st.SearchStrategy[str]:
    return st.sampled_from([letter.lower(), letter.upper()])


def test_a_heading_that_is_not_ours_keeps_its_text() -> None:
    names, problems = match_headings(["cross_id", " Bench No "], CROSSES, {}, file="c.csv", header_row=1)
    assert names == ("cross_id", "Bench No")
    assert [(p.severity, p.value) for p in problems] == [(Severity.NOTE, "Bench No")]


def test_a_renamed_heading_counts_as_ours_and_clashes_with_it() -> None:
    renames = {"tag_no": "cross_id"}
    names, problems = match_headings(["Tag No"], CROSSES, renames, file="c.csv", header_row=3)
    assert names == ("cross_id",)
    assert problems == []
    _, problems = match_headings(["Tag No", "cross id"], CROSSES, renames, file="c.csv", header_row=3)
    assert [(p.row, p.value) for p in problems] == [(3, "cross id")]
    assert "both stand for the column 'cross_id'" in problems[0].problem


def test_missing_required_columns_are_all_named_with_the_nearest_heading() -> None:
    _, problems = match_headings(["Sampel_id", "Rolle"], SAMPLES, {}, file="s.csv", header_row=1)
    errors = [p for p in problems if p.severity is Severity.ERROR]
    assert [p.column for p in errors] == ["sample_id", "role"]
    assert "{Sampel_id: sample_id}" in errors[0].remedy
    assert "{Rolle: role}" in errors[1].remedy


def test_every_usual_heading_means_its_column_and_no_other() -> None:
    for table in TABLES.values():
        for column in table.columns:
            for heading in column.also:
                names, _ = match_headings([heading.title()], table, {}, file="s.csv", header_row=1)
                assert names == (column.name,), heading


def test_a_usual_heading_beside_the_exact_one_stays_the_users_own() -> None:
    names, problems = match_headings(
        ["cross_id", "operator", "Technician"], CROSSES, {}, file="c.csv", header_row=1
    )
    assert names == ("cross_id", "operator", "Technician")
    assert all(p.severity is Severity.NOTE for p in problems)


def test_nearest_is_empty_where_nothing_is_alike() -> None:
    assert nearest("min_posteriour", ["min_posterior", "missing"]) == "min_posterior"
    assert nearest("zzz", ["min_posterior"]) == ""


@pytest.mark.parametrize(
    "column",
    [pytest.param(c, id=f"{t.name}-{c.name}") for t in TABLES.values() for c in t.columns if c.example],
)
def test_examples_fit_their_declaration(column) -> None:
    text = column.example
    value, fault = {
        Kind.INTEGER: lambda: read_integer(text, column),
        Kind.NUMBER: lambda: read_number(text, column),
        Kind.CHOICE: lambda: read_choice(text, column),
        Kind.DATE: lambda: read_date(text, dt.date(2026, 1, 1)),
        Kind.TIME: lambda: read_time(text),
        Kind.WELL: lambda: (parse_well(text), None),
        Kind.NAME: lambda: (text, name_fault(text)),
        Kind.TEXT: lambda: (text, None),
    }[column.kind]()
    assert fault is None
    assert value is not None


@pytest.mark.parametrize("table", list(TABLES.values()), ids=lambda t: t.name)
def test_declarations_are_complete(table) -> None:
    assert len(set(table.names)) == len(table.names)
    assert all(c.meaning for c in table.columns)
    assert all(c.choices for c in table.columns if c.kind is Kind.CHOICE)
