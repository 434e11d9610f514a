"""Problems of one cause are one message, the worst first; one that was read stays away until it changes."""

from __future__ import annotations

from crossproof.errors import error, warning
from crossproof.io.records.causes import by_cause, unacknowledged


def test_rows_of_one_cause_are_one_message() -> None:
    few = [
        warning("a.csv", f"The line 'L{i}' differs from 'l{i}' by case.", "Mend.", row=i) for i in range(3)
    ]
    many = [error("b.csv", f"Stands twice; first in b.csv, row {i}.", "Mend.", row=i) for i in range(2, 9)]
    one = [error("c.csv", "The cell is empty.", "Fill it in.", row=4, column="role")]
    causes = by_cause([*few, *one, *many])
    assert [len(c.problems) for c in causes] == [7, 1, 3]
    assert causes[0].where() == "b.csv, 7 rows (2, 3, 4, 5, 6 ...)"
    assert causes[1].where() == "c.csv, row 4, column role"
    assert [p["row"] for p in causes[0].plain()["places"]] == [2, 3, 4, 5, 6, 7, 8]


def test_an_acknowledged_warning_stays_away_until_another_value_has_it() -> None:
    seen = [warning("a.csv", "The mother is not typed.", "Type it.", row=3, column="mother", value="Lark")]
    code = by_cause(seen)[0].code
    moved = [warning("a.csv", "The mother is not typed.", "Type it.", row=9, column="mother", value="Lark")]
    assert unacknowledged(moved, {code}) == ((), 1)
    more = [
        *seen,
        warning("a.csv", "The mother is not typed.", "Type it.", row=4, column="mother", value="Wren"),
    ]
    assert unacknowledged(more, {code}) == (tuple(more), 0)


def test_an_error_is_never_acknowledged() -> None:
    problems = (error("a.csv", "No such tag.", "Mend.", row=3),)
    assert unacknowledged(problems, {by_cause(problems)[0].code}) == (problems, 0)
