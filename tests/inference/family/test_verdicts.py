"""Verdict, decision and reason from evidence; figures invented."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from crossproof.inference.family.verdicts import FAR_BELOW, POOR, far_below_plate
from crossproof.inference.season_model import FamilyResult, Settings, judge
from crossproof.model.results import Decision, Reason, Verdict

SETTINGS = Settings()


def result_of(posterior, **changes):
    """A family of one plant with these class posteriors and otherwise blameless evidence."""
    one = {
        "plants": np.array(["p"]),
        "class_posterior": np.array([posterior]),
        "class_loglik": np.zeros((1, 4)),
        "relation_posterior": np.zeros((1, 12)),
        "lod": np.zeros(1),
        "sources": np.array([["pollen of P", "", ""]]),
        "source_probability": np.zeros((1, 3)),
        "donors": np.array([["unknown", "", ""]]),
        "donor_probability": np.zeros((1, 3)),
        "scored": np.array([50]),
        "contrast_scored": np.array([20]),
        "contrast_het": np.array([20]),
        "foreign_calls": np.array([0]),
        "shared_scored": np.array([30]),
        "shared_het": np.array([0]),
        "call_rate": np.array([0.9]),
        "from_calls": np.array([True]),
        "maternal_scored": np.array([0]),
        "maternal_agree": np.array([0]),
        "wells": np.array([1]),
        "well_discordance": np.zeros(1),
        "wells_disagree": np.array([False]),
    }
    family = {
        "cross_id": "C1",
        "mother": "M",
        "father": "P",
        "mother_known": True,
        "father_known": True,
        "markers_used": 55,
        "contrast_markers": 22,
        "converged": True,
        "rounds": 3,
        "log_evidence": 0.0,
        "mother_versions": np.array(["M"]),
        "mother_version_probability": np.ones(1),
        "father_versions": np.array(["P"]),
        "father_version_probability": np.ones(1),
        "run_departure": 0.02,
        "parent_faults": np.eye(7)[[0, 0]],
        "segregates": np.zeros(2, dtype=bool),
        "phase_open": np.zeros(2, dtype=bool),
        "mother_departure": 0.0,
        "father_departure": 0.0,
        "departure_parent": np.array([], dtype=np.str_),
        "departure_row": np.array([], dtype=np.int64),
        "departure_line": np.array([], dtype=np.int64),
        "departure_plant": np.array([], dtype=np.int64),
        "departure_probability": np.array([]),
        "marker_rows": np.arange(55),
    }
    return FamilyResult(**(family | one | changes))


@pytest.mark.parametrize(
    ("posterior", "verdict", "decision"),
    [
        ([0.95, 0.05, 0, 0], Verdict.HYBRID, Decision.KEEP),
        ([0.01, 0.98, 0.01, 0], Verdict.SELF, Decision.CULL),
        ([0.01, 0.01, 0.98, 0], Verdict.OUTCROSS, Decision.CULL),
        ([0.01, 0.01, 0.01, 0.97], Verdict.OFF_PEDIGREE, Decision.CULL),
        ([0.949, 0.051, 0, 0], Verdict.UNDETERMINED, Decision.RETEST),
    ],
)
def test_verdict_is_the_class_that_reaches_the_threshold(posterior, verdict, decision):
    got = judge(result_of(posterior), 0, SETTINGS)
    assert (got.verdict, got.decision) == (verdict, decision)


@pytest.mark.parametrize(
    ("posterior", "changes", "reason"),
    [
        ([0.6, 0.4, 0, 0], {}, Reason.CLASSES_CLOSE),
        ([0.6, 0.4, 0, 0], {"contrast_scored": np.array([2])}, Reason.FEW_MARKERS),
        ([1, 0, 0, 0], {"scored": np.array([2])}, Reason.FEW_MARKERS),
        ([0.9, 0.1, 0, 0], {"call_rate": np.array([0.4])}, Reason.LOW_CALL_RATE),
        ([1, 0, 0, 0], {"scored": np.array([0])}, Reason.NO_DATA),
        ([0.9, 0.1, 0, 0], {"mother_known": False}, Reason.NO_PARENT_DATA),
        ([0.97, 0, 0.03, 0], {"father_known": False}, Reason.FATHER_UNPROVEN),
        ([0.6, 0.4, 0, 0], {"wells_disagree": np.array([True])}, Reason.WELLS_DISAGREE),
        ([0.6, 0, 0.4, 0], {"father_departure": 0.4}, Reason.PARENTS_UNRESOLVED),
    ],
)
def test_reasons(posterior, changes, reason):
    got = judge(result_of(posterior, **changes), 0, SETTINGS)
    assert got.verdict is Verdict.UNDETERMINED
    assert got.reason is reason
    assert got.settle


def test_mixed_dna_overrules_any_posterior():
    got = judge(result_of([1, 0, 0, 0]), 0, SETTINGS, mixed_dna=True)
    assert (got.verdict, got.reason) == (Verdict.UNDETERMINED, Reason.MIXED_DNA)


def test_few_calls_overrule_any_posterior_and_reads_do_not():
    """A fifth of what the plate calls: common practice, no source."""
    got = judge(result_of([1, 0, 0, 0]), 0, SETTINGS, few_calls=True)
    assert (got.verdict, got.reason) == (Verdict.UNDETERMINED, Reason.LOW_CALL_RATE)
    assert got.settle == "extract and type the plant again"
    from_reads = result_of([1, 0, 0, 0], from_calls=np.array([False]))
    assert judge(from_reads, 0, SETTINGS, few_calls=True).verdict is Verdict.HYBRID


@pytest.mark.parametrize(("place", "waits"), [(0, False), (1, False), (2, True), (3, True)])
def test_poor_calls_prove_no_outcross(place, waits):
    got = judge(result_of(np.eye(4)[place].tolist()), 0, SETTINGS, poor_calls=True)
    assert (got.reason is Reason.LOW_CALL_RATE) == waits


def test_a_plant_waits_that_calls_far_less_than_its_plate():
    rate, plate = np.array([0.12, 0.17, 0.18, 0.12, 0.0]), np.array([0.9, 0.9, 0.9, 0.4, 0.4])
    assert far_below_plate(rate, plate, SETTINGS, FAR_BELOW).tolist() == [True, True, False, False, False]
    lower = dataclasses.replace(SETTINGS, min_call_rate=0.15)
    assert far_below_plate(rate, plate, lower, FAR_BELOW).tolist() == [True, False, False, False, True]
    off = dataclasses.replace(SETTINGS, min_call_rate=0.0)
    assert not far_below_plate(rate, plate, off, POOR).any()


def test_shallow_reads_are_not_a_low_call_rate():
    got = judge(result_of([1, 0, 0, 0], call_rate=np.array([0.4]), from_calls=np.array([False])), 0, SETTINGS)
    assert got.verdict is Verdict.HYBRID


def test_self_is_proven_without_the_father():
    got = judge(result_of([0.01, 0.99, 0, 0], father_known=False), 0, SETTINGS)
    assert got.verdict is Verdict.SELF


def test_leading_class_and_what_would_settle_it():
    got = judge(result_of([0.3, 0.1, 0.6, 0]), 0, SETTINGS)
    assert got.leading is Verdict.OUTCROSS
    assert got.settle == "more markers that tell an outcross from a hybrid, or a second well of this plant"


def test_flags():
    result = result_of(
        [1, 0, 0, 0],
        converged=False,
        father_departure=0.3,
        maternal_scored=np.array([1]),
        well_discordance=np.array([0.2]),
    )
    assert judge(result, 0, SETTINGS).flags == (
        "wells disagree",
        "family did not converge",
        "father plant departs from its line",
        "maternal markers differ from the mother",
    )
    assert judge(result_of([1, 0, 0, 0]), 0, SETTINGS).flags == ()


def test_threshold_is_the_only_thing_that_moves():
    result = result_of([0.9, 0.1, 0, 0])
    loose = dataclasses.replace(SETTINGS, min_posterior=0.85)
    assert judge(result, 0, loose).verdict is Verdict.HYBRID
    assert judge(result, 0, SETTINGS).verdict is Verdict.UNDETERMINED
