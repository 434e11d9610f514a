"""Seasons of a folder, a new one, and what none can be."""

from __future__ import annotations

import hashlib
import json
import os

import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.desk.folder import Standing, find_season, seasons_in, state_of
from crossproof.season.work_folder import WorkFolder, season_held, season_lock


@pytest.fixture
def visitor(tmp_path):
    return Visitor(tmp_path)


def test_an_empty_folder_says_how_to_begin(visitor):
    text = words(visitor.get("/"))
    assert "There is no season in" in text
    assert "Make the season" in text


def test_a_new_season_is_made_and_can_be_run(visitor, tmp_path):
    answer = visitor.post("/seasons", {"name": "nursery 2027"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/season/nursery%202027?said=MADE")
    assert (tmp_path / "nursery 2027" / "config.yaml").is_file()
    text = words(visitor.get(answer.headers["location"]))
    assert "The season is made." in text
    assert "The season can be run." in text


@pytest.mark.parametrize(
    "name", ["", "..", "../out", "a/b", "~", ".hidden", "-rf", "a\x00b", "a\nb", "x" * 101]
)
def test_a_name_that_leaves_the_folder_or_hides_is_refused(visitor, tmp_path, name):
    assert visitor.post("/seasons", {"name": name}).status_code == 422
    assert list(tmp_path.iterdir()) == []


def test_a_season_that_is_there_is_not_written_over(visitor, tmp_path):
    visitor.post("/seasons", {"name": "s"})
    before = (tmp_path / "s" / "crosses.csv").read_bytes()
    answer = visitor.post("/seasons", {"name": "s"})
    assert answer.status_code == 422
    assert "The folder is not empty." in words(answer)
    assert (tmp_path / "s" / "crosses.csv").read_bytes() == before


def test_a_link_to_a_season_elsewhere_is_no_season(tmp_path):
    copy_of_demo(tmp_path / "outside" / "demo")
    (tmp_path / "inside").mkdir()
    os.symlink(tmp_path / "outside" / "demo", tmp_path / "inside" / "demo")
    assert seasons_in(tmp_path / "inside") == ()


@pytest.mark.parametrize("name", ["%2e%2e", "..%2fdemo", "nowhere", "~"])
def test_only_listed_names_are_seasons(tmp_path, name):
    copy_of_demo(tmp_path / "demo")
    (tmp_path / "inside").mkdir()
    visitor = Visitor(tmp_path / "inside")
    assert visitor.get(f"/season/{name}").status_code == 404
    assert visitor.get(f"/season/{name}/results/report.html").status_code == 404


def test_a_folder_that_is_a_season_is_shown_as_one(tmp_path):
    visitor = Visitor(copy_of_demo(tmp_path / "demo"))
    page = visitor.get("/")
    assert 'href="/season/~"' in page.text
    assert "A new season" not in page.text
    assert "<h1>demo</h1>" in visitor.get("/season/~").text


def test_names_are_text_on_every_page(visitor, tmp_path):
    name = "<img src=x onerror=alert(1)>"
    copy_of_demo(tmp_path / "plain")
    os.rename(tmp_path / "plain", tmp_path / name)
    text = visitor.get("/").text
    assert "<img" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in text


def test_a_season_that_somebody_holds_is_running(tmp_path):
    copy_of_demo(tmp_path / "demo")
    visitor = Visitor(tmp_path)
    folder = WorkFolder(tmp_path / "demo")
    assert not season_held(folder)
    with season_lock(folder):
        assert season_held(folder)
        assert season_held(folder)
        assert state_of(find_season(tmp_path, "demo")).standing is Standing.RUNNING
        text = words(visitor.get("/season/demo/run"))
        assert "Another run is working on this season" in text
        assert "Stop the run" not in text
        answer = visitor.post("/season/demo/run")
        assert answer.status_code == 409
        assert "Nothing was changed." in words(answer)
    assert not season_held(folder)
    assert state_of(find_season(tmp_path, "demo")).standing is Standing.NEW


def test_a_copy_of_a_season_has_not_changed(visitor, tmp_path):
    """A copy's times are all later than its run: what tells is the content that the run read."""
    season = copy_of_demo(tmp_path / "s")
    sheets = ("config.yaml", "crosses.csv", "markers.csv", "samples/B001.csv")
    run = {
        "finished": "2031-07-01T10:00:00+00:00",
        "inputs_sha256": {n: hashlib.sha256((season / n).read_bytes()).hexdigest() for n in sheets},
    }
    (season / "results").mkdir()
    (season / "results" / "run.json").write_text(json.dumps(run), encoding="utf-8")
    os.utime(season / "results" / "run.json", (1, 1))
    place = find_season(tmp_path, "s")
    assert {n for n in state_of(place).changed if n in sheets} == set()
    assert "README.md" not in state_of(place).changed, "no run reads it"
    assert "samples/B002.csv" in state_of(place).changed, "the run did not have it, the next one will"
    crosses = (season / "crosses.csv").read_bytes()
    (season / "crosses.csv").write_bytes(crosses + b"\n")
    (season / "markers.csv").unlink()
    assert {n for n in state_of(place).changed if n in sheets} == {"crosses.csv", "markers.csv"}
    (season / "crosses.csv").write_bytes(crosses)
    assert "crosses.csv" not in state_of(place).changed, "put back as it was"
    (season / "config.yaml").write_text("nonsense: [", encoding="utf-8")
    assert "config.yaml" in state_of(place).changed
