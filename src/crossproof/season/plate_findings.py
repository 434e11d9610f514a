"""Between the season's frames and the plate checks: plates out of records and evidence, findings into words.

- `build_plates`: frames and evidence to the arrays of `inference.plate_checks`
- `finding_rows`: findings as plain rows (JSON, report)
- `findings_by_table`: sentences for the `findings` columns of plates, crosses, lines and samples
- `finding_problems`: rows of problems.csv
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import Problem, Severity
from crossproof.inference.evidence.blocks import ErrorRates, Wells
from crossproof.inference.lines.panel import Panel
from crossproof.inference.plates.arrays import (
    EMPTY,
    Plate,
    SeasonBlock,
    SeasonTables,
    WellBlock,
    choose_markers,
)
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_plates, held_samples
from crossproof.model.plates import PLATE_FORMATS, parse_well, smallest_format

MAX_MARKERS = 300
DEFAULT_INBREEDING = 0.98


# ---- from frames to arrays -------------------------------------------------------------------------------


def season_tables(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    panel: Panel,
    *,
    max_markers: int = MAX_MARKERS,
    inbreeding: float = DEFAULT_INBREEDING,
) -> tuple[SeasonTables, tuple[np.ndarray, ...]]:
    """The season's tables for the plate checks, and the joined marker rows of each of their blocks.

    Parameters: `crosses` (cross_id, mother, father) and `samples` (line, inbreeding) as read; `panel`.
    Markers set aside are left out; of the rest the `max_markers` most telling are used.
    """
    typed = {line for line in samples["line"] if isinstance(line, str) and line}
    parents = {p for column in ("mother", "father") for p in crosses[column] if isinstance(p, str) and p}
    names = tuple(sorted(typed | parents))
    number = {name: i for i, name in enumerate(names)}
    given = samples.dropna(subset=["inbreeding"]).groupby("line")["inbreeding"].mean().to_dict()
    f = np.array([float(given.get(name, inbreeding)) for name in names])
    main = [int(v[0]) if len(v := panel.versions(name)) else -1 for name in names]
    known = [v for v in main if v >= 0]
    telling: list[tuple[float, int, int]] = []
    for b, block in enumerate(panel.blocks):
        keep = panel.set_aside[block.rows] == ""
        if not keep.any() or not known:
            continue
        posterior = block.consensus[:, known].transpose(1, 0, 2).astype(np.float64)
        rate = panel.marker_call_rate[block.rows] * keep
        mean = posterior.mean(axis=0)
        score = rate * (1 - (mean**2).sum(axis=1))
        count = 20 if block.maternal else max_markers
        chosen = choose_markers(posterior, rate, np.zeros(len(rate), dtype=bool), count)
        telling += [(float(score[j]) if not block.maternal else np.inf, b, int(j)) for j in chosen if keep[j]]
    telling.sort(key=lambda t: (-t[0], t[1], t[2]))
    n_maternal = sum(math.isinf(t[0]) for t in telling)
    telling = telling[: max_markers + n_maternal]
    blocks, rows = [], []
    for k in sorted({panel.blocks[b].k for _, b, _ in telling}):
        part = sorted((b, j) for _, b, j in telling if panel.blocks[b].k == k)
        joined = np.array([panel.blocks[b].rows[j] for b, j in part], dtype=np.int64)
        blocks.append(
            SeasonBlock(
                k,
                tuple(str(r) for r in joined),
                np.stack([panel.blocks[b].q[j] for b, j in part]).astype(np.float64),
                np.array([panel.blocks[b].maternal for b, _ in part], dtype=bool),
            )
        )
        rows.append(joined)
    index = [
        np.array([number.get(p, -1) if isinstance(p, str) else -1 for p in crosses[column]], dtype=np.int64)
        for column in ("mother", "father")
    ]
    tables = SeasonTables(
        names,
        tuple(crosses["cross_id"]),
        index[0],
        index[1],
        tuple(blocks),
        f,
        np.asarray(panel.class_prior, dtype=np.float64),
        float(panel.h),
    )
    return tables, tuple(rows)


def named_markers(season: SeasonTables, rows: tuple[np.ndarray, ...], wells: Wells) -> SeasonTables:
    """The tables with the markers' own names in place of their rows."""

    blocks = tuple(
        replace(b, markers=tuple(str(wells.markers.ids[r]) for r in part))
        for b, part in zip(season.blocks, rows, strict=True)
    )
    return replace(season, blocks=blocks)


def _depths(wells: Wells, rows: np.ndarray, numbers: np.ndarray, k: int) -> np.ndarray | None:
    """Reads per allele (marker, well, allele), None where a well has none."""
    out = np.zeros((len(rows), len(numbers), k), dtype=np.int64)
    any_depths = False
    batch_of, column_of = (place[numbers] for place in wells.place)
    for b in np.unique(batch_of[batch_of >= 0]):
        target = np.flatnonzero(batch_of == b)
        for block in wells.batches[b].blocks:
            if block.depths is None or block.k != k:
                continue
            shared, here, there = np.intersect1d(rows, block.rows, return_indices=True)
            if len(shared):
                any_depths = True
                out[np.ix_(here, target)] = block.depths[np.ix_(there, column_of[target])]
    return out if any_depths else None


