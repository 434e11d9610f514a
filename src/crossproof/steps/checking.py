"""`crossproof check`: all problems of all files at once, nothing computed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from crossproof.errors import BusyError, InputError, PlateError, Problem, Severity, machine_problem, warning
from crossproof.io.config.season_config import find_config, read_config
from crossproof.io.entry_reader import marker_problems, read_entry
from crossproof.io.reading_problems import reading_problems
from crossproof.io.records.checks import check_calls
from crossproof.io.records.issued_tags import TAGS_FILE
from crossproof.io.records.season import Season, sort_problems
from crossproof.io.records.season_records import read_season
from crossproof.model.genotypes import CallBatch
from crossproof.model.plates import Role
from crossproof.planning.season_inputs import plan_settings, wish_list
from crossproof.season.corrections import apply_corrections
from crossproof.season.past_seasons import previous_problems
from crossproof.season.work_folder import WorkFolder, season_lock
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
            # Not while a run is working: the table is the run's, which would take itself for refused.
            with season_lock(folder):
                write_refusal(folder, problems)
        except BusyError:
            busy = Problem(
                Severity.NOTE,
                "results/problems.csv",
                None,
                "",
                "",
                "Not written because a run is working on this season.",
                "No action is needed; check again when the run has ended if you want the table.",
            )
            problems = (*problems, busy)
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
        # Between the tags and the laboratory there is nothing to type plants from yet.
        printed = (config.parent / TAGS_FILE).is_file()
        season = read_season(config, genotypes_come=printed, wells_come=printed)
    except InputError as refused:
        return sort_problems(refused.problems)
    problems = [*season.problems, *previous_problems(season.config)]
    held: dict[str, tuple[str, ...]] = {}
    known = set(season.samples["sample_id"])
    calls: dict[str, CallBatch] = {}
    for file in season.config.genotypes:
        try:
            batch = read_entry(season.config, file, season.markers, known)
            held[file.batch] = batch.samples
            calls[file.batch] = replace(batch, blocks=())  # many files need not be held at once
            problems += reading_problems(batch, file.path)
        except PlateError as refused:
            problems += refused.problems
    if season.config.genotypes:
        problems += check_calls(season, held)
    else:
        problems.append(_not_there_yet(season))
    problems += marker_problems(season.samples, calls, season.markers, season.config)
    problems += apply_corrections(
        season.samples,
        season.crosses,
        season.corrections,
        file=season.config.corrections or "corrections.csv",
    ).problems
    problems += wish_list(season.config.root, _typed_lines(season, held), plan_settings(season.config))[1]
    return sort_problems(problems)


def _not_there_yet(season: Season) -> Problem:
    """What still has to come to a season whose tags are printed."""
    file = season.config.source.name
    if not len(season.samples):
        return warning(
            file,
            "There is no sheet of wells yet.",
            "No action is needed before the harvest; crossproof sample then writes one.",
            column="samples",
        )
    return warning(
        file,
        "No genotype file is named yet.",
        "No action is needed before the laboratory has answered; then: crossproof receive",
        column="genotypes",
    )


def _typed_lines(season: Season, held: Mapping[str, Collection[str]]) -> list[str]:
    """Lines with a parent well whose sample a genotype file holds."""
    samples = {s for names in held.values() for s in names}
    parents = season.samples[season.samples["role"] == Role.PARENT]
    return sorted(set(parents.loc[parents["sample_id"].isin(samples), "line"]) - {""})


def acknowledged_in(where: Path) -> tuple[str, ...]:
    """Codes of the warnings that the season's config.yaml acknowledges; () where it cannot be read."""
    try:
        return read_config(where).acknowledged
    except InputError:
        return ()
