"""The model's front door: what the workflow's steps call.

    wells = Wells(markers, n_wells, tuple(batch_evidence(...) for each genotype file))
    panel = fit_panel(wells, lines, families, settings)            # one job
    others = prepare_crosses(records, panel)
    result = verify_family(family, wells, panel, settings, others)  # per family, any order, any core
    judgement = judge(result, i, settings)                          # per plant, thresholds only

Everything is frozen, holds arrays, numbers and names only, and can be stored without pickling:
`panel_to_arrays` and `panel_from_arrays`, `to_arrays` and `family_from_arrays`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.blocks import BatchEvidence, ErrorRates, EvidenceBlock, Wells, batch_evidence
from crossproof.inference.donors import OtherCrosses, prepare_crosses
from crossproof.inference.panel import (
    Panel,
    PanelBlock,
    find_versions,
    fit_blocks,
    panel_from_arrays,
    panel_to_arrays,
    start_rates,
)
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
from crossproof.inference.settings import Settings
from crossproof.inference.verdicts import judge
from crossproof.inference.verification import verify_family


def fit_panel(
    wells: Wells,
    lines: Sequence[LineInput],
    families: Sequence[FamilyInput],
    settings: Settings,
) -> Panel:
    """Lines, pool frequencies, error rates and priors of a run.

    `lines`: every panel line once; `families`: all families of the run, of which a fixed sample serves to
    estimate dropout, parent departure and class prior.
    """
    lines = sorted(lines, key=lambda x: x.line)
    rates = start_rates(wells, settings)
    m = len(wells.markers)
    usable = np.ones(m, dtype=bool)
    version_line, version_wells = find_versions(wells, lines, rates, settings, usable)
    blocks = fit_blocks(wells, lines, version_line, version_wells, rates)
    prior = np.array(settings.class_prior)
    return Panel(
        tuple(x.line for x in lines),
        version_line,
        version_wells,
        blocks,
        rates.f,
        rates.d,
        settings.parent_departure,
        prior / prior.sum(),
        np.full(m, "", dtype="<U40"),
        np.ones(m),
    )


__all__ = [
    "RELATIONS",
    "BatchEvidence",
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
    "family_from_arrays",
    "fit_panel",
    "judge",
    "panel_from_arrays",
    "panel_to_arrays",
    "prepare_crosses",
    "to_arrays",
    "verify_family",
]
