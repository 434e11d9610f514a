"""Refused input: the problems go to results/problems.csv, everything else stays as it was."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from crossproof.errors import InputError, Problem
from crossproof.io.records.season import sort_problems
from crossproof.io.results.tables import problems_frame, write_table
from crossproof.season.work_folder import WorkFolder, read_kept, write_kept

T = TypeVar("T")


def write_refusal(folder: WorkFolder, problems: Sequence[Problem]) -> None:
    """Write problems.csv and mark it as speaking of refused input."""
    write_kept(folder.refused, [p.entry() for p in problems])
    write_table(folder.results / "problems.csv", problems_frame(sort_problems(problems)))


def refuse(folder: WorkFolder, read: Callable[[], T]) -> T:
    """Call `read`; where it refuses the input, write its problems down before passing the error on."""
    try:
        return read()
    except InputError as refused:
        write_refusal(folder, refused.problems)
        raise


def refusal_of(folder: WorkFolder) -> InputError | None:
    """The refusal that a job wrote down, if there is one."""
    entries = read_kept(folder.refused)
    return InputError([Problem.of(e) for e in entries]) if entries else None
