"""Several seasons beside each other."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from crossproof.errors import UsageError
from crossproof.rates.tables.tally import RateOptions
from crossproof.rates.tables.years import SeasonRecord, years_tables
from crossproof.report.draw.years_page import write_years
from crossproof.season.past_seasons import PastSeason, Synonyms, read_past_seasons, read_synonyms

MOST_ALIKE = 12


def compare_seasons(folders: Sequence[Path], out: Path, synonyms: Path | None = None) -> list[Path]:
    """Write the page and tables of several seasons into `out`; returns the files.

    Raises InputError for folders that hold no finished run, fewer than two seasons, or faults in the
    synonyms.
    """
    if len(folders) < 2:
        raise UsageError.at(
            "years", "One season has nothing to be compared with.", "Name two season folders or more."
        )
    known = read_synonyms(synonyms) if synonyms is not None else Synonyms()
    seasons = read_past_seasons(folders, known)
    for folder in folders:
        if out.resolve() == (folder / "results").resolve():
            raise UsageError.at(
                str(out), "These are the results of one season.", "Name another folder with --out."
            )
    made = years_tables([SeasonRecord(s.name, s.crosses, s.verdicts) for s in seasons], RateOptions())
    return write_years(made, [s.name for s in seasons], out, names_alike(seasons))


def names_alike(seasons: Sequence[PastSeason]) -> list[str]:
    """Sentences on names of different seasons that may be one: alike but for case, blanks and signs."""
    found = []
    for column, kind in (("operator", "person"), ("mother", "line"), ("father", "line")):
        where: dict[str, set[str]] = {}
        for season in seasons:
            values = season.crosses[column] if column in season.crosses else pd.Series(dtype=str)
            for name in set(values) - {""}:
                where.setdefault(str(name), set()).add(season.name)
        keys: dict[str, list[str]] = {}
        for name in sorted(where):
            keys.setdefault("".join(c for c in name.casefold() if c.isalnum()), []).append(name)
        for names in keys.values():
            if len(names) > 1:
                found.append(_alike(kind, names[0], names[1]))
        single = sorted(n for n in where if len(where[n]) == 1 and len(n) > 4)
        for name in single:
            for near in difflib.get_close_matches(name, single, n=2, cutoff=0.9):
                if (
                    near > name
                    and not where[near] & where[name]
                    and not any(c.isdigit() for c in name + near)
                ):
                    found.append(_alike(kind, name, near))
    return list(dict.fromkeys(found))[:MOST_ALIKE]


def _alike(kind: str, name: str, other: str) -> str:
    return (
        f"The {kind} names {name} and {other} are counted separately. If they are the same, say so in a "
        f"synonyms file "
        f"(kind {kind}, name {other}, same_as {name})."
    )
