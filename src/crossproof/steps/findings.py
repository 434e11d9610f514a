"""Findings of the plate checks as the later steps use them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from crossproof.errors import Problem
from crossproof.model.findings import Finding
from crossproof.season.findings import TableFindings, finding_entry, finding_from, findings_by_table
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import read_kept, write_kept


@dataclass(frozen=True)
class FindingsOfSeason:
    """All findings of a season, and the problems they make."""

    found: tuple[Finding, ...] = ()
    problems: tuple[Problem, ...] = ()

    @cached_property
    def tables(self) -> TableFindings:
        """Their words per table, and whose plants wait."""
        return findings_by_table(self.found)


def write_findings(index: SeasonIndex, findings: FindingsOfSeason) -> None:
    """Store what `read_findings` reads."""
    write_kept(
        _file(index),
        {
            "findings": [finding_entry(f) for f in findings.found],
            "problems": [p.entry() for p in findings.problems],
        },
    )


def read_findings(index: SeasonIndex) -> FindingsOfSeason:
    """All findings of the season, as the examine job wrote them; none before that job has run."""
    stored = read_kept(_file(index))
    if stored is None:
        return FindingsOfSeason()
    return FindingsOfSeason(
        tuple(finding_from(f) for f in stored["findings"]),
        tuple(Problem.of(p) for p in stored["problems"]),
    )


def _file(index: SeasonIndex) -> Path:
    return index.folder.work("examine.json")
