"""Plants as facts: the pile of each, and the counts that sentences and tables share."""

from __future__ import annotations

import pandas as pd
import pytest

from crossproof.model.results import Decision, Need, Reason, Verdict, need_of
from crossproof.report.facts.plants import Pile, plant_facts


@pytest.mark.parametrize(
    ("decision", "reason", "need", "pile"),
    [
        (Decision.KEEP, Reason.NONE, Need.NOTHING, Pile.KEEP),
        (Decision.CULL, Reason.NONE, Need.NOTHING, Pile.CULL),
        (Decision.RETEST, Reason.LOW_CALL_RATE, Need.SAMPLE, Pile.SAMPLE_AGAIN),
        (Decision.RETEST, Reason.NO_PARENT_DATA, Need.PARENT, Pile.WAIT),
        (Decision.RETEST, Reason.PARENTS_UNRESOLVED, Need.PARENT, Pile.WAIT),
        (Decision.RETEST, Reason.FATHER_UNPROVEN, Need.PARENT, Pile.WAIT),
        (Decision.RETEST, Reason.FEW_CONTRASTS, Need.MARKERS, Pile.WAIT),
        (Decision.HOLD, Reason.SAMPLE_HELD, Need.FINDING, Pile.HOLD),
        (Decision.HOLD, Reason.BATCH_SET_ASIDE, Need.FILE, Pile.HOLD),
    ],
)
def test_what_a_plant_waits_for_decides_its_pile(
    decision: Decision, reason: Reason, need: Need, pile: Pile
) -> None:
    assert need_of(decision, reason) is need
    frame = pd.DataFrame({"plant": ["p"], "decision": [str(decision)], "reason": [str(reason)]})
    (plant,) = plant_facts(frame).rows
    assert (plant.need, plant.pile) == (need, pile)


def test_counts_leave_out_verdicts_that_are_on_hold() -> None:
    frame = pd.DataFrame(
        {
            "plant": list("abcd"),
            "cross_id": ["X", "X", "Y", "Y"],
            "verdict": ["hybrid", "hybrid", "self", "undetermined"],
            "decision": ["keep", "hold", "cull", "retest"],
            "reason": ["", "plate held", "", "low call rate"],
        }
    )
    facts = plant_facts(frame)
    assert (facts.determined, facts.held, facts.crosses_kept) == (2, 1, 1)
    assert facts.verdicts == {Verdict.HYBRID: 1, Verdict.SELF: 1, Verdict.UNDETERMINED: 1}
    assert facts.needs[Need.SAMPLE] == 1
    assert facts.where(lambda p: p.pile is Pile.CULL) == [2]


def test_words_that_are_none_of_ours_count_as_unknown() -> None:
    (plant,) = plant_facts(pd.DataFrame({"plant": ["p"], "verdict": ["x"], "decision": ["y"]})).rows
    assert (plant.verdict, plant.decision, plant.pile) == (Verdict.UNDETERMINED, None, None)
