"""People as facts: who lies outside the limits, and of whom nothing can be said."""

from __future__ import annotations

import pandas as pd

from crossproof.rates.people.standing import Judgement, Position
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.facts.people import people_facts

TABLE = pd.DataFrame(
    {
        "operator": ["Ada", "Ben", "Cleo", "Dee"],
        "tags": [9, 9, 2, 9],
        "determined": [40, 40, 3, 40],
        "funnel": [str(Position.BELOW_95), str(Position.ABOVE_998), str(Position.ABOVE_95), ""],
        "judgement": [
            str(j) for j in (Judgement.AS_EXPECTED, Judgement.MORE, Judgement.TOO_FEW, Judgement.APART)
        ],
        "allowed_for": "mother line",
    }
)


def test_who_lies_outside_and_whom_the_comparison_singles_out() -> None:
    facts = people_facts(TABLE)
    assert [p.name for p in facts.outside] == ["Ada", "Ben"], "of Cleo there is too little to say"
    assert [p.name for p in facts.differing] == ["Ben"]
    assert [p.name for p in facts.by_chance] == ["Ada"]
    assert (facts.few, facts.apart, facts.allowed_for) == (1, 1, "mother line")


def test_a_person_outside_but_as_expected_is_said_to_be_there_by_chance_perhaps() -> None:
    content = build_content(ReportInputs(pd.DataFrame({"plant": ["p"]}), operators=TABLE))
    section = next(s for s in content.sections if s.id == "people")
    text = " ".join(getattr(b, "text", "") for b in section.blocks)
    assert "2\u00a0people lie outside the limits of chance." in text
    assert "Ada may lie there by chance" in text
    assert "Allowing for mother line, Ben differs" in text


def test_plants_that_no_rate_counts_are_told() -> None:
    table = pd.DataFrame(
        {"operator": ["Ilse", "Bram"], "tags": 6, "determined": [30, 25], "counted": [28, 25]}
    )
    assert people_facts(table).left_out == 2
    assert people_facts(table.assign(counted=table["determined"])).left_out == 0
    content = build_content(ReportInputs(pd.DataFrame({"plant": ["p"]}), operators=table))
    section = next(s for s in content.sections if s.id == "people")
    text = " ".join(getattr(b, "text", "") for b in section.blocks)
    assert "2\u00a0plants with a verdict are not counted here: others of their tags wait" in text
