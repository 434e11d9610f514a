"""The section on planned crosses that wait."""

from crossproof.planning.inputs import PlannedCross
from crossproof.planning.planned import WaitingCross
from crossproof.report.draw.plan_waiting import waiting_section


def test_names_reasons_and_rows_stand_in_the_table():
    waiting = [
        WaitingCross(PlannedCross("P1", "Lark", "Robin", row=2), ("Robin",)),
        WaitingCross(PlannedCross("P2", "Crane", "Robin"), ("Crane", "Robin")),
        WaitingCross(PlannedCross("P3", "Crane", "Lark", row=9), ("Crane",)),
    ]
    section = waiting_section(waiting, 2)
    (table,) = section.tables
    assert table.rows == (("P1", "Lark x Robin", "Robin", "2"), ("P2", "Crane x Robin", "Crane, Robin", ""))
    assert table.more == "1 more are in plan_crosses.csv."
    assert "Have the line typed" in section.lead
