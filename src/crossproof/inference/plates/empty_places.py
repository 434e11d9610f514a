"""What a well says for a layout that leaves its place empty, or with a blank."""

from __future__ import annotations

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Ints

AS_EMPTY = 5.5
"""Nats by which a sample calls like a blank rather than like one that failed, to be counted as silent."""
FAILS_EMPTY = 0.3
"""Share of failed samples that call like a blank, at the least: where many failed, one as an empty well is no
sign. No source."""
FILLED = 0.05
"""Chance that the place which a shift leaves empty calls all the same; it is one half where the sheet says
nothing of a place. No source."""
SILENT_WORTH = 100.0
"""Samples that the expectation is worth that one of them fails so that it calls like a blank. No source."""


def empty_says(scores: PlateScores, identity: Ints) -> float:
    """Most that a silent well says for an empty place, in nats: as much as such a failure is rare."""
    sample = identity != EMPTY
    n_silent = float(((scores.blank - scores.called > AS_EMPTY) & sample).sum())
    failed = sample & (scores.plate.n_called < 0.5 * scores.plate.n_markers)
    n_silent = max(n_silent, FAILS_EMPTY * int(failed.sum()))
    return float(np.log((SILENT_WORTH + sample.sum()) / max(n_silent, 1.0)))
