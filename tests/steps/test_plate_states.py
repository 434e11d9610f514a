"""State and call rate of a plate whose genotype file could not be used, or holds none of its samples."""

from __future__ import annotations

import pandas as pd
import pytest

from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.results import FileState
from crossproof.season.file_outcomes import FileOutcome
from crossproof.steps.findings import FindingsOfSeason
from crossproof.steps.well_tables import plates_table

HELD = Finding(FindingKind.ROTATED, Scope.PLATE, "P1", "P1", "seen", "look", hold=Hold.PLATE)
USED = FileOutcome(
    FileState.USED, "d", samples=("a",), markers=2, evidence="calls", call_rate=(0.9,), heterozygosity=(0.1,)
)
ASIDE = FileOutcome(FileState.SET_ASIDE, "e")


def plates(batch: str, sample: str, states: dict, *found: Finding) -> pd.Series:
    samples = pd.DataFrame(
        [{"sample_id": sample, "batch": batch, "plate": "P1", "role": "progeny", "plant": "p"}]
    )
    return plates_table(samples, states, FindingsOfSeason(found)).iloc[0]


@pytest.mark.parametrize(
    ("batch", "sample", "states", "found", "state", "rate"),
    [
        ("B1", "a", {"B1": USED}, (), "used", 0.9),
        ("B1", "a", {"B1": USED}, (HELD,), "held", 0.9),
        ("B1", "a", {"B1": ASIDE}, (), "set aside", None),
        # no file named: the only one that could hold the plate was set aside
        ("", "a", {"B1": ASIDE}, (), "set aside", None),
        ("", "b", {"B1": USED, "B2": ASIDE}, (), "set aside", None),
        ("", "b", {"B1": USED}, (), "no calls", None),
    ],
)
def test_a_plate_without_calls_is_not_called_used(batch, sample, states, found, state, rate):
    row = plates(batch, sample, states, *found)
    assert row["state"] == state
    assert (None if pd.isna(row["call_rate"]) else row["call_rate"]) == rate
