"""Answer a finding: what the answer is, what it would change, and the rows that say so."""

from __future__ import annotations

import difflib
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from crossproof.errors import InputError, UsageError
from crossproof.io.config.season_config import Config
from crossproof.io.records.season_records import read_season
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, Hold
from crossproof.report.sections.plates import would_change
from crossproof.season.answers import add_rows, answers_file
from crossproof.season.correction_rows import correction_of, without_note
from crossproof.season.corrections import apply_corrections
from crossproof.season.findings import correction_row
from crossproof.season.index import SeasonIndex, build_index
from crossproof.season.work_folder import season_lock
from crossproof.steps.findings import read_findings

ACCEPTED = "accepted as proposed"
"""Note of a row that takes up a proposal."""


@dataclass(frozen=True)
class Answer:
    """An answer to a finding, not written yet; `effects`: what each row does, in words."""

    index: SeasonIndex
    finding: Finding
    rows: tuple[Correction, ...]
    effects: tuple[str, ...]

    def words(self) -> list[str]:
        """What was found, and what the answer would do, in sentences."""
        f = self.finding
        said = [f"{f.kind.value.capitalize()} ({f.place}): {f.evidence}"]
        if self.rows[0].kind is CorrectionKind.DISMISS:
            said.append("The finding is set aside with your reason, and the records stay as they are.")
            if f.hold is not Hold.NOTHING:
                said.append("Plants on hold for this alone are released with the verdicts they have.")
            return said
        said += [f"{effect[:1].upper()}{effect[1:]}." for effect in self.effects]
        changes = would_change(f, most=len(f.changes or ()))
        if changes:
            said.append(f"{changes[:1].upper()}{changes[1:]}")
        else:
            said.append("Which verdicts this changes has not been worked out; the next run says so.")
        return said

    def file(self) -> str:
        """The file that the rows go to, as the user knows it."""
        config = self.index.config
        return config.shown(answers_file(config))


def list_findings(folder: Path) -> tuple[Finding, ...]:
    """Everything that can be answered: findings that ask something of somebody."""
    return tuple(f for f in read_findings(_examined(folder)).found if not f.note)


def plan_answer(folder: Path, name: str, dismiss: str | None = None) -> Answer:
    """The answer to the finding of this name: its own proposal, or with a reason its dismissal.

    Raises UsageError where there is no such finding, where it proposes nothing, or where the rows cannot be
    applied.
    """
    index = _examined(folder)
    finding = _named(read_findings(index).found, name, folder)
    if dismiss is not None:
        if not dismiss.strip():
            raise UsageError.at(
                "--dismiss", "A dismissal needs a reason.", 'For example: --dismiss "tags checked"'
            )
        rows: tuple[Correction, ...] = (
            Correction(CorrectionKind.DISMISS, finding.subject, "", finding.kind.value, dismiss.strip()),
        )
    elif finding.corrections:
        rows = tuple(Correction(c.kind, c.target, c.other, c.detail, ACCEPTED) for c in finding.corrections)
    else:
        raise UsageError.at(
            name, "This finding has no row to propose.", f"{finding.remedy} Or dismiss it: --dismiss WHY"
        )
    return Answer(index, finding, rows, _effects(index.config, rows))


def write_answer(answer: Answer) -> Path:
    """Add the rows to corrections.csv; raises BusyError while a run holds the season."""
    with season_lock(answer.index.folder):
        return add_rows(answer.index.config, [correction_row(r, r.note) for r in answer.rows])


def _examined(folder: Path) -> SeasonIndex:
    index = build_index(folder)
    if not index.folder.work("examine.json").exists():
        raise UsageError.at(
            "results", "The plates have not been checked yet.", f"First run: crossproof run {_quoted(folder)}"
        )
    return index


def _quoted(folder: Path) -> str:
    return shlex.quote(str(folder))


def _named(found: Sequence[Finding], name: str, folder: Path) -> Finding:
    """The finding of this name, or the only one about a subject of this name."""
    wanted = name.strip().casefold()
    exact = [f for f in found if f.name.casefold() == wanted]
    about = [f for f in found if f.subject.casefold() == wanted]
    hits = exact or about
    if len(hits) == 1:
        return hits[0]
    names = [f.name for f in (hits or found)]
    if hits:
        problem, remedy = "Several findings have this name.", f"Say which: {', '.join(names[:10])}"
    else:
        near = difflib.get_close_matches(name, names, n=1)
        problem = "No finding has this name."
        remedy = f"Did you mean {near[0]}?" if near else f"List them: crossproof correct {_quoted(folder)}"
    raise UsageError.at("findings", problem, remedy, value=name)


def _effects(config: Config, rows: Sequence[Correction]) -> tuple[str, ...]:
    """What each row does to the season's records, after those that are there already."""
    season = read_season(config.source)
    there = season.corrections
    first = 2
    if there is not None and len(there):
        first = int(there["_row"].max()) + 1
        answered = {without_note(c): int(n) for c, n in _rows(there) if c is not None}
        before = [answered[without_note(r)] for r in rows if without_note(r) in answered]
        if before:
            raise UsageError.at(
                config.shown(answers_file(config)),
                "This finding is answered already.",
                f"Run the season again: crossproof run {_quoted(config.root)}",
                row=before[0],
            )
    mine = pd.DataFrame([correction_row(r, r.note) for r in rows])
    mine["_row"] = range(first, first + len(mine))
    every = mine if there is None else pd.concat([there, mine], ignore_index=True)
    corrected = apply_corrections(season.samples, season.crosses, every)
    refused = [p for p in corrected.problems if p.row is not None and p.row >= first]
    if refused:
        raise InputError(refused)
    return tuple(a.effect for a in corrected.applied if a.row >= first)


def _rows(there: pd.DataFrame) -> Iterator[tuple[Correction | None, int]]:
    for _, row in there.iterrows():
        yield correction_of(row), int(row["_row"])
