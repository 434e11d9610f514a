"""The verbs of `import crossproof`: docstring examples as they stand, and the same verdicts as a run's."""

from __future__ import annotations

import datetime as dt
import doctest
import os
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import pandas as pd
import pytest
from seasons import crossproof as command

import crossproof as cp
from crossproof import api
from crossproof.errors import InputError, UsageError
from crossproof.season.templates import new_season


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    new_season(tmp_path / "nursery")
    return tmp_path / "nursery"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_docstring_examples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    found = doctest.DocTestFinder().find(api, "api", extraglobs={"cp": cp})
    examples = sorted((t for t in found if t.examples), key=lambda t: t.name != "api")
    assert [t.name for t in examples[:1]] == ["api"]  # the one that makes the season
    said: list[str] = []
    for example in examples:
        runner.run(example, out=said.append)
    assert "".join(said) == ""
    assert runner.summarize(verbose=False).attempted == 12


def test_all_verbs_are_there_and_documented() -> None:
    for name in cp._VERBS:
        assert getattr(cp, name) is getattr(api, name)
        assert name in dir(cp)
        assert len(getattr(cp, name).__doc__) > 80
    for name in cp._RAISED:
        assert getattr(cp, name) is getattr(api, name)
        assert name in cp.__all__
        assert name in api.__all__
    with pytest.raises(AttributeError, match="'crossproof' has no attribute 'verfy'"):
        _ = cp.verfy


def test_importing_the_package_loads_no_libraries() -> None:
    code = "import sys, crossproof; print(sorted({'numpy', 'pandas', 'crossproof.api'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_nothing_is_written_into_the_season(nursery: Path) -> None:
    before = contents(nursery)
    verdicts = cp.verify(nursery)
    cp.plan(nursery)
    assert contents(nursery) == before
    assert verdicts["verdict"].tolist() == ["hybrid"]


def test_a_season_may_be_read_only(nursery: Path) -> None:
    # As root every folder is writable; the folder's own times tell instead.
    times = {p: os.stat(p).st_mtime_ns for p in [nursery, *nursery.rglob("*")]}
    cp.verify(cp.read_season(nursery))
    assert {p: os.stat(p).st_mtime_ns for p in [nursery, *nursery.rglob("*")]} == times


def test_changed_records_are_judged_as_changed(nursery: Path) -> None:
    season = cp.read_season(nursery)
    crosses = season.crosses.assign(father="Lark", mother="Wren")
    turned = cp.verify(replace(season, crosses=crosses))
    assert turned[["mother", "father"]].to_numpy().tolist() == [["Wren", "Lark"]]


@pytest.mark.slow
def test_verdicts_are_those_of_a_run(nursery: Path) -> None:
    done = command("run", nursery, "--cores", 1, "--allow-findings")
    assert done.returncode == 0, done.stderr
    found = cp.results(nursery)
    pd.testing.assert_frame_equal(cp.verify(nursery), found.verdicts)
    rates = cp.crossing_rates(nursery, found.verdicts)
    for field in fields(rates):
        # Only the run has plate checks, whose findings it writes beside each cross.
        read = getattr(found, field.name).drop(columns="findings", errors="ignore")
        pd.testing.assert_frame_equal(getattr(rates, field.name), read)
    assert found.crosses["tested"].dtype == "Int64"
    assert found.markers["used"].dtype == "boolean"
    assert found.samples["well"].tolist() == ["A1", "B1", "C1", "D1", "E1", "F1"]
    assert found.markers["call_rate"].dtype == float
    assert found.folder == nursery / "results"


def test_rates_take_verdicts_that_were_changed(nursery: Path) -> None:
    verdicts = cp.verify(nursery)
    by_hand = verdicts.assign(verdict="self", p_hybrid=0.0, p_self=1.0)
    assert cp.crossing_rates(nursery, by_hand).crosses["self"].tolist() == [1]
    assert cp.crossing_rates(nursery, verdicts).crosses["hybrid"].tolist() == [1]


