"""Files of the laboratory brought in by upload, understood, settled, taken in."""

from __future__ import annotations

import re

import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.desk.uploads import MOST_FILES, harmless_name
from crossproof.io.config.season_config import read_config


@pytest.fixture
def visitor(tmp_path):
    """A season whose last genotype file has not come yet."""
    season = copy_of_demo(tmp_path / "demo")
    config = season / "config.yaml"
    lines = config.read_text(encoding="utf-8").splitlines(keepends=True)
    config.write_text("".join(line for line in lines if "B003" not in line), encoding="utf-8")
    (season / "genotypes" / "B003.csv").rename(tmp_path / "B003.csv")
    return Visitor(tmp_path)


def send(visitor, name, content):
    answer = visitor.post("/season/demo/files", files={"file": (name, content)})
    assert answer.status_code == 303, words(answer)
    return answer.headers["location"]


def test_a_file_is_understood_before_anything_is_written_and_then_taken_in(visitor, tmp_path):
    season = tmp_path / "demo"
    before = (season / "config.yaml").read_bytes()
    where = send(visitor, "B003.csv", (tmp_path / "B003.csv").read_bytes())
    assert re.fullmatch(r"/season/demo/files/[0-9a-f]{16}", where)
    text = words(visitor.get(where))
    assert "This is what was understood. Nothing is written yet." in text
    assert "Yes, take it in" in text
    assert (season / "config.yaml").read_bytes() == before
    assert "1 file of the laboratory waits" in words(visitor.get("/season/demo"))

    answer = visitor.post(where, {"what": "take"})
    assert answer.headers["location"] == "/season/demo/problems?said=RECEIVED"
    assert {g.batch for g in read_config(season).genotypes} == {"B001", "B002", "B003"}
    assert (season / "genotypes" / "B003.csv").read_bytes() == (tmp_path / "B003.csv").read_bytes()
    assert visitor.get(where).status_code == 404


def test_what_only_a_person_can_know_is_asked(visitor, tmp_path):
    """Counts 0, 1, 2 do not say which allele they count."""
    head, *rows = (tmp_path / "B003.csv").read_text(encoding="utf-8").splitlines()
    counts = [f"{row.rpartition(',')[0]},{i % 3}" for i, row in enumerate(rows)]
    text = "\n".join([head, *counts]) + "\n"
    where = send(visitor, "counts.csv", text.encode())
    page = visitor.get(where)
    assert "Something only you can know." in words(page)
    assert 'name="counted_allele" value="first"' in page.text
    answered = visitor.get(where, params={"counted_allele": "first"})
    assert "Something only you can know." not in words(answered)


def test_a_file_that_is_none_is_refused_in_words_and_can_be_put_away(visitor, tmp_path):
    where = send(visitor, "notes.csv", b"this is no table of calls\n")
    text = words(visitor.get(where))
    assert "The file cannot be used as it is. Nothing was written." in text or "only you can know" in text
    assert visitor.post(where, {"what": "away"}).headers["location"] == "/season/demo/files?said=DISCARDED"
    assert list((tmp_path / "demo" / ".crossproof" / "desk" / "inbox").iterdir()) == []


def test_no_file_is_said_to_be_missing(visitor):
    answer = visitor.post("/season/demo/files", files={"file": ("", b"")})
    assert answer.status_code == 422
    assert "No file was chosen." in words(answer)


def test_more_files_than_allowed_are_refused(visitor, tmp_path):
    files = [("file", (f"{n}.csv", b"x")) for n in range(MOST_FILES + 1)]
    assert visitor.post("/season/demo/files", files=files).status_code == 400
    assert not (tmp_path / "demo" / ".crossproof" / "desk").exists()


def test_a_form_that_is_too_large_is_refused_before_it_is_read(visitor):
    headers = {"content-length": str(10**12)}
    assert visitor.post("/season/demo/files", files={"file": ("a", b"x")}, headers=headers).status_code == 413


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("plate 1.xlsx", "plate 1.xlsx"),
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\ana\\plate.csv", "plate.csv"),
        (".bashrc", "bashrc"),
        ("", "file"),
        ("..", "file"),
        ("a<b>|c;$(rm).csv", "a_b__c__(rm).csv"),
        ("a\x00b.csv", "a_b.csv"),
        ("Bohnen-Züchtung.csv", "Bohnen-Züchtung.csv"),
    ],
)
def test_names_of_files_are_made_harmless(given, kept):
    assert harmless_name(given) == kept


def test_a_long_name_is_cut_but_keeps_its_ending():
    name = harmless_name("ü" * 300 + ".csv")
    assert len(name.encode()) <= 120
    assert name.endswith(".csv")


@pytest.mark.parametrize("key", ["0" * 16, "../../config", "g" * 16])
def test_a_key_that_no_file_waits_under_is_not_found(visitor, key):
    assert visitor.get(f"/season/demo/files/{key}").status_code == 404
