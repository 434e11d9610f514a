"""Families judged by the tube that a plate that lies otherwise lists for their parent; written by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_samples
from crossproof.steps.misread_tubes import with_families_of_misread_tubes

SAMPLES = pd.DataFrame(
    [
        ("L1-1", "P1", "parent", ""),
        ("L1-2", "P2", "parent", ""),
        ("L2-1", "P2", "parent", ""),
        ("A", "P1", "progeny", "C1"),
        ("B", "P1", "progeny", "C2"),
        ("C", "P2", "progeny", "C1"),
    ],
    columns=["sample_id", "plate", "role", "cross_id"],
)


class Versions:
    """L1 has two groups of tubes, wells 0 and 1; L2 has one, well 2."""

    version_wells = ((0,), (1,), (2,))

    def versions(self, line):
        return np.array({"L1": [0, 1], "L2": [2]}[line])


def family(cross, share):
    """L1 x L2, the mother read by the tubes of the second group, on P2, with this probability."""
    return SimpleNamespace(
        cross_id=cross,
        mother="L1",
        father="L2",
        mother_versions=np.array(["L1, tubes of group 1", "L1, tubes of group 2"]),
        mother_version_probability=np.array([1 - share, share]),
        father_versions=np.array(["L2"]),
        father_version_probability=np.array([1.0]),
    )


@pytest.mark.parametrize(
    ("kind", "plate", "shares", "held"),
    [
        (FindingKind.ROTATED, "P2", (0.9, 0.01), {"A"}),  # C2 is read by the tube on the sound plate
        (FindingKind.ROTATED, "P2", (0.9, 0.9), {"A", "B"}),
        (FindingKind.ROTATED, "P1", (0.01, 0.01), {"C"}),  # the other tube is the one misread
        (FindingKind.DEAD_PLATE, "P2", (0.9, 0.9), set()),
    ],
)
def test_plants_read_by_a_tube_of_a_plate_that_lies_otherwise_wait_with_it(kind, plate, shares, held):
    """L2's only tube is on P2 too, which holds no family: nothing contradicts it."""
    lies = Finding(kind, Scope.PLATE, plate, plate, "E.", "", wells=(f"{plate}:A1",), hold=Hold.PLATE)
    families = [family(c, s) for c, s in zip(("C1", "C2"), shares, strict=True)]
    [f] = with_families_of_misread_tubes((lies,), families, Versions(), SAMPLES)
    assert held_samples((f,)) == held
    assert ("Also held" in f.evidence) == bool(held)


def test_two_tubes_that_agree_hold_nothing():
    """One group of tubes: that on the plate says what the other says."""
    groups = {"L1": np.array([0]), "L2": np.array([1])}
    one = SimpleNamespace(version_wells=((0, 1), (2,)), versions=groups.__getitem__)
    lies = Finding(FindingKind.ROTATED, Scope.PLATE, "P2", "P2", "E.", "", wells=("P2:A1",), hold=Hold.PLATE)
    as_typed = family("C1", 1.0)
    as_typed.mother_versions, as_typed.mother_version_probability = np.array(["L1"]), np.array([1.0])
    assert with_families_of_misread_tubes((lies,), [as_typed], one, SAMPLES) == (lies,)
