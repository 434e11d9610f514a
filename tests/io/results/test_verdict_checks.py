"""Verdicts from outside: what would be counted wrongly is refused, with the rows, all at once."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from crossproof.errors import InputError
from crossproof.io.results.verdict_checks import check_verdicts


def verdicts() -> pd.DataFrame:
    """Two plants of one cross; the second has no evidence. Invented."""
    return pd.DataFrame(
        {
            "plant": ["X001-1", "X001-2"], "cross_id": ["X001", "X001"],
            "verdict": ["hybrid", "undetermined"], "decision": ["keep", "retest"],
            "p_hybrid": [1 + 1e-12, None], "p_self": [0.0, None], "p_outcross": [0.0, None],
            "p_off_pedigree": [0.0, None],
        },
        index=[7, 9],
    )  # fmt: skip


def test_sound_verdicts_pass() -> None:
    check_verdicts(verdicts(), ["X001", "X002"])
    check_verdicts(verdicts().head(0), [])
    check_verdicts(verdicts().astype(str).replace("nan", None).assign(p_hybrid="0.5"), ["X001"])


@pytest.mark.parametrize(
    ("change", "column", "told"),
    [
        (lambda v: v.assign(verdict="Hybrid"), "verdict", "This is no verdict. Did you mean 'hybrid'?"),
        (lambda v: v.assign(decision="maybe"), "decision", "This is no decision. Use one of: cull, hold"),
        (lambda v: pd.concat([v, v.tail(1)]), "plant", "This plant appears in more than one row"),
        (lambda v: v.assign(cross_id="X009"), "cross_id", "no such cross. Did you mean 'X001'?"),
        (lambda v: v.assign(p_self=1.5), "p_self", "This is not a probability."),
        (lambda v: v.assign(p_self="high"), "p_self", "This is not a probability."),
        (lambda v: v.drop(columns="verdict"), "verdict", "A required column is missing."),
        (lambda v: v.rename(columns={"decision": "Decisions"}), "decision", "Is it 'Decisions' that"),
    ],
)
def test_verdicts_that_would_be_miscounted_are_refused(
    change: Callable[[pd.DataFrame], pd.DataFrame], column: str, told: str
) -> None:
    with pytest.raises(InputError) as refused:
        check_verdicts(change(verdicts()), ["X001"])
    (problem,) = refused.value.problems
    assert problem.column == column
    assert told in f"{problem.problem} {problem.remedy}"


def test_everything_is_said_at_once_with_the_rows() -> None:
    odd = verdicts().assign(verdict="f1", p_hybrid=-1).drop(columns="plant")
    with pytest.raises(InputError) as refused:
        check_verdicts(odd, ["X001"])
    assert [p.column for p in refused.value.problems] == ["plant", "verdict", "p_hybrid"]
    assert "Index of the 2 rows: 7, 9." in refused.value.problems[1].remedy
    with pytest.raises(InputError, match="The verdicts are a list, not a table"):
        check_verdicts([], ["X001"])  # type: ignore[arg-type]
