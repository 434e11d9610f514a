"""Of several solutions of one family, the likelier."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from crossproof.inference.family import two_starts


def solution(log_evidence: float, converged: bool = True) -> Any:
    return SimpleNamespace(log_evidence=log_evidence, converged=converged, rival=True)


@pytest.mark.parametrize(
    ("plain", "stretched", "wanted"),
    [
        (solution(-386.1), solution(-416.9), -386.1),
        (solution(-416.9), solution(-386.1), -386.1),
        (solution(-386.1, converged=False), solution(-390.0), -390.0),
    ],
    ids=["stretches fit worse", "stretches fit better", "only stretches converged"],
)
def test_stretches_are_taken_where_they_fit_better(
    monkeypatch: pytest.MonkeyPatch, plain: Any, stretched: Any, wanted: float
) -> None:
    found = {None: plain, "within": stretched}
    monkeypatch.setattr(two_starts, "_likelier", lambda *given: found[given[3]])
    best = two_starts.from_two_starts(None, None, "within", None, run_wide=False)  # type: ignore[arg-type]
    assert best.log_evidence == wanted
    early = two_starts.from_two_starts(None, None, "within", None, run_wide=True)  # type: ignore[arg-type]
    assert early is plain
