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


@pytest.mark.parametrize(
    ("classes", "sources", "pods", "held"),
    [
        ("hhxx", ["", "", "cross C4", "cross C4"], "1122", ("S3", "S4")),
        ("hxxx", ["", "cross C4", "line R", "cross C4"], "1222", ("S2", "S4")),  # with a self of C4's mother
        ("hhxx", ["", "", "cross C4", "cross C4"], "1212", ()),  # hybrids of the tag in both pods
        ("hsxx", ["", "", "cross C4", "cross C4"], "1222", ()),  # a self of its mother in the pod
        ("hhxx", ["", "", "cross C4", "cross C7"], "1122", ()),  # of two tags
        ("hhhx", ["", "", "", "cross C4"], "1112", ()),  # one alone
        ("hhxx", ["", "", "cross C4", "cross C4"], ["", "", "", ""], ()),
        ("hxxx", ["", "cross C4", "cross C4", "cross C4"], ["", "", "", ""], ("S2", "S3", "S4")),
    ],
)
def test_a_pod_of_another_tag_with_another_mother_waits(classes, sources, pods, held):
    one = replace(
        family(classes, ["unknown"] * len(classes)), sources=np.array([[source] for source in sources])
    )
    found = findings(one, list(pods))
    assert [f.samples for f in found] == ([held] if held else [])
    for f in found:
        assert (f.kind, f.subject, f.other, f.hold) == (FindingKind.OTHER_MOTHER, "C1", "C4", Hold.SAMPLES)
        assert not f.corrections
        assert speaks(one)


def test_a_tag_that_the_plate_checks_have_named_gets_no_second_finding():
    one = replace(family("hhxx", ["unknown"] * 4), sources=np.array([[""], [""], ["cross C4"], ["cross C4"]]))
    plants = [("C1", str(plant)) for plant in one.plants]
    wells: Wells = {plant: ((f"S{i}", f"P1:A{i}"),) for i, plant in enumerate(plants, 1)}
    records = Records(LINES, dict(zip(plants, "1122", strict=True)), PAIRS)
    assert parent_findings([one], wells, {}, records)
    assert not parent_findings([one], wells, {"C1": "C4"}, records)


def test_a_family_with_another_father_keeps_its_one_finding_which_holds():
    one = family("hhoo", list("PPQQ"), other_father=True)
    [f] = findings(one, list("1122"))
    assert (f.kind, f.hold) == (FindingKind.OTHER_POLLEN, Hold.SAMPLES)
    assert f.remedy.startswith("Other tags of the season are of M and Q")
    assert f.evidence.startswith("2 of 4 plants of C1 have a father that is not P")
    [f] = findings(one, list("1122"), PAIRS[:1])
    assert f.hold is Hold.NOTHING
