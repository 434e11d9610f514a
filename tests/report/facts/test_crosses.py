"""Crosses as facts: the order of the steps, and the totals that sentences and tables share."""

from __future__ import annotations

import pandas as pd

from crossproof.model.results import NextStep, Provable
from crossproof.report.facts.crosses import crosses_facts

TABLE = pd.DataFrame(
    {
        "cross_id": ["A", "B", "C", "D", "E"],
        "operator": ["Ada", "Ben", "Ada", "", ""],
        "tested": [4, 4, 4, 0, 2],
        "hybrid": [4, 0, 0, 0, 0],
        "held": [0, 0, 4, 0, 0],
        "target": [4, 4, 4, 4, 0],
        "verifiable": ["yes", "no", "yes", "", "borderline"],
        "next_step": ["done", "repeat", "hold", "repeat", "done"],
        "next_step_detail": ["", "pollinate 5 flowers", "", "pollinate 9 flowers", ""],
        "seeds_to_test": [0, 0, 0, 0, 0],
        "flowers_to_repeat": [0, 5, 0, 9, None],
    }
)


def test_what_is_left_stands_in_the_order_of_the_steps_most_flowers_first() -> None:
    facts = crosses_facts(TABLE)
    assert [c.cross for c in facts.left] == ["C", "D", "B"]
    assert facts.steps == {NextStep.DONE: 2, NextStep.REPEAT: 2, NextStep.HOLD: 1}
    assert (facts.flowers, facts.seeds, facts.people) == (14, 0, 2)


def test_a_cross_without_a_target_is_not_counted_as_reached_and_one_on_hold_not_as_fruitless() -> None:
    facts = crosses_facts(TABLE)
    assert (facts.wanting, facts.reached, facts.tested) == (4, 1, 4)
    assert [c.cross for c in facts.rows if c.fruitless] == ["B", "E"]


def test_crosses_by_state_of_proof_in_the_order_asked_for() -> None:
    facts = crosses_facts(TABLE)
    assert [c.cross for c in facts.of(Provable.BORDERLINE, Provable.NO)] == ["E", "B"]


def test_a_table_without_columns_says_nothing() -> None:
    (cross,) = crosses_facts(pd.DataFrame({"cross_id": ["A"]})).rows
    assert (cross.step, cross.provable, cross.tested, cross.reached) == (None, Provable.UNKNOWN, 0, False)
    assert crosses_facts(pd.DataFrame()).left == ()
