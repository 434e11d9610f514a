"""Whether a cross can be proven: the one rule of plan, verdicts, crosses.csv, report, worklist and explain.

A cross can be proven where a true hybrid and a true self both get a right and determined verdict with the
wanted probability, each plant judged alone against all other relations.

    no                fewer than `min_markers_scored` markers tell the parents apart: a plant is called
                      neither hybrid nor self, however clear these few markers look
    yes               both chances are at least the wanted one, by strict bounds
    not every plant   one of them is less than the wanted one, by strict bounds: some plants stay without a
                      verdict, those that reach the threshold are proven
    borderline        the bounds leave it open
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Floats
from crossproof.model.results import Provable, Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power.bounds import class_bounds, too_few_contrasts
from crossproof.planning.power.evidence import CrossEvidence
from crossproof.planning.power.outcomes import MOST_BRANCHES


def state_of(contrast: int, low: Floats, high: Floats, settings: PlanSettings) -> Provable:
    """The state of a cross from its number of contrast markers and the bounds of hybrid and self, (2,)."""
    if too_few_contrasts(contrast, settings.min_markers_scored):
        return Provable.NO
    if np.any(high < settings.wanted):
        return Provable.PARTLY
    return Provable.YES if np.all(low >= settings.wanted) else Provable.BORDERLINE


def provable(evidence: CrossEvidence, settings: PlanSettings, branches: int = MOST_BRANCHES) -> Provable:
    """The state of a cross, worked out no further than the answer needs; the same as in `cross_power`.

    branches: as of `class_bounds`; with fewer, a cross may stay borderline that is not.
    """
    contrast = int(evidence.contrast.sum())
    low, high = np.zeros(2), np.ones(2)
    if not too_few_contrasts(contrast, settings.min_markers_scored):
        for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
            low[place], high[place] = class_bounds(
                evidence, evidence.index(kind), settings, branches, decide=True
            )
            if high[place] < settings.wanted:
                break
    return state_of(contrast, low, high, settings)
