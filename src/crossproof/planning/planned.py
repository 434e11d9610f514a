"""The wish list: planned crosses from a sheet, or all pairs of lines, and lines that nothing tells apart."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from crossproof.errors import Problem, Severity, error, warning
from crossproof.model.arrays import Bools, Int8s, Ints
from crossproof.model.limits import MOST_FLOWERS, MOST_HYBRIDS_WANTED, MOST_SEEDS
from crossproof.planning.inputs import PlannedCross, PlanSettings

PLANNED_COLUMNS: dict[str, str] = {
    "cross_id": "number of the cross; assigned (P001 ...) where left empty",
    "mother": "line that bears the seed",
    "father": "line that gives the pollen",
    "target_hybrids": "hybrid plants wanted; the season's setting where left empty",
    "priority": "worth of this cross where not all can be served; 1 where left empty",
    "flowers": "flowers you mean to pollinate; computed where left empty",
    "week": "week of pollination, such as 2031-W23",
    "operator": "who is to make the cross",
    "seeds": "seeds to test, where already fixed",
    "place": "where the mother plants stand, such as house 1, bench 2",
}
"""Columns of planned.csv; mother and father are required."""

_UNTYPED = "This line has no genotypes on the panel, so nothing can be said of the cross yet."
REMEDY_UNTYPED = "Have the line typed, or correct its name in the list of planned crosses."

_WEEK = re.compile(r"^\d{4}-W(0[1-9]|[1-4]\d|5[0-3])$")


def read_planned(
    rows: Sequence[Mapping[str, str]],
    row_numbers: Sequence[int],
    lines: Sequence[str],
    settings: PlanSettings,
    *,
    file: str = "planned.csv",
) -> tuple[tuple[PlannedCross, ...], tuple[Problem, ...]]:
    """Planned crosses from the texts of a sheet, with every problem found.

    rows: our column names to text, "" where empty; row_numbers: as the user sees them; lines: panel lines
    with genotypes. A cross with a line that was never typed is returned with the others, and a warning says
    that it waits.
    """
    out: list[PlannedCross] = []
    problems: list[Problem] = []
    known = set(lines)
    seen: dict[str, int] = {}
    for number, (row, at) in enumerate(zip(rows, row_numbers, strict=True), start=1):
        found = _parent_problems(row, at, known, file)
        numbers, wrong = _numbers(row, at, settings, file)
        week = row.get("week", "")
        found += wrong
        if week and not _WEEK.match(week):
            found.append(
                error(file, "This is not a week.", "Write it as 2031-W23.", row=at, column="week", value=week)
            )
        named = bool(row.get("mother") and row.get("father"))
        if named and row["mother"] == row["father"]:
            found.append(
                error(
                    file,
                    "Mother and father are the same line; its hybrid and its self are the same plant.",
                    "Name two lines.",
                    row=at,
                    column="father",
                    value=row["father"],
                )
            )
        cross_id = row.get("cross_id", "") or f"P{number:03d}"
        if cross_id in seen:
            found.append(
                error(
                    file,
                    f"This cross_id appears twice; the first is in row {seen[cross_id]}.",
                    "Give each planned cross its own.",
                    row=at,
                    column="cross_id",
                    value=cross_id,
                )
            )
        seen.setdefault(cross_id, at)
        problems += found
        if not any(p.severity is Severity.ERROR for p in found):
            out.append(
                PlannedCross(
                    cross_id,
                    row["mother"],
                    row["father"],
                    int(numbers["target_hybrids"]),
                    numbers["priority"],
                    int(numbers["flowers"]),
                    week,
                    row.get("operator", ""),
                    int(numbers["seeds"]),
                    at,
                    row.get("place", ""),
                )
            )
    if not rows:
        problems.append(
            warning(file, "The sheet has no rows.", "List the crosses you plan, or delete the file.")
        )
    return tuple(out), tuple(problems)


def _parent_problems(row: Mapping[str, str], at: int, known: Collection[str], file: str) -> list[Problem]:
    """What is wrong with the mother and the father of a row: missing, or not among the `known` lines."""
    out = []
    for role in ("mother", "father"):
        name = row.get(role, "")
        if not name:
            out.append(error(file, f"The {role} is missing.", "Name a panel line.", row=at, column=role))
        elif name not in known:
            out.append(
                warning(file, _UNTYPED, f"{REMEDY_UNTYPED} Then plan again.", row=at, column=role, value=name)
            )
    return out


def _numbers(
    row: Mapping[str, str], at: int, settings: PlanSettings, file: str
) -> tuple[dict[str, float], list[Problem]]:
    """The numbers of a row by column, defaults where a cell is empty, and what is wrong with them."""
    numbers: dict[str, float] = {}
    out = []
    for column, default, most in (
        ("target_hybrids", float(settings.target_hybrids), MOST_HYBRIDS_WANTED),
        ("priority", 1.0, None),
        ("flowers", 0.0, MOST_FLOWERS),
        ("seeds", 0.0, MOST_SEEDS),
    ):
        value = _number(row.get(column, ""), default, most)
        if value is not None:
            numbers[column] = value
            continue
        kind = f"a whole number from 0 to {most:,}" if most else "a number of at least 0"
        out.append(
            error(
                file,
                f"This is not {kind}.",
                f"Write {kind}, or leave it empty.",
                row=at,
                column=column,
                value=row.get(column, ""),
            )
        )
    return numbers, out


def _number(text: str, default: float, most: int | None) -> float | None:
    """A number of at least 0, or a whole one up to `most`; None where the text is none such."""
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        return None
    if not math.isfinite(value) or value < 0:
        return None
    if most is not None and (value != int(value) or value > most):
        return None
    return value


@dataclass(frozen=True)
class WaitingCross:
    """A planned cross of which nothing can be said yet, and its parents that were not typed."""

    cross: PlannedCross
    untyped: tuple[str, ...]


def waiting_crosses(
    planned: Sequence[PlannedCross], lines: Collection[str]
) -> tuple[tuple[PlannedCross, ...], tuple[WaitingCross, ...]]:
    """Planned crosses whose two parents are among the typed lines, and the others."""
    typed, ready, waiting = set(lines), [], []
    for cross in planned:
        untyped = tuple(name for name in (cross.mother, cross.father) if name not in typed)
        if untyped:
            waiting.append(WaitingCross(cross, untyped))
        else:
            ready.append(cross)
    return tuple(ready), tuple(waiting)


def all_pairs(lines: Sequence[str], settings: PlanSettings) -> tuple[PlannedCross, ...]:
    """Every pair of lines once (reciprocals look the same to nuclear markers), the first name the mother."""
    return tuple(
        PlannedCross(f"P{i:03d}", mother, father, settings.target_hybrids)
        for i, (mother, father) in enumerate(combinations(sorted(lines), 2), start=1)
    )


@dataclass(frozen=True)
class SisterLines:
    """Two lines that no, or too few, markers on the panel tell apart.

    `on_panel`: markers on the panel at which they are fixed for different alleles; `candidates`: further
    markers that would tell them apart, best known first.
    """

    first: str
    second: str
    on_panel: int
    candidates: tuple[str, ...]


def contrast_counts(fixed: Int8s, use: Bools) -> Ints:
    """Markers at which two lines are fixed for different alleles, (line, line).

    fixed (marker, line): allele, -1 unclear. use (marker,) bool.
    """
    part = fixed[use]
    clear = (part >= 0).astype(np.float32)
    both = clear.T @ clear
    same = np.zeros_like(both)
    for allele in range(int(part.max(initial=-1)) + 1):
        has = (part == allele).astype(np.float32)
        same += has.T @ has
    return np.asarray(np.rint(both - same), dtype=np.int64)


def sister_lines(
    lines: Sequence[str],
    marker_ids: Sequence[str],
    fixed: Int8s,
    on_panel: Bools,
    fewer_than: int,
    limit: int = 1000,
) -> tuple[SisterLines, ...]:
    """Pairs with fewer than so many contrast markers on the panel, the least told apart first, at most
    `limit`."""
    counts = contrast_counts(fixed, on_panel)
    first, second = np.nonzero(np.triu(counts < fewer_than, k=1))
    order = np.lexsort((second, first, counts[first, second]))[:limit]
    out = []
    for i, j in zip(first[order], second[order], strict=True):
        differ = (fixed[:, i] >= 0) & (fixed[:, j] >= 0) & (fixed[:, i] != fixed[:, j]) & ~on_panel
        names = tuple(str(marker_ids[m]) for m in np.flatnonzero(differ)[:20])
        out.append(SisterLines(lines[i], lines[j], int(counts[i, j]), names))
    return tuple(out)
