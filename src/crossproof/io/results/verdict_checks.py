"""Whether a table of verdicts from outside, changed by hand or read from a file, can be counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

import pandas as pd

from crossproof.errors import InputError, Problem, error
from crossproof.io.sheets.headings import nearest
from crossproof.model.results import CLASSES, Decision, Verdict
from crossproof.text import first_of

POSTERIORS = tuple(f"p_{c}" for c in CLASSES)
NEEDED = ("plant", "cross_id", "verdict", "decision", *POSTERIORS)
CLOSED: Mapping[str, type[StrEnum]] = {"verdict": Verdict, "decision": Decision}
TABLE = "verdicts (in memory)"
ROUNDING = 1e-6
"""Sums of probabilities miss 1 by the last digits, and tables have six."""
_MOST = 5


def check_verdicts(verdicts: pd.DataFrame, crosses: Iterable[str]) -> None:
    """Raise InputError with everything that would be miscounted: plants of unknown crosses, rows that appear
    twice, words that are no verdict, probabilities that are none, columns that are missing.

    `crosses`: the cross_id of every cross on record.
    """
    if not isinstance(verdicts, pd.DataFrame):
        problem = f"The verdicts are a {type(verdicts).__name__}, not a table."
        raise InputError.at(TABLE, problem, "Give the table that crossproof.verify returned.")
    problems = [_missing(name, verdicts) for name in NEEDED if name not in verdicts]
    for name, words in CLOSED.items():
        if name in verdicts:
            problems += _not_among(verdicts[name], {str(w) for w in words}, f"This is no {name}.")
    if "cross_id" in verdicts:
        known = {str(c) for c in crosses}
        problems += _not_among(verdicts["cross_id"], known, "The crossing records have no such cross.")
    if {"plant", "cross_id"} <= set(verdicts.columns):
        twice = verdicts.duplicated(["cross_id", "plant"])
        told = "This plant appears in more than one row, and would be counted more than once."
        problems += _told(verdicts["plant"][twice], told, "Keep one row per plant.")
    for name in POSTERIORS:
        if name in verdicts:
            numbers = pd.to_numeric(verdicts[name], errors="coerce").astype("float64")
            wrong = verdicts[name].notna() & ~numbers.between(-ROUNDING, 1 + ROUNDING)
            told = "This is not a probability."
            problems += _told(verdicts[name][wrong], told, "Give a number from 0 to 1, or none at all.")
    if problems:
        raise InputError(problems)


def _missing(name: str, verdicts: pd.DataFrame) -> Problem:
    close = nearest(name, [str(c) for c in verdicts.columns])
    hint = f" Is it {close!r} that should have this name?" if close else ""
    return error(
        TABLE, "A required column is missing.", f"Add it as crossproof.verify has it.{hint}", column=name
    )


def _not_among(cells: pd.Series, known: set[str], problem: str) -> list[Problem]:
    values = cells.astype(object).where(cells.notna(), "")
    wrong = cells[[str(v) not in known for v in values]]
    close = nearest(str(wrong.iloc[0]), known) if len(wrong) else None
    remedy = f"Did you mean {close!r}?" if close else f"Use one of: {first_of(sorted(known), _MOST)}."
    return _told(wrong, problem, remedy)


def _told(wrong: pd.Series, problem: str, remedy: str) -> list[Problem]:
    """One problem for all cells of a column at fault, with the labels of the first rows."""
    if not len(wrong):
        return []
    labels = first_of(wrong.index, _MOST)
    rows = "row" if len(wrong) == 1 else f"{len(wrong)} rows"
    where = f"{remedy} Index of the {rows}: {labels}."
    return [error(TABLE, problem, where, column=str(wrong.name), value=wrong.iloc[0])]
