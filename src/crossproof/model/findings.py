"""What a check found: small frozen results in the words of the trade."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum

from crossproof.model.corrections import Correction
from crossproof.model.results import Verdict


class FindingKind(StrEnum):
    """Names of the findings, as they stand in result tables."""

    ROTATED = "rotated"
    MIRRORED = "mirrored"
    SHIFTED = "shifted"
    REFILLED = "filled in another order"
    ROW_REVERSED = "row reversed"
    COLUMN_REVERSED = "column reversed"
    ROWS_SWAPPED = "rows swapped"
    COLUMNS_SWAPPED = "columns swapped"
    PART_MOVED = "part of the plate placed otherwise"
    COPIED = "row or column copied"
    CALLS_COPIED = "calls stand twice"
    SORTED = "sheet sorted otherwise than the plate"
    EXCHANGED = "exchanged"
    WELLS_SWAPPED = "wells swapped"
    UNEXPLAINED = "does not fit its sheet"
    IN_DOUBT = "wells may have changed places"
    BLANK_CALLS = "blank carries calls"
    EMPTY_SAMPLES = "samples without calls"
    LOW_CALL_SAMPLE = "low call rate"
    LOW_CALL_PLATE = "plate with low call rate"
    DEAD_PLATE = "plate without DNA"
    EDGE_FAILED = "edge of the plate failed"
    LOW_CALL_MARKER = "marker fails on this plate"
    MARKER_WRONG = "marker wrong on this plate"
    BATCH_ERRORS = "error rate unlike the season"
    PLANT_REPLICATES = "replicates of a plant disagree"
    LINE_REPLICATES = "replicates of a line disagree"
    TAGS_SWAPPED = "tags swapped"
    TAG_WRONG = "harvested under another tag"
    PODS_SWAPPED = "pods exchanged"
    RECIPROCAL = "reciprocal cross"
    PARENT_WRONG = "made with another line"
    LINE_WRONG = "line is another line"
    LINES_SWAPPED = "lines swapped"
    PARENT_UNRESOLVED = "parent unresolved"
    PHASE_OPEN = "lines of an F1 parent not known"
    OTHER_POLLEN = "pollen of another plant"
    OTHER_MOTHER = "seed of another mother plant"
    LATER_GENERATION = "seed of a later generation"
    TAGS_CONTRADICT = "tags contradict the line and one another"
    SAME_LINE = "same as another line"
    LINE_IS_F1 = "looks like an F1"
    MIXED_DNA = "mixed DNA"
    SPILLED = "DNA spilled over wells"
    SAME_PLANT = "same plant under two names"
    CANNOT_SEE = "cannot be checked"


class Scope(StrEnum):
    """The result table a finding belongs to."""

    PLATE = "plate"
    SAMPLE = "sample"
    CROSS = "cross"
    LINE = "line"
    MARKER = "marker"
    BATCH = "batch"


class FindingSeverity(StrEnum):
    """How much a finding matters, the gravest first."""

    CRITICAL = "critical"
    """Plants are held for it."""
    WARNING = "warning"
    NOTE = "note"
    """It asks nothing of anybody."""


MUTUAL = frozenset(
    {
        FindingKind.EXCHANGED,
        FindingKind.TAGS_SWAPPED,
        FindingKind.PODS_SWAPPED,
        FindingKind.WELLS_SWAPPED,
        FindingKind.LINES_SWAPPED,
        FindingKind.MIXED_DNA,
    }
)
"""Findings that say the same of both sides."""
SMALL = frozenset(
    {
        FindingKind.LOW_CALL_SAMPLE,
        FindingKind.EMPTY_SAMPLES,
        FindingKind.LOW_CALL_MARKER,
        FindingKind.CANNOT_SEE,
    }
)
"""Findings about one well or marker that ask for little."""


@dataclass(frozen=True)
class VerdictChange:
    """A plant whose verdict would change if a proposal were followed."""

    plant: str
    before: Verdict
    after: Verdict


class Hold(StrEnum):
    """Whose verdicts must wait for an answer."""

    NOTHING = "nothing"
    SAMPLES = "samples"
    """The samples the finding lists."""
    PLATE = "plate"
    """Every plant of the plates the finding lists."""


@dataclass(frozen=True)
class Finding:
    """One finding of the plate checks.

    `plate`: where it was seen ("" for a finding about a line or cross over the season). `subject`: the plate,
    sample, cross, line, marker or batch it is about (see `scope`). `wells` and `samples`: those affected, in
    the same order (`wells` as PLATE:WELL). `other`: the counterpart (plate, well, cross, line), "" if none.
    `log10_odds`: posterior odds over "as labelled", prior against any fault included; nan where no comparison
    of hypotheses was made. `same_as`: other explanations that fit equally well. `reassigned`: per affected
    sample the identity index it would get (see `plate_arrays.SeasonTables`), for "what would change".
    """

    kind: FindingKind
    scope: Scope
    plate: str
    subject: str
    evidence: str
    remedy: str
    wells: tuple[str, ...] = ()
    samples: tuple[str, ...] = ()
    other: str = ""
    log10_odds: float = float("nan")
    hold: Hold = Hold.NOTHING
    corrections: tuple[Correction, ...] = ()
    same_as: tuple[str, ...] = ()
    reassigned: tuple[tuple[str, int], ...] = ()
    note: bool = False
    """True for a remark that asks nothing of anybody, such as a fault that this plate could not show."""
    sibs: tuple[str, ...] = ()
    """Samples held with it: those on other plates of crosses that a held plate has plants of, and plants that
    may have moved with two swapped wells."""
    changes: tuple[VerdictChange, ...] | None = None
    """Plants whose verdict would change if the proposal were followed; None where that was not worked out."""

    @property
    def critical(self) -> bool:
        """Whether plants are held for it, and the run ends with status 1."""
        return self.hold is not Hold.NOTHING

    @property
    def severity(self) -> FindingSeverity:
        """How much it matters."""
        if self.critical:
            return FindingSeverity.CRITICAL
        return FindingSeverity.NOTE if self.note else FindingSeverity.WARNING

    @property
    def name(self) -> str:
        """What the user calls it by, such as tags-swapped:C011; the same in each run that finds it."""
        kind = re.sub(r"[^a-z]+", "-", self.kind.value.lower())
        on_plate = self.plate and self.plate != self.subject and self.scope is Scope.MARKER
        return f"{kind}:{self.subject}" + (f"@{self.plate}" if on_plate else "")

    @property
    def place(self) -> str:
        """What it is about and where it was seen: "cross C011, plate P001"."""
        about = f"{self.scope} {self.subject}" if self.subject else ""
        on_plate = f"plate {self.plate}" if self.plate and self.plate != self.subject else ""
        return ", ".join(t for t in (about, on_plate) if t)

    @property
    def plates(self) -> tuple[str, ...]:
        """Plates it speaks of, in order of name."""
        return tuple(sorted({self.plate, *(w.rpartition(":")[0] for w in self.wells)} - {""}))

    def short(self, other: str | None = None) -> str:
        """A few words for a table cell: kind, counterpart, certainty; `other`: in place of its own."""
        other = self.other if other is None else other
        text = self.kind.value
        if self.corrections and self.corrections[0].detail and self.scope is Scope.PLATE:
            text += f" ({self.corrections[0].detail})"
        if other:
            text += f" with {other}" if self.kind in MUTUAL else f": {other}"
        odds = self.log10_odds
        if math.isfinite(odds) and odds > 0:  # below even odds the sentence says how likely it is
            text += f" [{10**odds:.0f} to 1]" if odds < 2 else f" [10^{odds:.0f} to 1]"
        return text


def held_plates(findings: tuple[Finding, ...]) -> frozenset[str]:
    """Plates all of whose plants are held."""
    plates: set[str] = set()
    for f in findings:
        if f.hold is Hold.PLATE:
            plates.update(w.rpartition(":")[0] for w in f.wells)
            plates.add(f.plate)
    return frozenset(p for p in plates if p)


def held_samples(findings: tuple[Finding, ...]) -> frozenset[str]:
    """Samples held one by one; those of `held_plates` come on top."""
    samples = {s for f in findings if f.hold is Hold.SAMPLES for s in f.samples}
    return frozenset(samples.union(*(f.sibs for f in findings)))
