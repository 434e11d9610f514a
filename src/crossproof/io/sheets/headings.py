"""Whose column a heading of a sheet names: ours, one under another usual name, or one of the user's own."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence

from crossproof.errors import Problem, Severity, error, warning
from crossproof.io.sheets.columns import Column, Table
from crossproof.text import first_of


def heading_key(heading: str) -> str:
    """A heading without case, and with spaces, hyphens and underscores alike."""
    return re.sub(r"[\s_\-\u00a0]+", "_", heading.strip().casefold()).strip("_")


def usual_key(heading: str) -> str:
    """A heading as other usual headings are compared: without points, brackets and degree signs too."""
    return re.sub(r"[^\w♀♂×]+", "_", unicodedata.normalize("NFKC", heading).casefold()).strip("_")


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like this one, or "" where none is alike."""
    keys = {heading_key(k): k for k in known}
    found = difflib.get_close_matches(heading_key(word), list(keys), n=1, cutoff=0.6)
    return keys[found[0]] if found else ""


def match_headings(
    headings: Sequence[str],
    table: Table,
    renames: Mapping[str, str],
    *,
    file: str,
    header_row: int,
) -> tuple[tuple[str, ...], list[Problem]]:
    """Our name of each heading; a heading that is none of ours keeps its own text.

    `renames` maps a lab's heading to our name. Two headings for one column, and a column required but absent,
    are errors. Returned names are in the order of `headings`.
    """
    ours = {heading_key(c): c for c in table.names}
    lab = {heading_key(theirs): name for theirs, name in renames.items()}
    usual = {usual_key(h): c.name for c in table.columns for h in (c.name, *c.also)}
    sure = {lab.get(heading_key(h)) or ours.get(heading_key(h)) for h in headings}
    names: list[str] = []
    problems: list[Problem] = []
    first: dict[str, str] = {}
    kept: list[str] = []
    for heading in headings:
        key = heading_key(heading)
        meant = usual.get(usual_key(heading))
        told = lab.get(key) or ours.get(key) or (meant if meant not in sure else None)
        name = told or heading.strip()
        if told is None and name:
            kept.append(name)
        place = heading_key(name)
        if place in first:
            problems.append(_second(heading, first[place], name, file, header_row))
        first.setdefault(place, heading)
        names.append(name)
    problems += _kept_headings(kept, table, set(first), file, header_row)
    others = [h for h in kept if heading_key(h) not in ours]
    found = ", ".join(h for h in headings[:12] if h) or "none"
    for column in table.columns:
        if column.required and heading_key(column.name) not in first:
            problems.append(_missing(column, nearest(column.name, others), found, file, header_row))
    return tuple(names), problems


def _second(heading: str, before: str, name: str, file: str, header_row: int) -> Problem:
    """A heading that names a column which another heading names already."""
    text = f"The headings {before!r} and {heading!r} both stand for the column {name!r}."
    if heading_key(before) == heading_key(heading):
        text = f"The heading {heading!r} appears twice, so it is not clear which column is meant."
    remedy = "Rename or delete one of the two columns."
    return error(file, text, remedy, row=header_row, column=heading, value=heading)


def _missing(column: Column, close: str, found: str, file: str, header_row: int) -> Problem:
    """A required column that no heading of those found names; `close`: one that may mean it, or ""."""
    remedy = f"Add a column {column.name!r}: {column.meaning}."
    if close:
        remedy = (
            f"Rename the heading {close!r} to {column.name!r}, or say so in config.yaml under columns: "
            f"{{{close}: {column.name}}}."
        )
    text = f"The required column {column.name!r} is missing (headings found: {found})."
    return error(file, text, remedy, row=header_row, column=column.name)


def _kept_headings(
    kept: Sequence[str], table: Table, taken: Collection[str], file: str, header_row: int
) -> list[Problem]:
    """Headings that are none of ours: a warning for each that is nearly one, a note for all others."""
    free = {h: c.name for c in table.columns if heading_key(c.name) not in taken for h in (c.name, *c.also)}
    problems = []
    others = []
    for heading in kept:
        close = difflib.get_close_matches(usual_key(heading), [usual_key(h) for h in free], n=1, cutoff=0.8)
        meant = next((name for h, name in free.items() if close and usual_key(h) == close[0]), "")
        if meant and not table[meant].required:
            problems.append(
                warning(
                    file,
                    f"No column is called {heading!r}; it is kept as a column of your own.",
                    f"If it means {meant}, rename it, or say so in config.yaml: columns: "
                    f"{{{heading}: {meant}}}.",
                    row=header_row,
                    column=heading,
                    value=heading,
                )
            )
        else:
            others.append(heading)
    if others:
        shown = first_of(others, 12)
        problems.append(
            Problem(
                Severity.NOTE,
                file,
                header_row,
                "",
                shown,
                "These columns are not used; they are kept and appear in the results.",
                "No action is needed.",
            )
        )
    return problems
