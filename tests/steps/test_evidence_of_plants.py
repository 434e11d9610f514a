"""Rows of plants from the evidence of their families; invented numbers, each sought by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from crossproof.model.settings import Settings
from crossproof.season.evidence import StoredBatch, locate_wells
from crossproof.steps.evidence_of_plants import EvidenceOfPlants


class Family(SimpleNamespace):
    def __len__(self) -> int:
        return len(self.plants)


def family(first: int, *plants: str) -> Any:
    """A family whose plant number i has the numbers first + i, and the shares a hundredth of that."""
    number = first + np.arange(len(plants))
    return Family(
        plants=np.array(plants),
        sources=np.array([[f"source {n}", "other"] for n in number]),
        source_probability=np.column_stack([number / 100, number]),
        class_posterior=np.column_stack([number / 100, number, number, number]),
        contrast_markers=first,
        lod=number.astype(float),
        contrast_scored=number,
        contrast_het=number,
        foreign_calls=number,
        call_rate=number / 100,
    )


def evidence() -> dict[str, Any]:
    return {"A": family(10, "p1", "p2"), "B": family(80, "p1")}


def test_each_plant_gets_the_row_of_its_own_family() -> None:
    plants = [("B", "p1"), ("A", "p2"), ("A", "p3"), ("C", "p1"), ("A", "p1")]
    got = EvidenceOfPlants.of(evidence(), plants, [True, True, True, True, False])
    assert got.number == [0, 1, -1, -1, -1]
    assert got.source == ["source 80", "source 11", "", "", ""]
    numbers = got.numbers(np.array([False, True, True, True, True]))
    nan = np.nan
    np.testing.assert_array_equal(numbers["lod"], [80, nan, nan, nan, nan])
    np.testing.assert_array_equal(numbers["p_hybrid"], [0.8, nan, nan, nan, nan])
    np.testing.assert_array_equal(numbers["source_probability"], [0.8, nan, nan, nan, nan])
    # counts are told even where the posterior says nothing; without calls they are 0
    np.testing.assert_array_equal(numbers["contrast_scored"], [80, 11, 0, 0, 0])
    np.testing.assert_array_equal(numbers["contrast_markers"], [80, 10, nan, nan, nan])
    np.testing.assert_array_equal(numbers["call_rate"], [0.8, 0.11, 0, 0, 0])


def test_a_plant_is_beside_those_of_its_own_plate() -> None:
    many = evidence() | {"D": family(79, "p1", "p2", "p3")}
    plants = [("A", "p1"), ("B", "p1"), ("D", "p1"), ("D", "p2"), ("A", "p2"), ("C", "p1")]
    got = EvidenceOfPlants.of(many, plants, [True] * 6)
    # 0.10 beside 0.79 and 0.80 is few; 0.11 is alone on its plate, and C has no evidence
    assert got.few_calls(["P1", "P1", "P1", "P1", "P2", "P1"], Settings(), 0.2).tolist() == [
        True,
        *[False] * 5,
    ]


def test_no_evidence_at_all() -> None:
    got = EvidenceOfPlants.of({}, [("A", "p1")], [True])
    assert not got.few_calls(["P1"], Settings(), 0.2).any()
    assert np.isnan(got.numbers(np.array([False]))["p_self"]).all()


@pytest.mark.parametrize(
    ("sample", "batch", "place"),
    [
        ("s1", "", (0, 0)),
        ("s3", "", (1, 1)),
        ("s3", "B1", (-1, -1)),
        ("s3", "B2", (1, 1)),
        ("s3", "B9", (-1, -1)),
        ("s2", "", (-1, -1)),  # in both files
        ("s2", "B1", (0, 1)),
        ("s2", "B2", (1, 0)),
        ("s4", "", (-1, -1)),
    ],
)
def test_wells_are_found_in_the_files(sample: str, batch: str, place: tuple[int, int]) -> None:
    stored = [StoredBatch("B1", "", ("s1", "s2"), 1), StoredBatch("B2", "", ("s2", "s3"), 1)]
    rows = pd.DataFrame({"sample_id": [sample, "s1"], "batch": [batch, "B1"]})
    found = locate_wells(rows, stored)
    assert (found[0][0], found[1][0]) == place
    assert (found[0][1], found[1][1]) == (0, 0)
    assert locate_wells(rows, [])[0].tolist() == [-1, -1]
