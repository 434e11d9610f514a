"""Seasons as they were run, read back from their results, persons and lines named alike over the years."""

from __future__ import annotations

import json
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import pandas as pd

from crossproof.errors import InputError, Problem, error
from crossproof.io.config.season_config import Config
from crossproof.io.problems import Problems
from crossproof.io.results.reading import read_table
from crossproof.io.sheets.sheet import read_sheet


class Named(StrEnum):
    """What a synonym is of."""

    PERSON = "person"
    LINE = "line"


_COLUMNS = {Named.PERSON: ("operator",), Named.LINE: ("mother", "father")}
_SYNONYM_COLUMNS = ("kind", "name", "same_as")
_VERDICT_COLUMNS = (
    "plant", "cross_id", "pod", "verdict", "decision", "reason", "p_hybrid", "p_self", "p_outcross",
    "p_off_pedigree",
)  # fmt: skip


@dataclass(frozen=True)
class Synonyms:
    """Names that mean the same person or line: {kind: {name: name to use}}."""

    names: Mapping[Named, Mapping[str, str]] = field(default_factory=dict)

    def applied(self, crosses: pd.DataFrame) -> pd.DataFrame:
        """Crossing records with every name replaced by the one to use."""
        out = crosses.copy()
        for kind, columns in _COLUMNS.items():
            known = self.names.get(kind, {})
            for column in columns:
                if column in out:
                    out[column] = [known.get(str(v).strip(), str(v).strip()) for v in out[column].fillna("")]
        return out


@dataclass(frozen=True)
class PastSeason:
    """One season as run: its name, crossing records (crosses.csv) and verdicts."""

    name: str
    folder: Path
    crosses: pd.DataFrame
    verdicts: pd.DataFrame


def read_synonyms(path: Path) -> Synonyms:
    """A sheet of synonyms: columns kind (person or line), name, same_as.

    Raises InputError with every problem: a column or cell that is missing, an unknown kind, a name given
    twice with different meanings, a chain of names.
    """
    shown = str(path)
    if not path.is_file():
        raise InputError.at(shown, "There is no such file.", "Correct the path of the synonyms file.")
    sheet = read_sheet(path, shown_as=shown, known=_SYNONYM_COLUMNS)
    problems = Problems(shown)
    problems.extend(sheet.problems)
    place = {h.strip().lower(): k for k, h in enumerate(sheet.headings)}
    for column in _SYNONYM_COLUMNS:
        if column not in place:
            remedy = "Give the first row the headings kind, name and same_as."
            problems.error("A required column is missing.", remedy, column=column)
    names: dict[Named, dict[str, str]] = {kind: {} for kind in Named}
    rows = () if problems else zip(sheet.rows, sheet.row_numbers, strict=True)
    for row, number in rows:
        kind, name, same = (row[place[c]].strip() for c in _SYNONYM_COLUMNS)
        if kind not in [str(k) for k in Named]:
            remedy = "Write person or line."
            problems.error("This is not a kind of name.", remedy, row=number, column="kind", value=kind)
            continue
        for column, value in (("name", name), ("same_as", same)):
            if not value:
                remedy = "Fill in both names, or delete the row."
                problems.error("The cell is empty.", remedy, row=number, column=column)
        known = names[Named(kind)]
        if known.get(name, same) != same:
            problem = f"This name already stands for {known[name]!r}."
            remedy = "Keep one of the two rows."
            problems.error(problem, remedy, row=number, column="name", value=name)
        known.setdefault(name, same)
    for known in names.values():
        for name, same in known.items():
            if same in known and same != name:
                problem = f"{name!r} stands for {same!r}, which itself stands for {known[same]!r}."
                remedy = f"Let {name!r} stand for {known[same]!r}."
                problems.error(problem, remedy, column="same_as", value=same)
    if problems:
        raise InputError(problems.listed())
    return Synonyms(names)


