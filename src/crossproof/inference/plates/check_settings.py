"""What the plate checks ask for before they claim anything."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.declaration import default

SURER = 0.5
"""log10 odds asked for in addition of what is looked for in every well or pair: parents and assays err in
more ways than are modelled. Set on faultless plates; see docs/plate_accuracy.md."""


@dataclass(frozen=True)
class CheckSettings:
    """Thresholds of the plate checks.

    `min_log10_odds`: posterior odds (prior against a fault included) from which a finding is made, but for
    DNA that ran over wells or was carried over (`LIKELY_SPILL`, `LIKELY_CARRIED`);
    `min_call_rate`, `min_marker_call_rate` as in config.yaml; `replicate_conflict`: share of markers at which
    two replicates may differ (`line_conflict` in config.yaml). `remarks`: also say which faults a plate could
    not show.
    """

    min_log10_odds: float = 1.0
    min_call_rate: float = default("min_call_rate")
    min_marker_call_rate: float = default("min_marker_call_rate")
    replicate_conflict: float = default("line_conflict")
    remarks: bool = True
