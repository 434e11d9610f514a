"""Every problem of a season in one table."""

from __future__ import annotations

import pandas as pd

from crossproof.errors import Problem
from crossproof.io.calls.store import read_arrays
from crossproof.io.records.checks import check_calls
from crossproof.io.records.season import Season, sort_problems
from crossproof.season.file_outcomes import Outcomes, problems_of_files, samples_read
from crossproof.season.index import SeasonIndex
from crossproof.steps.findings import FindingsOfSeason


def season_problems(
    index: SeasonIndex,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    states: Outcomes,
    findings: FindingsOfSeason,
) -> tuple[Problem, ...]:
    """Problems of the records, of the genotype files, of joining them, and of the plate checks."""
    header, _ = read_arrays(index.folder.work("panel", "fit"), verify=False)
    found = [*index.problems, *(Problem.of(p) for p in header["problems"])]
    found += problems_of_files(states)
    season = Season(index.config, crosses, samples, None, None, ())
    found += check_calls(season, samples_read(states), index.left_out)
    found += findings.problems
    return sort_problems(found)
