"""The wish list: reading it, its mistakes, all pairs, sister lines."""

import numpy as np

from crossproof.errors import Severity
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.planned import all_pairs, read_planned, sister_lines, waiting_crosses

LINES = ("Heron", "Lark", "Wren")
SETTINGS = PlanSettings()


def test_a_good_list():
    rows = [
        {"mother": "Lark", "father": "Wren", "target_hybrids": "6", "flowers": "12", "week": "2031-W23"},
        {"cross_id": "X9", "mother": "Wren", "father": "Heron", "priority": "2.5", "operator": "Ana"},
    ]
    crosses, problems = read_planned(rows, [2, 3], LINES, SETTINGS)
    assert problems == ()
    assert [c.cross_id for c in crosses] == ["P001", "X9"]
    assert (crosses[0].target_hybrids, crosses[0].flowers, crosses[0].week) == (6, 12, "2031-W23")
    assert (crosses[1].target_hybrids, crosses[1].priority, crosses[1].operator) == (4, 2.5, "Ana")


def test_every_mistake_is_told_at_once_with_its_place():
    rows = [
        {"mother": "Lark", "father": "Robin", "seeds": "-1"},
        {"mother": "", "father": "Wren"},
        {"mother": "Lark", "father": "Lark"},
        {"mother": "Lark", "father": "Wren", "flowers": "many", "week": "June"},
        {"cross_id": "A", "mother": "Lark", "father": "Wren"},
        {"cross_id": "A", "mother": "Lark", "father": "Heron"},
    ]
    crosses, problems = read_planned(rows, list(range(2, 8)), LINES, SETTINGS)
    assert [(p.row, p.column) for p in problems] == [
        (2, "father"), (2, "seeds"), (3, "mother"), (4, "father"),
        (5, "flowers"), (5, "week"), (7, "cross_id"),
    ]  # fmt: skip
    assert [p.severity for p in problems] == [Severity.WARNING] + [Severity.ERROR] * 6
    assert problems[0].problem.startswith("This line has no genotypes on the panel")
    assert problems[3].problem.startswith("Mother and father are the same line")
    assert problems[6].problem == "This cross_id appears twice; the first is in row 6."
    assert [c.cross_id for c in crosses] == ["A"]


def test_a_cross_with_an_untyped_parent_waits():
    rows = [
        {"mother": "Lark", "father": "Robin"},
        {"mother": "Lark", "father": "Wren"},
        {"mother": "Crane", "father": "Robin"},
    ]
    crosses, problems = read_planned(rows, [2, 3, 4], LINES, SETTINGS)
    assert [(p.severity, p.row, p.column, p.value) for p in problems] == [
        (Severity.WARNING, 2, "father", "Robin"),
        (Severity.WARNING, 4, "mother", "Crane"),
        (Severity.WARNING, 4, "father", "Robin"),
    ]
    ready, waiting = waiting_crosses(crosses, LINES)
    assert [c.cross_id for c in ready] == ["P002"]
    assert [(w.cross.cross_id, w.untyped) for w in waiting] == [
        ("P001", ("Robin",)),
        ("P003", ("Crane", "Robin")),
    ]


def test_an_empty_list_warns():
    crosses, problems = read_planned([], [], LINES, SETTINGS)
    assert crosses == ()
    assert [p.severity for p in problems] == [Severity.WARNING]


def test_all_pairs_once():
    pairs = [(c.mother, c.father) for c in all_pairs(LINES, SETTINGS)]
    assert pairs == [("Heron", "Lark"), ("Heron", "Wren"), ("Lark", "Wren")]


def test_sister_lines_named_with_what_would_tell_them_apart():
    fixed = np.array([[0, 0, 1], [1, 1, 0], [0, 1, 0], [0, -1, 1]], dtype=np.int8)
    on = np.array([True, True, False, True])
    sisters = sister_lines(LINES, ["M1", "M2", "M3", "M4"], fixed, on, fewer_than=2)
    assert [(s.first, s.second, s.on_panel, s.candidates) for s in sisters] == [("Heron", "Lark", 0, ("M3",))]
