"""A job shared among processes writes what it writes alone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from crossproof.season.index import RESULT_FILES, index_of_run
from crossproof.steps.rates import rates
from crossproof.steps.verdicts import verdicts


@pytest.mark.parametrize("step", [verdicts, rates], ids=lambda s: s.__name__)
def test_tables_by_several_processes(step, finished_demo: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    season = tmp_path / "season"
    shutil.copytree(finished_demo, season)
    index = index_of_run(season)
    names = RESULT_FILES[step.__name__]
    before = {name: (season / "results" / name).read_bytes() for name in names}
    for name in names:
        (season / "results" / name).unlink()
    step(index, threads=3)
    assert {name: (season / "results" / name).read_bytes() for name in names} == before
