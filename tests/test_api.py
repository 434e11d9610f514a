"""The verbs of `import crossproof`: docstring examples as they stand, and the same verdicts as a run's."""

from __future__ import annotations

import doctest
import os
import subprocess
import sys
from dataclasses import replace
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
    assert runner.summarize(verbose=False).attempted == 10


def test_all_verbs_are_there_and_documented() -> None:
    for name in cp._VERBS:
        assert getattr(cp, name) is getattr(api, name)
        assert name in dir(cp)
        assert len(getattr(cp, name).__doc__) > 80
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
    same = ["cross_id", "tested", "hybrid", "seeds_to_test", "next_step"]
    pd.testing.assert_frame_equal(rates.crosses[same], found.crosses[same], check_dtype=False)
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
