"""A job shared among processes writes what it writes alone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from crossproof.season.index import RESULT_FILES, index_of_run
from crossproof.steps import panel as panel_step
from crossproof.steps.panel import panel
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


def files_in(folder: Path) -> dict[Path, bytes]:
    """Files and what they hold, without those that Snakemake leaves there."""
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("[!.]*") if p.is_file()}


def test_panel_by_several_processes(
    finished_demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(panel_step, "WORTH_A_PROCESS", 1)
    season = tmp_path / "season"
    shutil.copytree(finished_demo, season)
    made = season / ".crossproof" / "work" / "panel"
    before, kept = files_in(made), (season / "calibration.json").read_bytes()
    (season / "calibration.json").unlink()
    shutil.rmtree(made)
    panel(index_of_run(season), threads=3)
    assert files_in(made) == before
    assert (season / "calibration.json").read_bytes() == kept