def read_past_seasons(folders: Sequence[Path], synonyms: Synonyms | None = None) -> list[PastSeason]:
    """Seasons in the order of their first pollination, or as given where dates are missing.

    Raises InputError with a problem for each folder that holds no finished run, and for one given twice.
    """
    problems: list[Problem] = []
    seen: dict[Path, Path] = {}
    found: list[tuple[str, int, PastSeason]] = []
    for place, folder in enumerate(folders):
        shown = str(folder)
        if folder.resolve() in seen:
            problems.append(error(shown, "This season is named twice.", "Name every season once."))
            continue
        seen[folder.resolve()] = folder
        results = folder / "results"
        missing = [n for n in ("crosses.csv", "verdicts.csv") if not (results / n).is_file()]
        if missing:
            problem = f"There is no results/{' and no results/'.join(missing)}."
            problems.append(error(shown, problem, f"First run: crossproof run {shlex.quote(shown)}"))
            continue
        crosses, verdicts = read_table(results / "crosses.csv"), read_table(results / "verdicts.csv")
        lacking = [c for c in ("cross_id", "mother", "father") if c not in crosses]
        lacking += [c for c in ("plant", "cross_id", "verdict") if c not in verdicts]
        if lacking:
            problem = f"Its results lack the column {lacking[0]}."
            problems.append(error(shown, problem, f"Make them again: crossproof run {shlex.quote(shown)}"))
            continue
        record = [c for c in crosses if c not in _COUNTED]
        kept = crosses[record] if synonyms is None else synonyms.applied(crosses[record])
        dates = [d for d in kept["date"] if d] if "date" in kept else []
        season = PastSeason(
            _name(results, folder), folder, kept, verdicts[[c for c in _VERDICT_COLUMNS if c in verdicts]]
        )
        found.append((min(dates, default=""), place, season))
    if problems:
        raise InputError(problems)
    dated = all(first for first, _, _ in found)
    ordered = [s for _, _, s in sorted(found, key=lambda f: (f[0], f[1]) if dated else ("", f[1]))]
    names = [s.name for s in ordered]
    return [
        s
        if names.count(s.name) == 1
        else PastSeason(f"{s.name} ({s.folder.name})", s.folder, s.crosses, s.verdicts)
        for s in ordered
    ]


def previous_folders(config: Config) -> list[Path]:
    """The folders named in `previous_seasons`, relative ones from the season folder."""
    return [config.root / name for name in config.previous_seasons]


def previous_files(config: Config) -> list[Path]:
    """Result files of earlier seasons that this season's numbers follow from."""
    return [
        f / "results" / name for f in previous_folders(config) for name in ("crosses.csv", "verdicts.csv")
    ]


def previous_problems(config: Config) -> list[Problem]:
    """What is wrong with the folders named in `previous_seasons`."""
    problems = []
    shown, root = config.shown(config.source), config.root.resolve()
    for name, folder in zip(config.previous_seasons, previous_folders(config), strict=True):
        if not config.allow_outside and root not in (folder.resolve(), *folder.resolve().parents):
            problem, remedy = (
                "This path leads out of the season folder.",
                "Set allow_outside: true in config.yaml.",
            )
        elif folder.resolve() == root:
            problem, remedy = "This is the season itself.", "Name the folders of earlier seasons only."
        elif not all(f.is_file() for f in (folder / "results" / n for n in ("crosses.csv", "verdicts.csv"))):
            problem, remedy = (
                "There is no finished run in this folder.",
                f"First run: crossproof run {shlex.quote(name)}",
            )
        else:
            continue
        problems.append(error(shown, problem, remedy, column="previous_seasons", value=name))
    return problems


def previous_seasons(config: Config) -> list[PastSeason]:
    """The seasons named in `previous_seasons`; raises InputError with every problem."""
    problems = previous_problems(config)
    if problems:
        raise InputError(problems)
    return read_past_seasons(previous_folders(config))


_COUNTED = frozenset({"hybrid", "self", "outcross", "off_pedigree", "undetermined", "held", "tested"})
"""Columns of crosses.csv that are counted anew from the verdicts."""


def _name(results: Path, folder: Path) -> str:
    """The name of the season in its configuration, else that of its folder."""
    run = results / "run.json"
    if run.is_file():
        try:
            name = json.loads(run.read_text(encoding="utf-8"))["configuration"]["season"]
        except (ValueError, KeyError, TypeError):
            name = ""
        if name:
            return str(name)
    return folder.resolve().name
