"""A season judged in memory: nothing written or printed, and the verdicts of the workflow's own run."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import copy_of_demo, crossproof

import crossproof as cp
from crossproof.inference.season_model import FamilyInput
from crossproof.season.templates import new_season
from crossproof.steps.in_memory import evidence_in_memory, season_in_memory
from crossproof.steps.panel import LaterCrosses


def test_no_folder_is_made_and_nothing_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    new_season(tmp_path / "season")

    def refuse(*_: object, **__: object) -> str:
        raise AssertionError("a temporary folder was made")

    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    monkeypatch.setattr(os, "mkdir", refuse)
    assert cp.verify(tmp_path / "season")["verdict"].tolist() == ["hybrid"]
    assert capfd.readouterr() == ("", "")


def test_evidence_is_that_of_every_typed_family(tmp_path: Path) -> None:
    new_season(tmp_path / "season")
    read = season_in_memory(cp.read_season(tmp_path / "season"))
    assert read.panel.first
    assert read.panel.known == ("X001",)
    (result,) = evidence_in_memory(read).values()
    assert result.plants.tolist() == ["X001-1"]
    assert result.class_posterior[0].argmax() == 0  # hybrid


def test_crosses_that_came_later_count_in_their_own_files_only() -> None:
    samples = pd.DataFrame(
        {"role": ["progeny", "progeny", "progeny", "parent"], "cross_id": ["C1", "C2", "C3", ""]}
    )
    crosses = pd.DataFrame({"cross_id": ["C1", "C2", "C3"], "mother": list("AAB"), "father": list("BCC")})
    later = LaterCrosses(samples, crosses, np.array([0, 0, 1, -1]), known=["C1", "gone"])
    assert later.known == {"C1"}
    assert later.of((0,)) == ("C2",)
    assert later.of((1,)) == ("C3",)
    assert later.of((0, 1)) == ("C2", "C3")
    assert FamilyInput("C1", *later.parents["C1"], ()).father == "B"


@pytest.mark.slow
def test_verdicts_are_those_of_a_run_before_and_after_it(tmp_path: Path) -> None:
    season = copy_of_demo(tmp_path / "demo")
    before = cp.verify(season)
    done = crossproof("run", season, "--allow-findings")
    assert done.returncode == 0, done.stderr
    found = cp.results(season).verdicts
    pd.testing.assert_frame_equal(before, found, check_exact=True)
    pd.testing.assert_frame_equal(cp.verify(season), found, check_exact=True)
