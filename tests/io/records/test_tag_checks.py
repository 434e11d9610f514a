"""The crossing book against the printed tags: every slip of a wet tag is caught, worded for the book."""

from __future__ import annotations

import datetime as dt

import pytest
from nursery import make_nursery

from crossproof.errors import Severity
from crossproof.field.printing import empty_tags, open_field, write_issued
from crossproof.io.records.issued_tags import read_issued
from crossproof.io.records.season_records import read_season

TODAY = dt.date(2027, 9, 1)
HEAD = "cross_id,mother,father,date,time,operator,flowers,pods,seeds\n"
DONE = "2027-06-07,07:10,Ana,2"


@pytest.fixture
def folder(tmp_path):
    """Tags 1 to 4 are printed for Lark x Robin, Lark x Wren, Robin x Wren, Crane x Lark; 5, 6 empty."""
    root = make_nursery(tmp_path / "n")
    write_issued(root, empty_tags(open_field(root), 2).issued)
    for sheet in (root / "samples").iterdir():
        sheet.write_text("sample_id,role,line,batch\nS01,parent,Lark,B01\n")
    return root


def names(folder):
    return [t.name for t in read_issued(folder)[0].tags]


def book(folder, *rows):
    (folder / "crosses.csv").write_text(HEAD + "".join(f"{r}\n" for r in rows))
    season = read_season(folder, today=TODAY)
    return season, [p for p in season.problems if p.file in ("crosses.csv", "tags.csv")]


def only(problems, part):
    found = [p for p in problems if part in p.problem]
    assert len(found) == 1, [p.sentence() for p in problems]
    return found[0]


def test_parents_on_the_tag_need_not_be_typed(folder):
    tag = names(folder)[1]
    (folder / "crosses.csv").write_text(f"cross_id,date,flowers\n{tag},2027-06-07,2\n")
    crosses = read_season(folder, today=TODAY).crosses
    assert crosses[["cross_id", "mother", "father"]].to_numpy().tolist() == [[tag, "Lark", "Wren"]]


def test_tags_not_used_yet_are_no_crosses(folder):
    one, two, three, *_ = names(folder)
    season, problems = book(folder, f"{one},Lark,Robin,,,,,,", f"{two},,,{DONE},,", f"{three},,,,,,,,")
    assert season.crosses["cross_id"].tolist() == [two]
    note = only(problems, "not been used yet")
    assert (note.severity, note.problem) == (
        Severity.NOTE,
        "2 tags have not been used yet; their rows are left out.",
    )


def test_a_row_that_samples_speak_of_is_used_whatever_it_holds(folder):
    one = names(folder)[0]
    (folder / "samples" / "plate1.csv").write_text(
        f"sample_id,role,line,cross_id,batch\nS01,parent,Lark,,B01\nS05,progeny,,{one},B01\n"
    )
    season, _ = book(folder, f"{one},,,,,,,,")
    assert season.crosses["cross_id"].tolist() == [one]


def test_a_bad_check_letter_is_caught_with_what_it_may_be(folder):
    tag = names(folder)[1]  # Lark x Wren
    wrong = tag[:-1] + ("A" if tag[-1] != "A" else "B")
    found = only(book(folder, f"{wrong},Lark,Wren,{DONE},,")[1], "misread or mistyped")
    assert (found.severity, found.row, found.column, found.value) == (Severity.ERROR, 2, "cross_id", wrong)
    assert "its check letter does not fit its digits in season 2027" in found.problem
    assert found.remedy == f"Look at the tag; it is probably {tag}, printed for Lark x Wren."
    without_parents = only(book(folder, f"{wrong},,,{DONE},,")[1], "misread or mistyped")
    assert f"it may be {tag} (Lark x Wren)" in without_parents.remedy


def test_two_digits_exchanged_are_caught(folder):
    tag = names(folder)[1]
    swapped = "0020" + tag[-1]
    found = only(book(folder, f"{swapped},Lark,Wren,{DONE},,")[1], "misread or mistyped")
    assert found.remedy == f"Look at the tag; it is probably {tag}, printed for Lark x Wren."


@pytest.mark.parametrize(
    "write", [str.lower, lambda t: t[:-1], lambda t: t[1:], lambda t: f"{t[:-1]} {t[-1]}"]
)
def test_a_number_written_in_another_way_is_refused_not_mended(folder, write):
    tag = names(folder)[2]
    found = only(book(folder, f"{write(tag)},Robin,Wren,{DONE},,")[1], "This is not a tag number")
    assert (found.severity, found.remedy) == (Severity.ERROR, f"Look at the tag; if it is {tag}, write that.")


