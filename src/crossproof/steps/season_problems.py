"""Every problem of a season in one table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from crossproof.errors import Problem
from crossproof.io.calls.store import read_arrays
from crossproof.io.records.checks import check_calls
from crossproof.io.records.season import Season, sort_problems
from crossproof.model.results import FileState
from crossproof.season.index import SeasonIndex, problem_from
from crossproof.steps.findings import FindingsOfSeason


def season_problems(
    index: SeasonIndex,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    states: Mapping[str, Mapping[str, Any]],
    findings: FindingsOfSeason,
) -> tuple[Problem, ...]:
    """Problems of the records, of the genotype files, of joining them, and of the plate checks."""
    header, _ = read_arrays(index.folder.work("panel", "fit"), verify=False)
    found = [*index.problems, *(problem_from(p) for p in header["problems"])]
    for state in states.values():
        found += [problem_from(p) for p in state["problems"]]
    season = Season(index.config, crosses, samples, None, None, ())
    found += check_calls(season, {n: s["samples"] for n, s in states.items() if s["state"] == FileState.USED})
    found += findings.problems
    return sort_problems(found)
