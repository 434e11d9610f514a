"""A season judged in memory, by the functions that the workflow's steps call; nothing is written."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from crossproof.errors import InputError, PlateError, Problem, Severity
from crossproof.inference.season_model import FamilyResult
from crossproof.io.entry_reader import read_entry
from crossproof.io.records.season import Season
from crossproof.io.records.strangers import sample_strangers
from crossproof.model.genotypes import CallBatch
from crossproof.season.corrections import Corrected, apply_corrections
from crossproof.season.evidence import StoredBatch, batches_of, family_inputs, model_settings
from crossproof.season.file_outcomes import FileOutcome, outcome_of_calls, outcome_set_aside
from crossproof.steps.calibrate import kept_estimates, read_estimates
from crossproof.steps.examine import Examination, findings_of
from crossproof.steps.findings import FindingsOfSeason
from crossproof.steps.panel import LaterCrosses, SeasonPanel, make_panel
from crossproof.steps.provable import provable_crosses, typing_of
from crossproof.steps.verdicts import verdict_frame
from crossproof.steps.verify import Asked, judge_families


@dataclass(frozen=True)
class SeasonInMemory:
    """A season's records as corrected, its panel, and what became of its genotype files.

    `set_aside`: the problems of those that cannot be trusted; `states`: what became of each.
    """

    season: Season
    corrected: Corrected
    panel: SeasonPanel
    set_aside: dict[str, tuple[Problem, ...]]
    states: dict[str, FileOutcome]

    @property
    def samples(self) -> pd.DataFrame:
        """The wells, numbered from 0 as the model numbers them."""
        return self.corrected.samples

    @property
    def crosses(self) -> pd.DataFrame:
        """The crosses."""
        return self.corrected.crosses


def season_in_memory(season: Season) -> SeasonInMemory:
    """Apply the corrections, read the genotype files, make the panel.

    Raises InputError where the records have errors or no genotype file can be used.
    """
    problems = season.errors
    if problems:
        raise InputError(problems)
    applied = apply_corrections(season.samples, season.crosses, season.corrections)
    wrong = [p for p in applied.problems if p.severity is Severity.ERROR]
    if wrong:
        raise InputError(wrong)
    corrected = replace(
        applied,
        samples=applied.samples.reset_index(drop=True),
        crosses=applied.crosses.reset_index(drop=True),
    )
    calls, set_aside = read_calls_of(season, set(corrected.samples["sample_id"]))
    held = {name: batch.samples for name, batch in calls.items()}
    files = {g.batch: g.path for g in season.config.genotypes}
    for name, problem in sample_strangers(corrected.samples, held, files).items():
        # Whose samples these are nobody has said: the file is set aside until somebody does.
        del calls[name]
        set_aside[name] = (problem,)
    if not calls:
        raise InputError([p for found in set_aside.values() for p in found])
    stored = [StoredBatch(name, "", tuple(b.samples), len(b.markers)) for name, b in calls.items()]
    kept = read_estimates(season.config.root / "calibration.json")
    made = make_panel(
        season.config, corrected.samples, corrected.crosses, stored, calls, kept, season.markers
    )
    states = {name: outcome_of_calls(b, "", files[name]) for name, b in calls.items()}
    states |= {name: outcome_set_aside(problems) for name, problems in set_aside.items()}
    return SeasonInMemory(season, corrected, made, set_aside, dict(sorted(states.items())))


def read_calls_of(
    season: Season, known: set[str]
) -> tuple[dict[str, CallBatch], dict[str, tuple[Problem, ...]]]:
    """Calls of every genotype file that can be trusted, and the problems of the others, by name of batch."""
    calls: dict[str, CallBatch] = {}
    set_aside: dict[str, tuple[Problem, ...]] = {}
    for file in sorted(season.config.genotypes, key=lambda g: g.batch):
        try:
            calls[file.batch] = read_entry(season.config, file, season.markers, known)
        except PlateError as refused:
            set_aside[file.batch] = tuple(refused.problems)
    return calls, set_aside


def evidence_in_memory(read: SeasonInMemory) -> dict[str, FamilyResult]:
    """Evidence of every cross with plants that were typed, crosses in order of name."""
    made = read.panel
    located = made.located[0]
    later, at = LaterCrosses(read.samples, read.crosses, located, made.known), located.tolist()
    asked = [
        Asked(f.cross_id, f, batches, later.of(batches))
        for f in sorted(family_inputs(read.samples, read.crosses), key=lambda f: f.cross_id)
        if (batches := batches_of(f, at))
    ]
    settings = model_settings(read.season.config)
    return judge_families(asked, made.joined, made.fitted, made.wells, settings, later.known, later.parents)


@dataclass(frozen=True)
class JudgedInMemory:
    """The table of verdicts, the evidence (by cross) and findings behind it, and what all were made from."""

    frame: pd.DataFrame
    evidence: dict[str, FamilyResult]
    findings: FindingsOfSeason
    read: SeasonInMemory


def verdicts_in_memory(season: Season) -> tuple[pd.DataFrame, SeasonInMemory]:
    """The table of verdicts, and what it was made from; raises as `season_in_memory`."""
    judged = judged_in_memory(season)
    return judged.frame, judged.read


def judged_in_memory(season: Season) -> JudgedInMemory:
    """Verdicts and findings of a season; raises as `season_in_memory`."""
    read = season_in_memory(season)
    made, config = read.panel, season.config
    evidence = evidence_in_memory(read)
    estimates = kept_estimates(made.estimates.to_dict()) if made.estimates else None
    findings = findings_of(
        Examination(
            config,
            read.samples,
            read.crosses,
            made.joined,
            made.fitted,
            made.located[0],
            made.wells,
            estimates,
            tuple(evidence.values()),
            tuple(sorted(read.corrected.dismissed)),
        )
    )
    typing = typing_of(made.fitted, made.wells, read.samples, made.located[0], season.markers)
    provable = provable_crosses(
        config, made.joined, made.fitted, read.samples, read.crosses, made.located[0], typing
    )
    frame = verdict_frame(
        config, read.samples, read.crosses, read.set_aside, made.joined.stored, evidence, findings, provable,
        read.corrected.without_data,
    )  # fmt: skip
    return JudgedInMemory(frame, evidence, findings, read)