def test_refusals_name_what_is_wrong(nursery: Path) -> None:
    with pytest.raises(UsageError, match="There are no results here"):
        cp.results(nursery)
    sheet = nursery / "crosses.csv"
    sheet.write_text(sheet.read_text().replace("2025-06-04", "4 June"))
    with pytest.raises(InputError, match=r"crosses\.csv"):
        cp.verify(nursery)
    assert "error" in cp.check(nursery)["severity"].tolist()


def test_a_file_set_aside_is_warned_of(nursery: Path) -> None:
    config = nursery / "config.yaml"
    config.write_text(
        config.read_text().replace(
            "layout: wide}\n", "layout: wide}\n  - {batch: B02, path: genotypes/broken.vcf}\n", 1
        )
    )
    (nursery / "genotypes" / "broken.vcf").write_text("##fileformat=VCFv4.2\nnothing more\n")
    with pytest.warns(api.SetAsideWarning, match="Genotype file B02 was set aside"):
        verdicts = cp.verify(nursery)
    assert verdicts["verdict"].tolist() == ["hybrid"]


def test_a_run_needs_a_core(nursery: Path) -> None:
    with pytest.raises(cp.UsageError, match="A run needs at least one core"):
        cp.run(nursery, cores=0)


def test_verdicts_that_would_be_miscounted_are_refused(nursery: Path) -> None:
    odd = cp.verify(nursery).assign(verdict="f1", p_hybrid=-1).drop(columns="plant")
    with pytest.raises(cp.InputError) as refused:
        cp.crossing_rates(nursery, odd)
    assert [p.column for p in refused.value.problems] == ["plant", "verdict", "p_hybrid"]


def test_changed_records_are_checked_as_sheets_are(nursery: Path) -> None:
    season = cp.read_season(nursery)
    wrong = replace(season, crosses=season.crosses.assign(date="4 June", flowers=-1, father="Lark"))
    for verb in (cp.verify, cp.crossing_rates, cp.plan):
        with pytest.raises(cp.InputError) as refused:
            verb(wrong)
        assert {p.file for p in refused.value.problems} == {"crosses (in memory)"}
        assert {"date", "flowers", "father"} <= {p.column for p in refused.value.problems}
    season.samples.loc[4, "cross_id"] = "X100"  # changed in place, which a Season cannot keep anybody from
    with pytest.raises(cp.InputError, match="X100"):
        cp.verify(season)


def test_an_hour_that_does_not_follow_from_the_time_is_told(nursery: Path) -> None:
    season = cp.read_season(nursery)
    with pytest.raises(cp.InputError, match="The hour follows from the time and differs from it"):
        cp.verify(replace(season, crosses=season.crosses.assign(hour=23.0)))


def test_unchanged_tables_are_not_read_again(nursery: Path) -> None:
    season = cp.read_season(nursery)
    assert api._season(season) is season
    again = api._season(replace(season, checked=""))
    assert again.problems == season.problems
    place = ["_file", "_row"]
    pd.testing.assert_frame_equal(again.crosses.drop(columns=place), season.crosses.drop(columns=place))
    pd.testing.assert_frame_equal(again.samples.drop(columns=place), season.samples.drop(columns=place))


def test_a_season_from_tables_in_memory(nursery: Path) -> None:
    sheets = {
        "crosses": pd.DataFrame(
            {
                "cross_id": ["X001"], "mother": ["Lark"], "father": ["Wren"], "flowers": [2.0],
                "date": [pd.Timestamp("2025-06-04")], "time": [dt.time(9, 30)], "operator": [None],
            }
        ),
        "samples": pd.read_csv(next(nursery.glob("samples/*.csv")), comment="#"),
    }  # fmt: skip
    for sheet in (nursery / "crosses.csv", *nursery.glob("samples/*.csv")):
        sheet.unlink()
    season = cp.read_season(nursery, **sheets)
    assert season.errors == ()
    assert season.crosses.loc[0, ["date", "time", "hour", "flowers"]].tolist() == [
        "2025-06-04",
        "09:30",
        9.5,
        2,
    ]
    assert cp.verify(season)["verdict"].tolist() == ["hybrid"]