def test_a_tag_that_was_never_printed(folder):
    from crossproof.model.tag_numbers import TagNumber

    found = only(book(folder, f"{TagNumber('2027', 900)},Lark,Wren,{DONE},,")[1], "No tag of this number")
    assert found.severity is Severity.WARNING


def test_tags_of_the_year_before_are_caught(folder):
    from crossproof.model.tag_numbers import TagNumber

    assert only(book(folder, f"{TagNumber('2026', 2)},Lark,Wren,{DONE},,")[1], "misread or mistyped")


def test_names_of_another_kind_are_the_users_own(folder):
    season, problems = book(folder, f"X001,Lark,Wren,{DONE},,", f"B-17,Lark,Robin,{DONE},,")
    assert season.crosses["cross_id"].tolist() == ["X001", "B-17"]
    assert [p for p in problems if p.severity is not Severity.NOTE and p.column == "cross_id"] == []


def test_a_tag_seen_twice(folder):
    tag = names(folder)[0]
    found = only(book(folder, f"{tag},,,{DONE},,", f"{tag},,,{DONE},1,3")[1], "appears twice")
    assert (found.severity, found.row, found.value) == (Severity.ERROR, 3, tag)


def test_a_tag_on_another_mother_is_an_error(folder):
    tag = names(folder)[1]
    found = only(book(folder, f"{tag},Robin,Wren,{DONE},,")[1], "was printed for the mother")
    assert (found.severity, found.column, found.value) == (Severity.ERROR, "mother", "Robin")
    assert "it hangs on the mother" in found.remedy


@pytest.mark.parametrize(
    ("father", "planned"), [("Robin", "is on the plan"), ("Crane", "is not on the plan")]
)
def test_another_father_is_a_warning_that_knows_the_plan(folder, father, planned):
    tag = names(folder)[1]
    found = only(book(folder, f"{tag},Lark,{father},{DONE},,")[1], "was printed for the father")
    assert found.severity is Severity.WARNING
    assert found.problem.endswith(f"Lark x {father} {planned}.")


@pytest.mark.parametrize(
    ("mother", "father", "told", "column"),
    [
        ("Lark", "Finch", "The father 'Finch' is not on the plan for the mother 'Lark'.", "father"),
        ("Wren", "Lark", "but the other way round: Lark x Wren.", "father"),
        ("Finch", "Lark", "The mother 'Finch' is not on the plan.", "mother"),
    ],
)
def test_an_empty_tag_is_held_against_the_plan(folder, mother, father, told, column):
    empty = names(folder)[4]
    found = only(book(folder, f"{empty},{mother},{father},{DONE},,")[1], told)
    assert (found.severity, found.column) == (Severity.WARNING, column)


def test_a_planned_cross_on_an_empty_tag_is_fine(folder):
    _, problems = book(folder, f"{names(folder)[4]},Robin,Wren,{DONE},,")
    assert [p for p in problems if "on the plan" in p.problem or "The plan has" in p.problem] == []


@pytest.mark.parametrize(("cells", "what"), [("1,4", "pods"), (",4", "seeds")])
def test_pods_before_flowers(folder, cells, what):
    tag = names(folder)[1]
    found = only(book(folder, f"{tag},Lark,Wren,,,,,{cells}")[1], "before it has flowers")
    assert (found.severity, found.column) == (Severity.WARNING, what)
    assert "neither date nor flowers" in found.problem


def test_without_printed_tags_nothing_is_asked(folder):
    (folder / "tags.csv").unlink()
    season, problems = book(folder, "0002Z,Lark,Wren,,,,,,", f"0003,Wren,Lark,{DONE},,")
    assert len(season.crosses) == 2
    assert [p for p in problems if p.severity is not Severity.NOTE and p.column == "cross_id"] == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("0001D", "0001E", "Its check letter does not fit"),
        ("0001D", "1D", "It is not written as on the tag"),
        ("0001D", "X1", "This is not a tag number"),
        ("0002X", "0001D", "listed twice"),
        ("0002X,2027", "0002X,2028", "have one season"),
        ("0001D,2027", "0001D,spring", "four to six digits"),
    ],
)
def test_a_list_of_tags_that_was_spoilt_is_refused(folder, old, new, told):
    path = folder / "tags.csv"
    path.write_text(path.read_text().replace(old, new, 1))
    _, problems = read_issued(folder)
    assert any(told in p.problem and p.severity is Severity.ERROR for p in problems), problems
