"""The model's front door: what the workflow's steps call.

    wells = Wells(markers, n_wells, tuple(batch_evidence(...) for each genotype file))
    panel = fit_panel(wells, lines, families, settings, calibration)  # one job; calibration None at first
    calibration_of(panel, wells).to_dict()                         # for calibration.json
    others = prepare_crosses(records, panel)
    result = verify_family(family, wells, panel, settings, others)  # per family, any order, any core
    judgement = judge(result, i, settings)                          # per plant, thresholds only

Everything is frozen, holds arrays, numbers and names only, and can be stored without pickling:
`panel_to_arrays` and `panel_from_arrays`, `to_arrays` and `family_from_arrays`.
"""

from __future__ import annotations

from crossproof.inference.evidence.blocks import (
    BatchEvidence,
    ErrorRates,
    EvidenceBlock,
    Wells,
    batch_evidence,
)
from crossproof.inference.family.donors import OtherCrosses, prepare_crosses
from crossproof.inference.family.verdicts import judge
from crossproof.inference.family.verification import verify_family
from crossproof.inference.lines.panel import Panel, panel_from_arrays, panel_to_arrays
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.run_wide.calibration import Calibration, calibration_from_dict, calibration_of
from crossproof.inference.run_wide.panel_fit import fit_panel
from crossproof.inference.season_results import (
    RELATIONS,
    CrossRecord,
    FamilyInput,
    FamilyResult,
    Judgement,
    LineInput,
    Plant,
    family_from_arrays,
    to_arrays,
)
from crossproof.model.settings import Settings

__all__ = [
    "RELATIONS",
    "BatchEvidence",
    "Calibration",
    "CrossRecord",
    "ErrorRates",
    "EvidenceBlock",
    "FamilyInput",
    "FamilyResult",
    "Judgement",
    "LineInput",
    "OtherCrosses",
    "Panel",
    "PanelBlock",
    "Plant",
    "Settings",
    "Wells",
    "batch_evidence",
    "calibration_from_dict",
    "calibration_of",
    "family_from_arrays",
    "fit_panel",
    "judge",
    "panel_from_arrays",
    "panel_to_arrays",
    "prepare_crosses",
    "to_arrays",
    "verify_family",
]
