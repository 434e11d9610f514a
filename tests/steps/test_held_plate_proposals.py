"""Proposals about parents wait while a plate that bears on them is held for lying otherwise."""

from __future__ import annotations

import pandas as pd
import pytest

from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.steps.examine import without_held_plates

SAMPLES = pd.DataFrame(
    [
        ("L1-1", "P1", "parent", "L1", ""),
        ("C1-1", "P1", "progeny", "", "C1"),
        ("C2-1", "P2", "progeny", "", "C2"),
        ("C3-1", "P2", "progeny", "", "C3"),
        ("L2-1", "P2", "parent", "L2", ""),
    ],
    columns=["sample_id", "plate", "role", "line", "cross_id"],
)
CROSSES = pd.DataFrame(
    [("C1", "L2", "L3"), ("C2", "L1", "L2"), ("C3", "L2", "L3")], columns=["cross_id", "mother", "father"]
)


def of_cross(cross):
    row = Correction(CorrectionKind.MOTHER_IS, cross, "L9")
    return Finding(FindingKind.OTHER_MOTHER, Scope.CROSS, "", cross, "Another.", "", corrections=(row,))


@pytest.mark.parametrize(
    ("kind", "waiting"), [(FindingKind.ROTATED, ["C1", "C2"]), (FindingKind.DEAD_PLATE, [])]
)
def test_crosses_with_plants_or_parent_tubes_on_a_plate_that_lies_otherwise_wait(kind, waiting):
    plate = Finding(kind, Scope.PLATE, "P1", "P1", "", "", wells=("P1:A1",), hold=Hold.PLATE)
    told = list(without_held_plates([of_cross(c) for c in ("C1", "C2", "C3")], (plate,), SAMPLES, CROSSES))
    assert [f.subject for f in told if not f.corrections] == waiting
    assert all("while P1, which bears on it, is held" in f.evidence for f in told if not f.corrections)
