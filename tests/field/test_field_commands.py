"""The commands `tags` and `book`: what they write, say and refuse."""

from __future__ import annotations

import pytest
from click.testing import CliRunner
from nursery import make_nursery

from crossproof.cli import main
from crossproof.errors import InputError
from crossproof.io.records.issued_tags import read_issued


def run(*words):
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, " ".join(done.output.split())


@pytest.fixture
def folder(tmp_path):
    return make_nursery(tmp_path / "n", printed=False)


def test_tags_then_book_then_check(folder):
    status, said = run("tags", folder, "--season", "2027")
    assert status == 0
    assert "4 tags, 0001D to 0004N, season 2027" in said
    assert (folder / "field" / "tags_0001D-0004N.html").is_file()
    assert len(read_issued(folder)[0].tags) == 4
    assert run("tags", folder)[1].startswith("Every planned cross has its tags.")
    status, said = run("book", folder)
    assert status == 0
    assert "crosses: field/book.xlsx" in said
    assert {p.name for p in (folder / "field").iterdir()} == {
        *("book.html", "book.xlsx", "tags_0001D-0004N.html"),
    }
    # Lines of a new season are typed, the planned Robin and Crane are not: no error once tags hang.
    status, said = run("check", folder)
    assert status == 0, said
    assert "has no genotypes on the panel" in said


def test_empty_tags_and_tags_once_more(folder):
    assert "2 tags, 0001D to 0002X" in run("tags", folder, "--empty", 2, "--season", 2027)[1]
    before = (folder / "tags.csv").read_bytes()
    status, said = run("tags", folder, "--again", "0002X", "--paper", "roll", "--size", "100x60", "--hole", 0)
    assert status == 0
    assert "1 tag, 0002X, season 2027" in said
    assert "Destroy the tags that these replace" in said
    assert (folder / "tags.csv").read_bytes() == before
    assert "size:100mm 60mm" in (folder / "field" / "tags_0002X.html").read_text()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--again", "0001E"), "No tag of this number was printed."),
        (("--size", "20x20"), "cannot hold the parents"),
        (("--size", "huge"), "not the size of a label"),
        (("--size", "250x60"), "does not fit on a4 paper"),
        (("--season", "spring"), "four to six digits"),
        (("--again", "0001D", "--empty", "2"), "--again prints tags as they were"),
    ],
)
def test_what_is_refused_writes_nothing(folder, words, told):
    status, said = run("tags", folder, *words)
    assert status == 2
    assert told in said
    assert not (folder / "field").exists()
    assert not (folder / "tags.csv").exists()


def test_a_run_sees_that_the_list_of_tags_was_changed(folder):
    from crossproof.season.index import build_index

    run("tags", folder, "--season", "2027")
    for sheet in ("crosses.csv", "samples/plate1.csv"):
        path = folder / sheet
        path.write_text(path.read_text().replace("X001", "0002X"))
    assert [p for p in build_index(folder).problems if p.column == "mother"] == []
    path = folder / "tags.csv"
    path.write_text(path.read_text().replace("P001,Lark,Wren", "P001,Robin,Wren"))
    with pytest.raises(InputError, match="was printed for the mother 'Robin'"):
        build_index(folder)


def test_a_book_needs_tags(folder):
    (folder / "crosses.csv").write_text("cross_id,mother,father\n")
    status, said = run("book", folder)
    assert status == 2
    assert "crossproof tags DIR" in said