def build_plates(
    samples: pd.DataFrame,
    season: SeasonTables,
    rows: tuple[np.ndarray, ...],
    wells: Wells,
    rates: ErrorRates,
    *,
    only: Iterable[str] | None = None,
) -> tuple[Plate, ...]:
    """The plates of the samples sheet, in order of name.

    Parameters: `samples` as read (after corrections): the row *position* i is well number
    `samples.index[i]` of
    `wells`, so corrected copies keep their numbers; `season`, `rows` from `season_tables`; `only`: names of
    the
    plates wanted, all by default. Rows without data are left out. Rows without plate or well form one
    unplaced
    group per batch. Two rows in one well: the first counts (the records check reports it).
    """
    batch_of, _ = wells.place
    number = samples.index.to_numpy(dtype=np.int64)
    has_data = (number < len(batch_of)) & (batch_of[np.minimum(number, len(batch_of) - 1)] >= 0)
    line_of = {name: i for i, name in enumerate(season.lines)}
    cross_of = {name: season.n_lines + i for i, name in enumerate(season.crosses)}
    # Columns as lists, once: taking single rows out of a table costs more than the checks themselves.
    column = {
        c: samples[c].tolist() for c in ("sample_id", "plate", "well", "role", "line", "cross_id", "plant")
    }
    groups: dict[tuple[str, bool], list[int]] = {}
    for i in np.flatnonzero(has_data).tolist():
        plate, well = column["plate"][i], column["well"][i]
        placed = isinstance(plate, str) and plate != "" and isinstance(well, str) and well != ""
        name = plate if placed else wells.batches[int(batch_of[number[i]])].batch
        groups.setdefault((str(name), placed), []).append(int(i))
    wanted = None if only is None else set(only)
    out = []
    for (name, placed), members in sorted(groups.items()):
        if wanted is not None and name not in wanted:
            continue
        largest = PLATE_FORMATS[-1]
        if placed:
            places = [parse_well(column["well"][i]) for i in members]
            first = dict(zip(reversed(places), reversed(members), strict=True))
            members = [i for w, i in zip(places, members, strict=True) if first[w] == i]
            places = [parse_well(column["well"][i]) for i in members]
            plate_format = smallest_format(places)
            at = np.array([[w.row, w.column] for w in places], dtype=np.int64)
            parts = [(name, members, at, plate_format)]
        else:
            parts = []
            for start in range(0, len(members), largest.wells):
                some = members[start : start + largest.wells]
                at = np.column_stack(np.divmod(np.arange(len(some)), largest.columns)).astype(np.int64)
                parts.append((name, some, at, largest))
        for part_name, part, at, plate_format in parts:
            identity, plants = [], []
            keep = []
            for place, i in enumerate(part):
                role = column["role"][i]
                if role == "blank":
                    who = EMPTY
                elif role == "parent":
                    who = line_of.get(column["line"][i], EMPTY - 100)
                else:
                    who = cross_of.get(column["cross_id"][i], EMPTY - 100)
                if who < EMPTY:
                    continue  # its line or cross is not on record: nothing to compare it with
                keep.append(place)
                identity.append(who)
                plants.append(str(column["plant"][i]) if role == "progeny" else "")
            if not keep:
                continue
            part = [part[p] for p in keep]
            numbers = number[part]
            blocks = []
            for block, joined in zip(season.blocks, rows, strict=True):
                likelihood = wells.likelihood(joined, numbers, block.k, rates)
                blocks.append(
                    WellBlock(
                        block.k,
                        likelihood.astype(np.float32),
                        wells.codes(joined, numbers),
                        _depths(wells, joined, numbers, block.k),
                    )
                )
            batches = sorted({wells.batches[int(b)].batch for b in batch_of[numbers]})
            out.append(
                Plate(
                    part_name,
                    ";".join(batches),
                    plate_format,
                    at[keep, 0],
                    at[keep, 1],
                    tuple(str(column["sample_id"][i]) for i in part),
                    tuple(plants),
                    np.array(identity, dtype=np.int64),
                    tuple(blocks),
                    placed,
                )
            )
    return tuple(out)


# ---- from findings to words ------------------------------------------------------------------------------


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


def severity(finding: Finding) -> str:
    """critical, warning or note."""
    if finding.critical:
        return "critical"
    return "note" if finding.note else "warning"


def short_words(finding: Finding) -> str:
    """A finding in a few words for a table cell: name, counterpart, certainty."""
    text = finding.kind.value
    if finding.corrections and finding.corrections[0].detail and finding.scope is Scope.PLATE:
        text += f" ({finding.corrections[0].detail})"
    if finding.other:
        text += f" with {finding.other}" if _mutual(finding) else f": {finding.other}"
    if math.isfinite(finding.log10_odds):
        odds = finding.log10_odds
        text += f" [{10**odds:.0f} to 1]" if odds < 2 else f" [10^{odds:.0f} to 1]"
    return text


