"""`crossproof years`: folders in, page and tables out; every fault of the folders at once."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.errors import InputError
from crossproof.season.past_seasons import Named, read_past_seasons, read_synonyms
from crossproof.steps.years import compare_seasons

sys.path.insert(0, str(Path(__file__).parents[1] / "rates"))
from years_seasons import folder_of, year


def folders(root: Path, count: int = 2, tags: int = 60) -> list[Path]:
    return [folder_of(year(k, bad="Line C", tags=tags), root) for k in range(count)]


def test_page_and_tables(tmp_path: Path) -> None:
    seasons = folders(tmp_path)
    out = tmp_path / "years"
    result = CliRunner().invoke(main, ["years", *map(str, seasons), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in out.iterdir()) == [
        "years.html", "years_levels.csv", "years_rates.csv", "years_repeats.csv", "years_trends.csv",
    ]  # fmt: skip
    page = (out / "years.html").read_text(encoding="utf-8")
    assert "never to judge a person" in page
    assert "http" not in page.replace("http-equiv", "")
    rates = pd.read_csv(out / "years_rates.csv")
    assert set(rates["season"]) == {"nursery_2028", "nursery_2029"}
    before = {p: p.read_bytes() for p in out.iterdir()}
    compare_seasons(seasons[::-1], out)  # in the order of time, whatever the order given
    assert {p: p.read_bytes() for p in out.iterdir()} == before


def test_synonyms_make_one_of_two_names(tmp_path: Path) -> None:
    first, second = (year(k, tags=40) for k in range(2))
    second.crosses["operator"] = second.crosses["operator"].replace("Ada", "A. Da")
    seasons = [folder_of(first, tmp_path), folder_of(second, tmp_path)]
    sheet = tmp_path / "synonyms.csv"
    sheet.write_text("kind,name,same_as\nperson,A. Da,Ada\n", encoding="utf-8")
    known = read_synonyms(sheet)
    assert known.names[Named.PERSON] == {"A. Da": "Ada"}
    compare_seasons(seasons, tmp_path / "out", sheet)
    rates = pd.read_csv(tmp_path / "out" / "years_rates.csv")
    assert sorted(set(rates.loc[rates["factor"] == "operator", "level"])) == ["Ada", "Bo", "Cy"]
    compare_seasons(seasons, tmp_path / "apart")
    assert "A. Da and Ada are counted separately" in (tmp_path / "apart" / "years.html").read_text("utf-8")


def test_every_fault_of_the_synonyms_at_once(tmp_path: Path) -> None:
    sheet = tmp_path / "synonyms.csv"
    sheet.write_text(
        "kind,name,same_as\ngardener,x,y\nline,A,\nperson,Ada,Bo\nperson,Ada,Cy\nperson,Bo,Dee\n", "utf-8"
    )
    with pytest.raises(InputError) as refused:
        read_synonyms(sheet)
    said = [(p.row, p.column) for p in refused.value.problems]
    assert (2, "kind") in said
    assert (3, "same_as") in said
    assert (5, "name") in said
    assert any("itself stands for" in p.problem for p in refused.value.problems)
    with pytest.raises(InputError, match="no such file"):
        read_synonyms(tmp_path / "none.csv")


def test_every_folder_without_a_run_is_named(tmp_path: Path) -> None:
    good = folders(tmp_path, 1, 20)[0]
    bare = [tmp_path / "one", tmp_path / "two"]
    for folder in bare:
        folder.mkdir()
    with pytest.raises(InputError) as refused:
        read_past_seasons([good, *bare, good])
    assert [p.file for p in refused.value.problems] == [*map(str, bare), str(good)]
    assert "crossproof run" in refused.value.problems[0].remedy
    assert CliRunner().invoke(main, ["years", str(good), "--out", str(tmp_path / "o")]).exit_code == 2
    assert not (tmp_path / "o").exists()
