"""Plate checks of a season: every way in which a plate, a tag or a parent tube can be other than it says.

examine_plates   all plates at once: findings about plates, samples, crosses and lines
examine_plate    one plate for itself (for work dealt out over many processes)
what_if          the identities a finding proposes, well by well
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crossproof.inference.findings import Finding, FindingKind, Hold, Scope, held_plates, held_samples
from crossproof.inference.plate_arrays import (
    EMPTY,
    Plate,
    SeasonBlock,
    SeasonTables,
    WellBlock,
    choose_markers,
    line_evidence,
)


@dataclass(frozen=True)
class CheckSettings:
    """Thresholds of the plate checks.

    `min_log10_odds`: posterior odds (prior against a fault included) from which a finding is made;
    `min_call_rate`, `min_marker_call_rate` as in config.yaml; `replicate_conflict`: share of markers at which
    two replicates may differ (`line_conflict` in config.yaml).
    """

    min_log10_odds: float = 1.0
    min_call_rate: float = 0.5
    min_marker_call_rate: float = 0.5
    replicate_conflict: float = 0.10


def examine_plates(
    plates: Sequence[Plate], season: SeasonTables, settings: CheckSettings | None = None
) -> tuple[Finding, ...]:
    """Everything found on these plates, plate by plate in the order given, then crosses, then lines.

    Parameters: `plates` with one `WellBlock` per `SeasonBlock`, same markers in the same order; `season`.
    A finding is made only where its posterior odds over "as labelled" reach `settings.min_log10_odds`.
    """
    settings = settings or CheckSettings()
    return ()


def what_if(finding: Finding) -> dict[str, int]:
    """Identity index that each affected sample would have if the finding's proposal were applied.

    Judge these samples again under those identities to see which verdicts would change. A sample that would
    have no identity (its well fell off the sheet) is EMPTY.
    """
    return dict(finding.reassigned)


__all__ = [
    "EMPTY",
    "CheckSettings",
    "Finding",
    "FindingKind",
    "Hold",
    "Plate",
    "Scope",
    "SeasonBlock",
    "SeasonTables",
    "WellBlock",
    "choose_markers",
    "examine_plates",
    "held_plates",
    "held_samples",
    "line_evidence",
    "what_if",
]
