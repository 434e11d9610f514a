"""Answers of docs/questions.md, done on the finished demo season as they say."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from crossproof.cli import main

pytestmark = pytest.mark.slow
LIKELIEST = "tags-swapped:C011"


@pytest.fixture
def season(finished_demo: Path, tmp_path: Path) -> Path:
    """A copy of the finished demo that may be changed."""
    return Path(shutil.copytree(finished_demo, tmp_path / "season"))


def said(*arguments: str, answer: str = "") -> str:
    done = CliRunner().invoke(main, list(arguments), input=answer)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.DictReader(lines))


def sheets(season: Path) -> dict[str, bytes]:
    own = [season / "crosses.csv", *(season / "samples").glob("*.csv"), *(season / "genotypes").glob("*")]
    return {str(p): p.read_bytes() for p in own}


def test_what_do_i_do_about_a_finding(season: Path) -> None:
    before = sheets(season)
    assert LIKELIEST in said("correct", str(season))
    stopped = CliRunner().invoke(main, ["correct", str(season), LIKELIEST], input="n\n")
    assert stopped.exit_code != 0
    assert not (season / "corrections.csv").exists(), "nothing is written before it is agreed to"
    told = said("correct", str(season), LIKELIEST, answer="y\n")
    for plant in ("C011-01", "C024-01"):
        assert f"{plant} from off pedigree to hybrid" in told, "which verdicts would change, plant by plant"
    [row] = rows(season / "corrections.csv")
    assert (row["kind"], row["target"], row["other"]) == ("swap tags", "C011", "C024")
    assert sheets(season) == before, "your sheets are never changed"


def test_a_wrong_finding_is_dismissed_with_the_reason(season: Path) -> None:
    before = sheets(season)
    said("correct", str(season), LIKELIEST, "--dismiss", "both tags were read again", "--yes")
    [row] = rows(season / "corrections.csv")
    assert row["note"] == "both tags were read again"
    assert row["kind"] == "dismiss"
    assert sheets(season) == before


@pytest.mark.parametrize(
    ("thing", "words"),
    [
        ("C011-01", "Decision: hold"), ("C003-08", "second"), ("C012", "next step"), ("LN05", "samples"),
        ("P002", "call rate"), ("P002:E1", "LN05-2"), ("LN05-2", "LN05"), ("cross:C012", "next step"),
    ],
)  # fmt: skip
def test_where_do_i_find_one_thing(finished_demo: Path, thing: str, words: str) -> None:
    assert words in said("explain", str(finished_demo), thing)


def natural(place: str) -> list[int | str]:
    return [int(x) if x.isdigit() else x for x in re.split(r"(\d+)", place)]


def test_in_which_order_do_i_walk(finished_demo: Path) -> None:
    book = openpyxl.load_workbook(finished_demo / "results" / "worklist.xlsx", read_only=True)
    walk = [list(row) for row in book["Walk"].iter_rows(values_only=True)]
    at = next(k for k, row in enumerate(walk) if "Place" in row)
    place = walk[at].index("Place")
    plants = [row for row in walk[at + 1 :] if row[walk[at].index("Plant")]]
    places = [str(row[place]) for row in plants]
    assert places == sorted(places, key=natural), "tray 2 before tray 10"
    assert len({p.split("-")[0] for p in places}) > 1
    assert {row[0] for row in plants} == {"☐"}, "each plant has a box to tick"
    assert all(row[walk[at].index("Sample well")] for row in plants), "the well stands beside it"
    heads = [row[place] for row in walk[at + 1 :] if not row[walk[at].index("Plant")] and row[place]]
    assert heads, "each tray has a heading"
    assert all(re.search(r"keep|cull|hold|wait|sample again", str(h)) for h in heads)
    decided = {r["plant"]: r["decision"] for r in rows(finished_demo / "results" / "verdicts.csv")}
    assert {row[walk[at].index("Plant")] for row in plants} == set(decided)


def test_flowers_are_asked_for_only_when_nothing_cheaper_is_left(finished_demo: Path) -> None:
    crosses = rows(finished_demo / "results" / "crosses.csv")
    asked = {r["next_step"] for r in crosses if int(r["flowers_to_repeat"] or 0)}
    assert asked <= {"repeat", "test stored seed"}
    assert any(r["next_step"] == "repeat" for r in crosses)
    for r in crosses:
        if r["next_step"] == "repeat":
            assert int(r["seeds_left"] or 0) == 0
            assert "pollinate" in r["next_step_detail"]


def test_what_do_i_give_to_whoever_asks(finished_demo: Path) -> None:
    page = (finished_demo / "results" / "report.html").read_text(encoding="utf-8")
    assert not re.search(r'(?:src|href)="(?:https?:|//|\.\.?/)', page), "one file that works offline"
    assert "not about people" in page


def test_how_do_i_look_at_years_together(season: Path, tmp_path: Path) -> None:
    other = shutil.copytree(season, tmp_path / "other")
    out = tmp_path / "years"
    told = said("years", str(season), str(other), "--out", str(out))
    assert "tables beside it" in told
    pages = list(out.glob("*.html"))
    assert pages
    text = pages[0].read_text(encoding="utf-8")
    assert "season" in text
    assert len(list(out.glob("*.csv"))) >= 1
