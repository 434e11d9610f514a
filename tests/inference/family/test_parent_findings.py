"""Findings that follow from the hypotheses about parents and tags; results made by hand, names invented."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_verdicts import result_of

from crossproof.inference.family.parent_findings import in_doubt, parent_findings
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.season_results import RELATIONS
from crossproof.model.findings import FindingKind, Hold
from crossproof.model.results import Relation

WELLS = {("C1", "C1-01"): (("S1", "P1:A1"),), ("C2", "C1-01"): (("S2", "P1:A2"),)}


def family(posterior, mother=Fault.NONE, father=Fault.NONE, share=1.0, **changes):
    """One plant of a family whose parents have these faults with this posterior; it is heterozygous at
    half of the markers at which they differ."""
    changes = {"contrast_het": np.array([10]), **changes}
    faults = np.zeros((2, len(FAULTS)))
    for side, fault in enumerate((mother, father)):
        faults[side, FAULTS.index(fault)] += share
        faults[side, 0] += 1 - share
    plants = np.array(["C1-01"])
    return result_of(posterior, parent_faults=faults, plants=plants, **changes)


def kinds(results, named=()):
    return [f.kind for f in parent_findings(results, WELLS, dict.fromkeys(named, ""))]


def test_parents_as_typed_are_no_finding():
    assert kinds([family([1, 0, 0, 0])]) == []


@pytest.mark.parametrize(
    ("fault", "share", "doubt"),
    [
        (Fault.TUBE, 0.05, True),
        (Fault.TUBE, 0.04, False),
        (Fault.HETEROGENEOUS, 0.3, True),
        (Fault.HETEROGENEOUS, 0.2, False),
        (Fault.RELATIVE, 0.3, True),
        (Fault.FATHER_PLANT, 1.0, False),
    ],
)
def test_what_leaves_a_parent_in_doubt(fault, share, doubt):
    assert in_doubt(family([1, 0, 0, 0], father=fault, share=share), 1) is doubt


def test_departure_beyond_that_of_the_run_holds_hybrids():
    # 55 markers, 2 % departure in the run: its own limit is the larger, 0.10.
    assert not in_doubt(family([1, 0, 0, 0], father_departure=0.10), 1)
    assert in_doubt(family([1, 0, 0, 0], father_departure=0.11), 1)
    # With 8 % in the run two and a half standard errors lead to 0.17.
    assert not in_doubt(family([1, 0, 0, 0], father_departure=0.16, run_departure=0.08), 1)


def test_hybrids_of_a_wrong_tube_are_held_and_the_remedy_names_the_line():
    (found,) = parent_findings([family([1, 0, 0, 0], father=Fault.TUBE)], WELLS, {})
    assert (found.kind, found.subject, found.hold) == (FindingKind.PARENT_UNRESOLVED, "P", Hold.SAMPLES)
    assert found.samples == ("S1",)
    assert found.wells == ("P1:A1",)
    assert "one more plant of P" in found.remedy


@pytest.mark.parametrize(
    ("posterior", "tube", "held"),
    [
        ([0.02, 0, 0.98, 0], 0.02, True),
        ([0.02, 0, 0, 0.98], 0.02, True),
        ([0.005, 0, 0.995, 0], 0.02, False),
        ([0.02, 0.98, 0, 0], 0.02, False),
    ],
)
def test_no_plant_is_culled_on_the_word_of_one_tube(posterior, tube, held):
    found = parent_findings([family(posterior, father=Fault.TUBE, share=tube)], WELLS, {})
    assert [f.samples for f in found] == ([("S1",)] if held else [])
    if held:
        assert (found[0].kind, found[0].hold) == (FindingKind.PARENT_UNRESOLVED, Hold.SAMPLES)
        assert "one more plant of P" in found[0].remedy


@pytest.mark.parametrize(
    ("posterior", "held"),
    [
        ([0.01, 0, 0.99, 0], True),
        ([0.03, 0, 0, 0.97], True),
        ([0.009, 0, 0.991, 0], False),
        ([0.03, 0.97, 0, 0], False),
        ([0.4, 0, 0, 0.6], False),  # undetermined, and not culled
    ],
)
def test_a_plant_that_is_a_hybrid_once_in_a_hundred_is_not_culled_as_foreign(posterior, held):
    found = parent_findings([family(posterior)], WELLS, {})
    assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])
    if held:
        assert f"up to {100 * posterior[0]:.0f}" in found[0].evidence
        assert "hybrids of M and P" in found[0].evidence


@pytest.mark.parametrize(("lod", "held"), [(0.1, True), (-0.1, False)])
def test_a_plant_that_its_own_data_make_a_hybrid_is_not_culled_on_the_word_of_its_sibs(lod, held):
    for tube in (0.0, 0.02):
        result = family([1e-4, 0, 0.9999, 0], father=Fault.TUBE, share=tube, lod=np.array([lod]))
        found = parent_findings([result], WELLS, {})
        assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])


@pytest.mark.parametrize(
    ("changes", "held"),
    [
        ({}, True),
        ({"contrast_het": np.array([17])}, False),  # 17 of 20
        ({"contrast_scored": np.array([2]), "contrast_het": np.array([2])}, True),
        ({"contrast_scored": np.array([1]), "contrast_het": np.array([1])}, False),
        ({"foreign_calls": np.array([3]), "contrast_scored": np.array([9])}, False),  # 3 of 50
        ({"donors": np.array([["Q", "", ""]])}, True),  # a typed line that is all but the father
        ({"donors": np.array([["Q", "", ""]]), "foreign_calls": np.array([2])}, False),
        ({"donors": np.array([["Q", "", ""]]), "contrast_scored": np.array([9])}, False),
        ({"segregates": np.array([True, False])}, False),
    ],
)
def test_a_plant_that_looks_like_a_hybrid_is_not_pollen_of_nobody_known(changes, held):
    """Its four sibs have one foreign father, who is then taken for the plant that was used."""
    seen = {"contrast_het": np.array([19]), "foreign_calls": np.array([1])} | changes
    result = family([0.0, 0, 0.9997, 0.0003], lod=np.array([-np.inf]), **seen)
    found = parent_findings([result], WELLS, {})
    assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])
    if held:
        assert found[0].evidence.startswith("By their own calls the plants listed are hybrids of M and P.")


@pytest.mark.parametrize(
    ("het", "of", "donor", "held"),
    [
        (10, 10, "unknown", True),
        (18, 20, "unknown", True),
        (17, 20, "unknown", False),  # half or so is what pollen of anybody has
        (9, 9, "unknown", False),
        (20, 20, "Q", False),  # a typed line explains it
    ],
)
def test_a_hybrid_into_whose_well_other_dna_ran_is_not_pollen_of_nobody_known(het, of, donor, held):
    """Ten alleles of neither line at 50 markers, and the father's at all that tell him from the mother.

    By hand: a donor who has the father's allele at half of the markers has it at 18 of 20 or more once in
    5,000."""
    assert sum(math.comb(20, k) for k in (18, 19, 20)) / 2**20 == pytest.approx(1 / 4970, rel=0.01)
    counts = {"contrast_het": np.array([het]), "contrast_scored": np.array([of])}
    result = family(
        [0.0, 0, 0.9997, 0.0003],
        lod=np.array([-np.inf]),
        foreign_calls=np.array([10]),
        donors=np.array([[donor, "", ""]]),
        **counts,
    )
    found = parent_findings([result], WELLS, {})
    assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])
    if held:
        assert "other DNA may have run into their wells" in found[0].evidence
        assert found[0].remedy.startswith("Take new samples")


@pytest.mark.parametrize(
    ("against", "segregates", "held"),
    [(15.0, (True, False), True), (25.0, (True, False), False), (15.0, (False, True), False)],
)
def test_a_self_that_few_markers_tell_from_a_hybrid_is_held_where_it_is_of_a_parent_that_segregates(
    against, segregates, held
):
    # 500 scored markers: 15 natural-log units are 0.03 for each, 25 are 0.05.
    loglik = np.array([[-against, 0.0, -300.0, -300.0]])
    relation = np.zeros((1, len(RELATIONS)))
    relation[0, RELATIONS.index(Relation.SELF)] = 1.0
    one = family(
        [0, 1, 0, 0],
        segregates=np.array(segregates),
        class_loglik=loglik,
        relation_posterior=relation,
        scored=np.array([500]),
    )
    found = parent_findings([one], WELLS, {})
    assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])


@pytest.mark.parametrize(("against", "held"), [(15.0, True), (25.0, False)])
def test_a_backcross_of_two_lines_that_few_markers_tell_from_a_hybrid_is_held(against, held):
    relation = np.zeros((1, len(RELATIONS)))
    relation[0, RELATIONS.index(Relation.BACKCROSS_MOTHER)] = 1.0
    one = family(
        [0, 0, 0, 1],
        class_loglik=np.array([[-against, -300.0, -300.0, 0.0]]),
        relation_posterior=relation,
        scored=np.array([500]),
    )
    found = parent_findings([one], WELLS, {})
    assert [(f.samples, f.hold) for f in found] == ([(("S1",), Hold.SAMPLES)] if held else [])
    assert not held or "a parent plant was heterozygous" in found[0].evidence


@pytest.mark.parametrize(
    ("mother", "father", "doubt"),
    [(0.16, 0.16, (True, True)), (0.04, 0.28, (False, True)), (0.14, 0.14, (False, False))],
)
def test_what_may_be_of_either_parent_leaves_both_in_doubt(mother, father, doubt):
    faults = np.zeros((2, len(FAULTS)))
    for side, share in enumerate((mother, father)):
        faults[side, FAULTS.index(Fault.HETEROGENEOUS)] = share
        faults[side, 0] = 1 - share
    one = result_of([1, 0, 0, 0], parent_faults=faults)
    assert (in_doubt(one, 0), in_doubt(one, 1)) == doubt


def test_plants_of_a_relative_are_held_and_not_culled():
    (other, unresolved) = parent_findings([family([0, 0, 1, 0], father=Fault.RELATIVE)], WELLS, {})
    assert other.kind is FindingKind.OTHER_POLLEN
    assert unresolved.kind is FindingKind.PARENT_UNRESOLVED
    assert unresolved.samples == ("S1",)


def test_other_pollen_is_named_once_and_not_where_a_plate_check_named_it():
    one = family([0, 0, 1, 0], father=Fault.FATHER_PLANT)
    assert kinds([one]) == [FindingKind.OTHER_POLLEN]
    assert kinds([one], named=["C1"]) == []


def test_two_tags_with_other_pollen_contradict_the_line():
    one = family([0, 0, 1, 0], father=Fault.FATHER_PLANT)
    two = family([0, 0, 1, 0], father=Fault.FATHER_PLANT, cross_id="C2")
    assert kinds([one, two])[-1] is FindingKind.TAGS_CONTRADICT


def test_a_tag_of_a_later_generation_is_named():
    one = family([0, 0, 0, 1], mother=Fault.GENERATION, father=Fault.GENERATION)
    assert kinds([one]) == [FindingKind.LATER_GENERATION]
