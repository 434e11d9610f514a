"""A season's records as they were read, with everything that was found wrong in them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from crossproof.errors import Problem, Severity
from crossproof.io.config.season_config import Config


@dataclass(frozen=True)
class Season:
    """The records of a season; frames are not to be changed.

    `crosses`: cross_id, mother, father, date, time, week, operator, notes (text, "" where unknown), hour
    (hours since midnight, NaN), flowers (int), pods, seeds, target_hybrids (Int64), temperature_c (°C, NaN),
    anthers_removed (NaN). `samples`: sample_id, batch, plate, well, role, line, cross_id, pod, plant (text),
    inbreeding (NaN: as configured). `markers`: marker, chrom, inheritance, alleles, counted_allele (text),
    pos (Int64). `corrections`: kind, target, other, detail, note (text). Every frame ends with the user's own
    columns and `_file`, `_row`. `problems` holds everything found, by file, row and
    column. `checked` is a digest of the tables as they were checked, "" where they were not.
    """

    config: Config
    crosses: pd.DataFrame
    samples: pd.DataFrame
    markers: pd.DataFrame | None
    corrections: pd.DataFrame | None
    problems: tuple[Problem, ...]
    checked: str = field(default="", compare=False, repr=False)

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that stop a run."""
        return tuple(p for p in self.problems if p.severity is Severity.ERROR)


def sort_problems(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems in their one order: file, row, column, severity, text; the same problem only once."""
    rank = {Severity.ERROR: 0, Severity.WARNING: 1, Severity.NOTE: 2}

    def key(p: Problem) -> tuple[object, ...]:
        return (p.file, p.row or 0, p.column, rank[p.severity], p.problem, p.value, p.remedy)

    return tuple(sorted(set(problems), key=key))
