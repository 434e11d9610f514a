"""One call that makes a season's plan from objects already read; nothing here opens a file.

Tables are frames here and nowhere else in the package; the numbers come from the neighbouring modules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from crossproof.errors import Problem
from crossproof.planning.inputs import PanelGenotypes, PlannedCross, PlanSettings
from crossproof.planning.numbers import TeamRates


@dataclass(frozen=True)
class Plan:
    """A plan ready to be written and drawn.

    `crosses`, `markers`, `numbers`, `samples`, `weeks`, `sisters`: tables, see PLAN_COLUMNS.
    """

    settings: PlanSettings
    crosses: pd.DataFrame
    markers: pd.DataFrame
    numbers: pd.DataFrame
    samples: pd.DataFrame
    weeks: pd.DataFrame
    sisters: pd.DataFrame
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]


def make_plan(
    *,
    settings: PlanSettings,
    panel: PanelGenotypes,
    planned: Sequence[PlannedCross] | None,
    rates: TeamRates,
) -> Plan:
    """Plan a season.

    panel: from `season_inputs.panel_genotypes`. planned: from `planned.read_planned`, or None for all pairs
    of lines, reciprocals once. rates: from `season_inputs.team_rates`.
    """
    raise NotImplementedError
