"""What a report is made from, for a season judged in memory; nothing is written."""

from __future__ import annotations

import pandas as pd

from crossproof.io.records.checks import check_calls
from crossproof.io.records.season import Season, sort_problems
from crossproof.io.results.tables import problems_frame
from crossproof.report.content.inputs import ReportInputs
from crossproof.season.file_outcomes import problems_of_files, samples_read
from crossproof.steps.in_memory import JudgedInMemory, judged_in_memory
from crossproof.steps.rates import rate_tables
from crossproof.steps.report import joined_to_records, told_by_cause
from crossproof.steps.well_tables import lines_table, markers_table, plates_table, samples_table


def report_in_memory(season: Season) -> ReportInputs:
    """Everything a report of the season says, but the calls of its plants and the run's versions.

    Raises InputError as `crossproof.verify` does.
    """
    judged = judged_in_memory(season)
    read, found = judged.read, judged.findings
    made, samples, stored = read.panel, read.samples, read.panel.joined.stored
    rates = rate_tables(read.crosses, samples, judged.frame, season.config)
    rates["crosses"]["findings"] = [found.tables.crosses.get(c, "") for c in rates["crosses"]["cross_id"]]
    evidence = {cross: ("", result) for cross, result in judged.evidence.items()}
    problems = told_by_cause(_problems(judged), season.config.acknowledged)
    return ReportInputs(
        verdicts=joined_to_records(judged.frame, read.crosses),
        **rates,
        plates=plates_table(samples, read.states, found),
        samples=samples_table(samples, stored, read.states, found),
        markers=markers_table(made.joined, made.fitted, read.states),
        lines=lines_table(samples, made.fitted, made.joined, evidence, stored, read.states, found),
        problems=problems,
        config=season.config.to_dict(),
        findings=found.found,
        corrections=tuple(f"{a.correction.sentence()}: {a.effect}" for a in read.corrected.applied),
    )


def _problems(judged: JudgedInMemory) -> pd.DataFrame:
    read, season = judged.read, judged.read.season
    found = [*season.problems, *read.panel.problems]
    found += problems_of_files(read.states)
    found += check_calls(season, samples_read(read.states))
    found += judged.findings.problems
    frame: pd.DataFrame = problems_frame(sort_problems(found))
    return frame.astype(object).where(frame.notna(), "").astype(str)
