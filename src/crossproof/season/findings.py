"""Findings of the plate checks between the steps: stored, and as cells, problems and proposals.

Whatever is said of a finding, it says itself (`model.findings`); here its words are dealt to the tables.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from crossproof.errors import Problem, Severity
from crossproof.io.sheets.columns import CORRECTIONS
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import (
    SMALL,
    Finding,
    FindingKind,
    Hold,
    Scope,
    VerdictChange,
    held_plates,
    held_samples,
)
from crossproof.model.results import Verdict


@dataclass(frozen=True)
class TableFindings:
    """Sentences per name for the `findings` columns, and whose plants wait for an answer."""

    plates: dict[str, str] = field(default_factory=dict)
    crosses: dict[str, str] = field(default_factory=dict)
    lines: dict[str, str] = field(default_factory=dict)
    samples: dict[str, str] = field(default_factory=dict)
    plate_odds: dict[str, float] = field(default_factory=dict)
    held_plates: frozenset[str] = frozenset()
    held_samples: frozenset[str] = frozenset()
    mixed: frozenset[str] = frozenset()


# ---- stored between the steps ----------------------------------------------------------------------------


def finding_entry(finding: Finding) -> dict[str, Any]:
    """A finding as plain data that JSON can hold; `finding_from` gives it back."""
    entry = dict(vars(finding))
    entry["log10_odds"] = finding.log10_odds if math.isfinite(finding.log10_odds) else None
    entry["corrections"] = [vars(c) for c in finding.corrections]
    entry["changes"] = None if finding.changes is None else [vars(c) for c in finding.changes]
    return entry


def finding_from(entry: Mapping[str, Any]) -> Finding:
    """A finding from plain data."""
    odds, changes = entry["log10_odds"], entry["changes"]
    typed = {
        "kind": FindingKind(entry["kind"]),
        "scope": Scope(entry["scope"]),
        "hold": Hold(entry["hold"]),
        "log10_odds": math.nan if odds is None else float(odds),
        "corrections": tuple(
            Correction(**{**c, "kind": CorrectionKind(c["kind"])}) for c in entry["corrections"]
        ),
        "changes": None
        if changes is None
        else tuple(VerdictChange(c["plant"], Verdict(c["before"]), Verdict(c["after"])) for c in changes),
        "reassigned": tuple((str(s), int(i)) for s, i in entry["reassigned"]),
        **{name: tuple(entry[name]) for name in ("wells", "samples", "same_as", "sibs")},
    }
    return Finding(**{**entry, **typed})


# ---- in the tables ---------------------------------------------------------------------------------------

BOTH_SUBJECTS = frozenset(
    {FindingKind.TAGS_SWAPPED, FindingKind.PODS_SWAPPED, FindingKind.LINES_SWAPPED, FindingKind.SAME_LINE}
)
"""Findings about two crosses or lines: both rows tell of it."""
BOTH_SAMPLES = frozenset({FindingKind.WELLS_SWAPPED, FindingKind.SAME_PLANT})

Cell = tuple[Scope, str, str]
"""Table, name of its row, text."""


def _plate_cells(f: Finding) -> Iterator[Cell]:
    for plate in f.plates:
        away = f.kind is FindingKind.EXCHANGED and plate == f.other
        yield Scope.PLATE, plate, f.short(f.plate if away else None)


def _other_cells(f: Finding) -> Iterator[Cell]:
    """Cells of a finding about a sample, cross, line, marker or batch."""
    yield f.scope, f.subject, f.short()
    if f.kind in BOTH_SUBJECTS:
        yield f.scope, f.other, f.short(f.subject)
    if f.scope is not Scope.SAMPLE:
        for sample in f.samples:
            yield Scope.SAMPLE, sample, f"{f.kind.value} ({f.scope.value} {f.subject})"
    elif f.kind in BOTH_SAMPLES:
        yield Scope.SAMPLE, f.other, f.short(f.subject)
    elif f.kind is FindingKind.PLANT_REPLICATES:
        for sample in f.samples:
            yield Scope.SAMPLE, sample, f.short()
    if f.scope in (Scope.SAMPLE, Scope.MARKER) and f.plate and f.kind not in SMALL:
        yield Scope.PLATE, f.plate, f"{f.kind.value} ({f.subject})"


def _plate_odds(findings: Iterable[Finding]) -> dict[str, float]:
    """The highest log10 odds of a finding about each plate."""
    odds: dict[str, float] = {}
    for f in findings:
        if not math.isfinite(f.log10_odds):
            continue
        if f.scope is Scope.PLATE:
            plates = f.plates
        else:
            plates = (f.plate,) if f.kind is FindingKind.BLANK_CALLS else ()
        for plate in plates:
            odds[plate] = max(odds.get(plate, -math.inf), f.log10_odds)
    return odds


def findings_by_table(findings: tuple[Finding, ...]) -> TableFindings:
    """The `findings` column of each result table, several findings joined by "; "."""
    cells: dict[Scope, dict[str, list[str]]] = {s: {} for s in Scope}
    for f in findings:
        for scope, name, text in _plate_cells(f) if f.scope is Scope.PLATE else _other_cells(f):
            texts = cells[scope].setdefault(name, [])
            if name and text not in texts:
                texts.append(text)
    joined = {s: {n: "; ".join(t) for n, t in sorted(names.items()) if t} for s, names in cells.items()}
    return TableFindings(
        joined[Scope.PLATE],
        joined[Scope.CROSS],
        joined[Scope.LINE],
        joined[Scope.SAMPLE],
        _plate_odds(findings),
        held_plates(findings),
        held_samples(findings),
        frozenset(s for f in findings if f.kind is FindingKind.MIXED_DNA for s in f.samples),
    )


# ---- as problems and proposals ---------------------------------------------------------------------------

_COLUMN = {Scope.PLATE: "plate", Scope.CROSS: "cross_id", Scope.LINE: "line", Scope.SAMPLE: "sample_id"}


def finding_problems(
    findings: Iterable[Finding], *, samples_file: str = "samples", crosses_file: str = "crosses"
) -> list[Problem]:
    """Findings as rows of problems.csv; low call rates of single samples stay in samples.csv.

    Severity is never `error`: a finding stops no run, it holds plants.
    """
    out = []
    for f in findings:
        if f.kind in (FindingKind.LOW_CALL_SAMPLE, FindingKind.EMPTY_SAMPLES):
            continue
        file = crosses_file if f.scope is Scope.CROSS else samples_file
        proposal = "; ".join(c.sentence() for c in f.corrections)
        remedy = f.remedy + (f" Proposed for corrections.csv: {proposal}." if proposal else "")
        level = Severity.NOTE if f.note else Severity.WARNING
        out.append(Problem(level, file, None, _COLUMN.get(f.scope, ""), f.subject, f.evidence, remedy))
    return out


def corrections_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """All proposals as rows that can be pasted into corrections.csv, in the order in which they apply."""
    rows = [correction_row(c, "proposed") for f in findings for c in f.corrections]
    return pd.DataFrame(rows, columns=list(CORRECTIONS.names))


def correction_row(correction: Correction, note: str) -> dict[str, str]:
    """A correction as a row of corrections.csv with this note."""
    c = correction
    return {"kind": c.kind.value, "target": c.target, "other": c.other, "detail": c.detail, "note": note}
