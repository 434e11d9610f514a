"""Findings of the plate checks as the later steps use them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from crossproof.errors import Problem
from crossproof.season.index import SeasonIndex, problem_from
from crossproof.season.plate_findings import TableFindings
from crossproof.season.work_folder import read_json


@dataclass(frozen=True)
class FindingsOfSeason:
    """Plain rows of all findings, their sentences per table, whose plants wait, the problems they make."""

    rows: tuple[dict[str, Any], ...] = ()
    tables: TableFindings = field(default_factory=TableFindings)
    problems: tuple[Problem, ...] = ()
    proposals: tuple[dict[str, str], ...] = ()


def read_findings(index: SeasonIndex) -> FindingsOfSeason:
    """All findings of the season, as the examine job wrote them."""
    stored = read_json(index.folder.work("examine.json"))
    if stored is None:
        return FindingsOfSeason()
    tables = stored["tables"]
    return FindingsOfSeason(
        tuple(stored["findings"]),
        TableFindings(
            **{name: tables[name] for name in ("plates", "crosses", "lines", "samples", "plate_odds")},
            **{name: frozenset(tables[name]) for name in ("held_plates", "held_samples", "mixed")},
        ),
        tuple(problem_from(p) for p in stored["problems"]),
        tuple(stored["proposals"]),
    )
