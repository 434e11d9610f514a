"""What is printed and carried, made by the same commands; years beside each other."""

from __future__ import annotations

import shutil

import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.desk.commands import COMMANDS, Choice, Kind, words_of
from crossproof.desk.faults import Refused
from crossproof.desk.folder import find_season
from crossproof.desk.ticks import Worklist
from crossproof.io.results.reading import read_table


@pytest.fixture
def visitor(tmp_path):
    copy_of_demo(tmp_path / "demo")
    return Visitor(tmp_path)


def command(name):
    return next(c for c in COMMANDS if c.name == name)


def test_tags_are_made_and_opened_in_a_room_of_their_own(visitor, tmp_path):
    answer = visitor.post("/season/demo/field/make/tags", {"empty": "2", "note": "line of <b>ours</b>"})
    assert answer.status_code == 200
    text = words(answer)
    assert "Tags: done" in text
    assert "2 tags" in text
    [page] = (tmp_path / "demo" / "field").glob("*.html")
    opened = visitor.get(f"/season/demo/field/file/{page.name}")
    assert opened.headers["content-security-policy"].startswith("sandbox")
    assert "line of &lt;b&gt;ours&lt;/b&gt;" in opened.text
    assert visitor.get("/season/demo/field/file/..%2fcrosses.csv").status_code == 404


def test_what_a_command_refuses_is_told_in_its_words(visitor):
    """No wish list, so no planned cross to make a tag for."""
    answer = visitor.post("/season/demo/field/make/tags")
    assert answer.status_code == 422
    text = words(answer)
    assert "Tags: not done" in text
    assert "planned" in text


@pytest.mark.parametrize(
    "given",
    [("empty", "0"), ("empty", "-1"), ("empty", "1e3"), ("empty", "٣"), ("paper", "a3"), ("note", "x" * 81)],
)
def test_what_no_field_allows_is_refused_before_a_command_sees_it(given):
    with pytest.raises(Refused):
        words_of(command("tags"), [given])


def test_a_text_that_looks_like_an_option_is_a_text():
    assert words_of(command("tags"), [("note", "--out /etc/x; rm -rf ~")]) == [
        "--note=--out /etc/x; rm -rf ~"
    ]
    assert words_of(command("tags"), [("out", "/etc/x"), ("again", "T1")]) == []
    assert Choice("--at-once", "", Kind.YES).name == "at_once"


def test_an_unknown_command_is_not_run(visitor):
    assert visitor.post("/season/demo/field/make/publish").status_code == 404


def test_years_need_two_seasons_that_were_run(visitor, tmp_path):
    assert "It takes two seasons" in words(visitor.get("/years"))
    copy_of_demo(tmp_path / "other")
    assert "demo (not run yet)" in words(visitor.get("/years"))
    answer = visitor.post("/years", {"season": ["demo", "other"]})
    assert answer.status_code == 422
    assert not (tmp_path / "years").exists()
    assert visitor.post("/years", {"season": ["demo", "../.."]}).status_code == 404
    assert visitor.get("/years/file/years.html").status_code == 404


def test_ticks_are_compared_with_what_was_decided(finished):
    visitor = Visitor(finished)
    place = find_season(finished, "demo")
    assert "What was ticked at the bench" not in words(visitor.get("/season/demo/field"))
    worklist = Worklist(place)
    plants = [t.plant for t in worklist.page("cull", "", 0).tasks]
    try:
        for plant in plants[:2]:
            worklist.tick(plant, True)
        text = words(visitor.post("/season/demo/field/make/done"))
        assert "What was ticked at the bench: done" in text
        frame = read_table(place.folder.results / "done.csv")
        done = frame.set_index("plant").loc[plants[:2]]
        assert set(done["action"]) == {"cull"}
    finally:
        shutil.rmtree(place.path / "field")


def test_the_crossing_book_is_made_to_print_and_to_fill_in(visitor, tmp_path):
    answer = visitor.post("/season/demo/field/make/book")
    assert "send it in place of the crosses on the page Sheets." in words(answer)
    assert {p.name for p in (tmp_path / "demo" / "field").iterdir()} == {"book.html", "book.xlsx"}
    assert visitor.get("/season/demo/field/file/book.xlsx").content.startswith(b"PK")
