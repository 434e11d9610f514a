"""A bounded form of benchmarks/smallest_marker_set.py: its exhaustive search has a model of its own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest


@pytest.mark.slow
def test_no_smaller_set_where_most_of_sixteen_markers_are_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2] / "benchmarks"))
    from smallest_marker_set import rows

    *panels, told = rows(panels=1, lines=8, markers=16, crosses=6, seed=1, first=19)
    assert told == "1 of 1 panels: as small as an exhaustive search finds"
    assert all(
        re.search(r"prove 6 of 6 .* smallest, .*: \d+ smaller sets, none proves as many", p) for p in panels
    )
