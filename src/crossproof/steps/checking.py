"""`crossproof check`: all problems of all files at once, nothing computed."""

from __future__ import annotations

from pathlib import Path

from crossproof.errors import InputError, PlateError, Problem, Severity, machine_problem, warning
from crossproof.io.config.season_config import find_config
from crossproof.io.genotypes import reading_problems
from crossproof.io.records.checks import check_calls
from crossproof.io.records.season_records import read_season, sort_problems
from crossproof.season.work_folder import WorkFolder
from crossproof.steps.ingest import read_genotypes
from crossproof.steps.refusal import write_refusal


def check_season(where: Path) -> tuple[Problem, ...]:
    """Problems of configuration, sheets and genotype files, errors first.

    They are also written to results/problems.csv where any is an error, or where no run has written it yet.
    """
    try:
        config = find_config(where)
    except InputError as refused:
        return refused.problems
    folder = WorkFolder(config.parent.resolve())
    problems = _all_problems(config)
    errors = any(p.severity is Severity.ERROR for p in problems)
    if errors or not (folder.results / "problems.csv").exists() or folder.refused.exists():
        try:
            write_refusal(folder, problems)
        except OSError as fault:
            told = machine_problem(fault)
            if told is None:
                raise
            # To look at a season that cannot be written, such as a copy put away, is no fault.
            problems = (
                *problems,
                warning("results/problems.csv", f"Not written. {told.problem}", told.remedy),
            )
    return tuple(
        sorted(problems, key=lambda p: [Severity.ERROR, Severity.WARNING, Severity.NOTE].index(p.severity))
    )


def _all_problems(config: Path) -> tuple[Problem, ...]:
    try:
        season = read_season(config)
    except InputError as refused:
        return sort_problems(refused.problems)
    problems = list(season.problems)
    held: dict[str, tuple[str, ...]] = {}
    known = set(season.samples["sample_id"])
    for file in season.config.genotypes:
        try:
            batch = read_genotypes(season.config, file, season.markers, known)
            held[file.batch] = batch.samples
            problems += reading_problems(batch, file.path)
        except PlateError as refused:
            problems += refused.problems
    problems += check_calls(season, held)
    return sort_problems(problems)
