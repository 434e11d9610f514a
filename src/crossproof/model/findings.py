"""What a plate check found: small frozen results in the words of the trade."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from crossproof.model.corrections import Correction


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
    EXCHANGED = "exchanged"
    WELLS_SWAPPED = "wells swapped"
    UNEXPLAINED = "does not fit its sheet"
    BLANK_CALLS = "blank carries calls"
    EMPTY_SAMPLES = "samples without calls"
    LOW_CALL_SAMPLE = "low call rate"
    LOW_CALL_PLATE = "plate with low call rate"
    LOW_CALL_MARKER = "marker fails on this plate"
    BATCH_ERRORS = "error rate unlike the season"
    PLANT_REPLICATES = "replicates of a plant disagree"
    LINE_REPLICATES = "replicates of a line disagree"
    TAGS_SWAPPED = "tags swapped"
    TAG_WRONG = "harvested under another tag"
    RECIPROCAL = "reciprocal cross"
    PARENT_WRONG = "made with another line"
    LINE_WRONG = "line is another line"
    LINES_SWAPPED = "lines swapped"
    SAME_LINE = "same as another line"
    MIXED_DNA = "mixed DNA"
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

    @property
    def critical(self) -> bool:
        """Whether plants are held for it, and the run ends with status 1."""
        return self.hold is not Hold.NOTHING


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
    return frozenset(s for f in findings if f.hold is Hold.SAMPLES for s in f.samples)
