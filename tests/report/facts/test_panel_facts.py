"""Lines, markers and plates as facts: what may be said of them follows from their tables alone."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from crossproof.report.facts.panel import Agreement, lines_facts, markers_facts, plates_facts

LINES = pd.DataFrame(
    {
        "line": ["A", "B", "C", "D", "E"],
        "wells": [2, 2, 2, 1, 3],
        "wells_with_calls": [2, 2, 1, 0, 3],
        "versions": [1, 2, 1, 0, 1],
        "odd_tubes": ["", "B-2", "", "", ""],
        "largest_departure": [0.0, 0.0, None, None, 0.2],
        "findings": ["", "", "", "", ""],
    }
)


def test_one_sample_agrees_with_nothing() -> None:
    facts = lines_facts(LINES)
    assert [line.agreement for line in facts.rows] == [
        Agreement.YES, Agreement.NO, Agreement.ONE, Agreement.NONE, Agreement.YES,
    ]  # fmt: skip
    assert facts.agreements[Agreement.YES] == 2


def test_lines_to_look_at_contradict_themselves_or_depart() -> None:
    assert [line.line for line in lines_facts(LINES).listed] == ["B", "E"]


def test_markers_are_counted_whichever_way_a_table_writes_no() -> None:
    facts = markers_facts(pd.DataFrame({"used": ["yes", "no", "True", "False"]}))
    assert (facts.used, facts.set_aside) == (2, 2)


def test_plates_without_calls_are_left_out_of_the_mean_and_named() -> None:
    frame = pd.DataFrame(
        {"plate": ["P1", "P2", "P3"], "state": ["used", "set aside", "held"], "call_rate": [0.9, None, 0.7]}
    )
    facts = plates_facts(frame)
    assert facts.mean_call_rate == pytest.approx(0.8)
    assert facts.weakest is not None
    assert facts.weakest.plate == "P3"
    assert [p.plate for p in facts.without_calls] == ["P2"]
    assert math.isnan(plates_facts(frame.head(0)).mean_call_rate)
