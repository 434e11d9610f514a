"""Problems collected: each kind cut for itself, a genotype file given up, what is only counted told of."""

from __future__ import annotations

import pytest

from crossproof.errors import PlateError, Severity, error
from crossproof.io import problems
from crossproof.io.problems import Fault, Problems, TooManyProblems


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, number in (("MOST", 3), ("MOST_ALIKE", 4), ("GIVEN_UP", 8)):
        monkeypatch.setattr(problems, name, number)


def test_each_kind_is_cut_for_itself_and_the_rest_is_counted() -> None:
    found = Problems("a.csv")
    for row in range(5):
        found.error("It is red.", "Make it blue.", row=row, column="colour", value="red")
    found.warning("It is old.", "Look at it.", row=9)
    told = [(p.severity, p.row, p.problem) for p in found.listed()]
    assert told == [
        (Severity.ERROR, 0, "It is red."),
        (Severity.ERROR, 1, "It is red."),
        (Severity.ERROR, 2, "It is red."),
        (Severity.WARNING, 9, "It is old."),
        (Severity.ERROR, None, "2 more rows have this problem: It is red."),
    ]


def test_a_kind_is_named_by_its_column_too_and_keeps_the_file_it_was_first_met_in() -> None:
    found = Problems()
    for column, file in (("a", "x.csv"), ("b", "x.csv"), ("a", "y.csv")):
        for row in range(2):
            found.note(Fault("Empty.", "Fill it in."), file=file, row=row, column=column)
    listed = found.listed()
    assert [p.column for p in listed] == ["a", "a", "b", "b", "a", "a"]
    assert listed[-1].file == "x.csv"
    assert listed[-1].problem == "1 more row has this problem: Empty."


def test_a_genotype_file_is_given_up() -> None:
    found = Problems("p.vcf", alike=True)
    for row in range(7):
        found.error(f"Cell {row} is wrong.", "Correct it.", row=row)
    with pytest.raises(TooManyProblems):
        found.error("Cell 7 is wrong.", "Correct it.", row=7)
    assert len(found.listed()) == 5
    assert found.listed()[-1].problem.startswith("4 more problems of this file are not listed; the rest")
    with pytest.raises(PlateError, match="Cell 0 is wrong"):
        found.raise_if_any()


def test_problems_found_elsewhere_are_kept_as_they_are_and_values_are_cut() -> None:
    found = Problems("a.csv", alike=True)
    assert not found
    found.raise_if_any()
    known = error("b.csv", "Gone.", "Look for it.")
    found.extend([known])
    found.count_more(6)
    found.error("Long.", "Cut it.", value="x" * 200)
    assert found.listed()[0] is known
    assert found.listed()[-1].problem.startswith("3 more problems")
    assert max(len(p.value) for p in found.listed()) <= 80
