"""A bounded form of benchmarks/smallest_marker_set.py: its exhaustive search has a model of its own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest


@pytest.mark.slow
def test_no_smaller_set_on_some_panels_of_sixteen_markers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2] / "benchmarks"))
    from smallest_marker_set import rows

    *panels, told = rows(panels=3, lines=8, markers=16, crosses=6, seed=1, first=15)
    assert told == "3 of 3 panels: as small as an exhaustive search finds"
    assert all(
        re.search(r"prove [56] of 6 .* smallest, .* exhaustive search: no smaller set", p) for p in panels
    )
