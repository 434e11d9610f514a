"""The section of the plan page on crosses that cannot be planned yet."""

from __future__ import annotations

from collections.abc import Sequence

from crossproof.planning.planned import REMEDY_UNTYPED, WaitingCross
from crossproof.report.draw.static_page import Section, plain_table


def waiting_section(waiting: Sequence[WaitingCross], most_rows: int) -> Section:
    """Planned crosses with a parent that was not typed: which, why, and what to do."""
    rows = [
        (
            w.cross.cross_id,
            w.cross.name,
            ", ".join(w.untyped),
            "" if w.cross.row is None else str(w.cross.row),
        )
        for w in waiting[:most_rows]
    ]
    table = plain_table(
        "waiting-table",
        "Crosses with a parent that was not typed",
        (
            ("cross", "name"),
            ("mother x father", "name"),
            ("not typed", "text"),
            ("row of the list", "number"),
        ),
        rows,
        len(waiting),
        "plan_crosses.csv",
    )
    return Section(
        "waiting",
        "Not planned yet",
        "Crosses that wait for a parent to be typed",
        "Nothing can be said of a cross while a parent has no genotypes on the panel. It is on no plate and "
        f"in none of the numbers below. {REMEDY_UNTYPED} Then plan again.",
        tables=(table,),
    )
