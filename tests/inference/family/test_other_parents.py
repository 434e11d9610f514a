"""Tags with another father: which get a row; results made by hand, names invented."""

from __future__ import annotations

import numpy as np
import pytest
from test_verdicts import result_of

from crossproof.inference.family.other_parents import Records, Wells, other_parent
from crossproof.inference.family.parent_findings import parent_findings
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.season_results import RELATIONS, FamilyResult
from crossproof.model.findings import Finding, Hold

PODS = {("C1", f"C1-0{i}"): str(i) for i in range(1, 5)}
WELLS: Wells = {plant: ((f"S{i}", f"P1:A{i}"),) for i, plant in enumerate(PODS, 1)}


def tag_of(donors: list[str], shown: str = "Q") -> FamilyResult:
    """C1, recorded with father P, of plants that are all outcrosses, a donor each."""
    n = len(donors)
    faults = np.zeros((2, len(FAULTS)))
    faults[:, 0], faults[1, 0], faults[1, FAULTS.index(Fault.FATHER_PLANT)] = 1.0, 0.0, 1.0
    return result_of(
        [0, 0, 1, 0],
        class_posterior=np.tile([0.0, 0.0, 1.0, 0.0], (n, 1)),
        class_loglik=np.zeros((n, 4)),
        relation_posterior=np.zeros((n, len(RELATIONS))),
        scored=np.full(n, 50),
        contrast_scored=np.full(n, 20),
        contrast_het=np.full(n, 10),
        wells=np.ones(n, dtype=int),
        parent_faults=faults,
        plants=np.array([f"C1-{i:02d}" for i in range(1, n + 1)]),
        father_versions=(shown, "P"),
        donors=np.array(donors)[:, None],
        sources=np.array([[f"pollen of {donor}"] for donor in donors]),
    )


def finding_on(one: FamilyResult, pods: list[str], pairs: tuple[frozenset[str], ...] = ()) -> Finding:
    plants = [("C1", str(plant)) for plant in one.plants]
    wells: Wells = {plant: ((f"S{i}", f"P1:A{i}"),) for i, plant in enumerate(plants, 1)}
    records = Records({"P", "Q", "R"}, dict(zip(plants, pods, strict=True)), pairs)
    (found,) = parent_findings([one], wells, {}, records)
    return found


@pytest.mark.parametrize(
    ("pods", "row"),
    [
        (["1", "1", "2"], True),
        (["1", "1", "1", "1"], False),  # one insect's visit
        (["1", "2"], False),
        (["", "", ""], False),  # may be one pod
        ([""] * 7, True),  # more than a pod holds
    ],
)
def test_a_father_of_several_pods_gets_a_row_and_one_insect_does_not(pods, row):
    found = finding_on(tag_of(["Q"] * len(pods)), pods)
    rows = [(c.kind, c.target, c.other) for c in found.corrections]
    assert rows == ([("father is", "C1", "Q")] if row else [])
    assert ("one insect" in found.remedy) is not row
    assert found.hold is (Hold.SAMPLES if row else Hold.NOTHING)
    n = len(pods)
    assert found.evidence == f"{n} of {n} plants of C1 have a father that is not P: Q."


def test_no_row_rests_on_one_tube():
    one = tag_of(["Q"] * 4)
    records = Records({"P", "Q"}, PODS)
    (said,) = [other_parent(one, 1, WELLS, records, on_tube=True)]
    assert not said.corrections
    assert said.remedy == "Type one more plant of P and of Q before anything is corrected."
    assert other_parent(one, 1, WELLS, records).corrections


@pytest.mark.parametrize(
    ("pair", "donors", "waits"),
    [
        ({"M", "Q"}, ["Q", "Q"], True),
        ({"M", "R"}, ["Q", "Q"], False),  # no other tag wants them
        ({"P", "Q"}, ["Q", "Q"], False),  # of another mother
        ({"M", "Q"}, ["Q", "R"], False),  # stray pollen of several lines
    ],
)
def test_hybrids_of_another_tag_wait_where_its_bag_may_have_come_under_this_one(pair, donors, waits):
    found = finding_on(tag_of(donors), ["1", "1"], (frozenset({"M", "P"}), frozenset(pair)))
    assert found.hold is (Hold.SAMPLES if waits else Hold.NOTHING)
    assert ("Another tag of the season is of Q and M" in found.remedy) is waits
    assert not found.corrections


def test_a_line_that_was_never_typed_gets_no_row():
    shown = "a line that was never typed"
    found = finding_on(tag_of(["unknown"] * 4, shown), ["1", "2", "3", "4"])
    assert not found.corrections
    assert found.remedy == "Check the crossing book. If another plant was used as father, type it."


def test_stray_pollen_of_several_lines_proposes_no_father():
    for donors, rows, words in (
        (["Q", "Q", "Q", "R"], 1, ": Q for 3 of them"),
        (["Q", "Q", "R", "unknown"], 0, ": Q for 2 of them"),
        (["R", "S", "unknown", "S"], 0, "; they are not all of one line"),
    ):
        found = finding_on(tag_of(donors), ["1", "2", "3", "4"])
        assert len(found.corrections) == rows
        assert found.evidence == f"4 of 4 plants of C1 have a father that is not P{words}."
