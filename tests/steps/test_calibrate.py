"""The file of run-wide estimates: absent, of an earlier version, damaged."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from crossproof.errors import InputError
from crossproof.steps.calibrate import FORMAT, read_estimates


def test_no_file_is_no_estimate(tmp_path: Path) -> None:
    assert read_estimates(tmp_path / "calibration.json") is None


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ({"format": FORMAT - 1}, "made by an earlier version"),
        ({"format": FORMAT}, "cannot be read"),
        ({"format": "1"}, "cannot be read"),
        ([], "cannot be read"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_to_do(tmp_path: Path, content: object, said: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_estimates(path)
    (problem,) = refused.value.problems
    assert said in problem.problem
    assert "--recalibrate" in problem.remedy