def _mutual(finding: Finding) -> bool:
    return finding.kind in (
        FindingKind.EXCHANGED,
        FindingKind.TAGS_SWAPPED,
        FindingKind.WELLS_SWAPPED,
        FindingKind.LINES_SWAPPED,
        FindingKind.MIXED_DNA,
    )


def finding_rows(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings as plain rows that JSON can hold; NaN becomes None."""
    return [
        {
            "kind": f.kind.value,
            "scope": f.scope.value,
            "plate": f.plate,
            "subject": f.subject,
            "other": f.other,
            "severity": severity(f),
            "hold": f.hold.value,
            "critical": f.critical,
            "note": f.note,
            "evidence": f.evidence,
            "sentence": f.evidence,
            "remedy": f.remedy,
            "wells": list(f.wells),
            "samples": list(f.samples),
            "log10_odds": round(f.log10_odds, 2) if math.isfinite(f.log10_odds) else None,
            "same_as": list(f.same_as),
            "reassigned": [[s, i] for s, i in f.reassigned],
            "corrections": [
                {
                    "kind": c.kind.value,
                    "target": c.target,
                    "other": c.other,
                    "detail": c.detail,
                    "note": c.note,
                }
                for c in f.corrections
            ],
        }
        for f in findings
    ]


def findings_by_table(findings: tuple[Finding, ...]) -> TableFindings:
    """The `findings` column of each result table, several findings joined by "; "."""
    cells: dict[Scope, dict[str, list[str]]] = {s: {} for s in Scope}
    odds: dict[str, float] = {}

    def add(scope: Scope, name: str, text: str) -> None:
        texts = cells[scope].setdefault(name, [])
        if name and text not in texts:
            texts.append(text)

    for f in findings:
        text = short_words(f)
        if f.scope is Scope.PLATE:
            for plate in {f.plate, *(w.rpartition(":")[0] for w in f.wells)} - {""}:
                other = f.plate if f.kind is FindingKind.EXCHANGED and plate == f.other else f.other
                add(Scope.PLATE, plate, text.replace(f.other, other) if f.other else text)
                if math.isfinite(f.log10_odds):
                    odds[plate] = max(odds.get(plate, -math.inf), f.log10_odds)
            continue
        add(f.scope, f.subject, text)
        if f.kind in (FindingKind.TAGS_SWAPPED, FindingKind.LINES_SWAPPED, FindingKind.SAME_LINE):
            add(f.scope, f.other, text.replace(f.other, f.subject))
        if f.scope is not Scope.SAMPLE:
            for sample in f.samples:
                add(Scope.SAMPLE, sample, f"{f.kind.value} ({f.scope.value} {f.subject})")
        elif f.kind in (FindingKind.WELLS_SWAPPED, FindingKind.SAME_PLANT):
            add(Scope.SAMPLE, f.other, text.replace(f.other, f.subject))
        elif f.kind is FindingKind.PLANT_REPLICATES:
            for sample in f.samples:
                add(Scope.SAMPLE, sample, text)
        if (
            f.scope in (Scope.SAMPLE, Scope.MARKER)
            and f.plate
            and not f.kind.value.startswith(("low", "samples"))
        ):
            add(Scope.PLATE, f.plate, f"{f.kind.value} ({f.subject})")
        if f.kind is FindingKind.BLANK_CALLS and math.isfinite(f.log10_odds):
            odds[f.plate] = max(odds.get(f.plate, -math.inf), f.log10_odds)
    joined = {s: {n: "; ".join(t) for n, t in sorted(names.items()) if t} for s, names in cells.items()}
    return TableFindings(
        joined[Scope.PLATE],
        joined[Scope.CROSS],
        joined[Scope.LINE],
        joined[Scope.SAMPLE],
        odds,
        held_plates(findings),
        held_samples(findings),
        frozenset(s for f in findings if f.kind is FindingKind.MIXED_DNA for s in f.samples),
    )


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
        column = {
            Scope.PLATE: "plate",
            Scope.CROSS: "cross_id",
            Scope.LINE: "line",
            Scope.SAMPLE: "sample_id",
        }
        out.append(Problem(level, file, None, column.get(f.scope, ""), f.subject, f.evidence, remedy))
    return out


def corrections_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """All proposals as rows that can be pasted into corrections.csv, in the order in which they apply."""
    rows: list[Mapping[str, str]] = [
        {"kind": c.kind.value, "target": c.target, "other": c.other, "detail": c.detail, "note": "proposed"}
        for f in findings
        for c in f.corrections
    ]
    return pd.DataFrame(rows, columns=["kind", "target", "other", "detail", "note"])


__all__ = [
    "Hold",
    "TableFindings",
    "build_plates",
    "corrections_table",
    "finding_problems",
    "finding_rows",
    "findings_by_table",
    "named_markers",
    "season_tables",
    "severity",
    "short_words",
]
