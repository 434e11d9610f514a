"""Outcomes of genotype files: kept as plain data and read back the same."""

from __future__ import annotations

import json

import pytest

from crossproof.errors import Severity, error, warning
from crossproof.model.results import FileState
from crossproof.season.file_outcomes import (
    FileOutcome,
    files_not_used,
    outcome_set_aside,
    problems_of_files,
    samples_read,
    stored_batches,
)

READ = FileOutcome(
    FileState.USED, "d1", (warning("b.csv", "Odd.", "Look.", row=3),), ("s1", "s2"), 4, "calls", ("note",),
    (0.5, 1.0), (0.0, 0.25),
)  # fmt: skip
ASIDE = outcome_set_aside([error("c.csv", "Cut short.", "Copy it again.")], "d2")
FAILED = FileOutcome(FileState.ERROR, "d3", attempts=2)


@pytest.mark.parametrize("outcome", [READ, ASIDE, FAILED])
def test_read_back_as_written(outcome: FileOutcome) -> None:
    assert FileOutcome.of(json.loads(json.dumps(outcome.entry()))) == outcome


def test_the_record_of_a_run_says_what_was_read() -> None:
    assert READ.record() == {"state": "used", "markers": 4, "evidence": "calls", "notes": ["note"]}
    assert ASIDE.record() == {"state": "set aside"}


def test_a_file_that_is_set_aside_later_keeps_what_was_told_of_it() -> None:
    later = READ.set_aside(error("b.csv", "Nobody knows these samples.", "List them."))
    assert [p.severity for p in later.problems] == [Severity.WARNING, Severity.ERROR]
    every = {"A": READ, "B": ASIDE, "C": FAILED, "D": later}
    assert files_not_used(every) == {"B", "C", "D"}
    assert samples_read(every) == {"A": ("s1", "s2")}
    assert [b.batch for b in stored_batches(every)] == ["A"]
    assert len(list(problems_of_files(every))) == 4
