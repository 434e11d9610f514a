"""Pods of another tag's plants under a tag; results made by hand, names invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_other_parents import tag_of

from crossproof.inference.family.other_parents import Records, Wells
from crossproof.inference.family.parent_findings import parent_findings, speaks
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.model.findings import FindingKind, Hold

LINES = {"M", "P", "Q", "R"}
PAIRS = (frozenset({"M", "P"}), frozenset({"M", "Q"}))


def family(classes, donors, *, other_father=False):
    """C1, M x P, of plants of these classes (h, s, o, x), beyond doubt, and donors."""
    one = replace(tag_of(donors), sources=np.array([[f"line {donor}"] for donor in donors]))
    for i, letter in enumerate(classes):
        one.class_posterior[i] = np.eye(4)["hsox".index(letter)]
    if not other_father:
        one.parent_faults[1] = one.parent_faults[0]
    assert one.parent_faults[1, FAULTS.index(Fault.FATHER_PLANT)] == other_father
    return one


def findings(one, pods, pairs=PAIRS):
    plants = [("C1", str(plant)) for plant in one.plants]
    wells: Wells = {plant: ((f"S{i}", f"P1:A{i}"),) for i, plant in enumerate(plants, 1)}
    return parent_findings([one], wells, {}, Records(LINES, dict(zip(plants, pods, strict=True)), pairs))


@pytest.mark.parametrize(
    ("classes", "donors", "pods", "held"),
    [
        ("hhoo", "PPQQ", "1122", ("S3", "S4")),
        ("hoos", "PQQQ", "1222", ("S2", "S3")),  # a self is of the mother either way
        ("hhoo", "PPQQ", "1212", ()),  # hybrids of the tag in both pods
        ("hhoo", "PPQR", "1122", ()),  # stray pollen of several lines
        ("hhoo", "PPRR", "1122", ()),  # no other tag wants them
        ("hhho", "PPPQ", "1112", ()),  # one alone
        ("hhoox", "PPQQR", "11222", ()),  # with seed of a third plant
        ("hhoox", "PPQQQ", "11222", ("S3", "S4")),  # with selfed seed of Q, who then bore the pod
        ("hhoo", ["P", "P", "unknown", "unknown"], "1122", ()),
        ("hhoo", "PPQQ", ["", "", "", ""], ()),  # hybrids may be of the same pod
        ("ssoo", "PPQQ", ["", "", "", ""], ("S3", "S4")),
    ],
)
def test_a_pod_of_hybrids_that_another_tag_wants_waits(classes, donors, pods, held):
    one = family(classes, list(donors))
    found = findings(one, list(pods))
    assert [f.samples for f in found] == ([held] if held else [])
    for f in found:
        assert (f.kind, f.subject, f.other, f.hold) == (FindingKind.OTHER_POLLEN, "C1", "Q", Hold.SAMPLES)
        assert not f.corrections
        assert speaks(one)
        assert "2 plants of C1, all crossed seed of their pods, have pollen of Q" in f.evidence


def test_a_family_with_another_father_keeps_its_one_finding_which_holds():
    one = family("hhoo", list("PPQQ"), other_father=True)
    [f] = findings(one, list("1122"))
    assert (f.kind, f.hold) == (FindingKind.OTHER_POLLEN, Hold.SAMPLES)
    assert f.remedy.startswith("Other tags of the season are of M and Q")
    assert f.evidence.startswith("2 of 4 plants of C1 have a father that is not P")
    [f] = findings(one, list("1122"), PAIRS[:1])
    assert f.hold is Hold.NOTHING
