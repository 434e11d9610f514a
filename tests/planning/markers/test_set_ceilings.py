"""Ceilings of every marker set against Bayes' theorem, one outcome of a plant after another."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from invented_panel import random_panel

from crossproof.model.results import Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.markers import set_ceilings as ceilings
from crossproof.planning.markers.set_ceilings import set_ceilings, set_sizes
from crossproof.planning.power.evidence import contrast_table, cross_evidence

MARKERS = 6


def evidence_of(seed, lines=4):
    panel, settings = random_panel(lines, MARKERS, seed, call_rate=0.9), PlanSettings(min_markers_scored=2)
    fixed = contrast_table(panel, settings.clear_share)
    return cross_evidence(panel, fixed, 0, 1, settings, np.arange(MARKERS)), settings


def chance(evidence, settings, rows):
    """The lesser of P(right and determined) of a hybrid and a self, the outcomes one by one."""
    if evidence.contrast[rows].sum() < settings.min_markers_scored:
        return 0.0
    prior, n_out = np.exp(evidence.log_prior), evidence.prob.shape[2]
    found = []
    for true in (evidence.index(Relation.HYBRID), evidence.index(Relation.SELF)):
        total = 0.0
        for shown in product(range(n_out), repeat=len(rows)):
            p = np.prod([evidence.prob[m, true, o] for m, o in zip(rows, shown, strict=True)])
            joint = prior * np.exp(sum(evidence.score[m, :, o] for m, o in zip(rows, shown, strict=True)))
            enough = sum(o < n_out - 1 for o in shown) >= settings.min_markers_scored
            total += p * (enough and joint[true] >= settings.min_posterior * joint.sum())
        found.append(total)
    return min(found)


@pytest.mark.parametrize("seed", [1, 2])
def test_all_sets_against_all_outcomes(seed):
    evidence, settings = evidence_of(seed)
    most, pairs = set_ceilings(evidence, settings, MARKERS, 1e9)
    assert most is not None
    assert pairs > 0
    for at in range(0, 1 << MARKERS, 3):
        rows = [m for m in range(MARKERS) if at >> m & 1]
        exact = chance(evidence, settings, rows)
        assert exact <= most[at] <= exact + 1e-5


def test_sets_above_the_largest_are_left_open_and_the_others_are_as_before():
    evidence, settings = evidence_of(3)
    whole, _ = set_ceilings(evidence, settings, MARKERS, 1e9)
    some, _ = set_ceilings(evidence, settings, 3, 1e9)
    small = set_sizes(MARKERS) <= 3
    assert (some[~small] == 1).all()
    assert np.allclose(some[small], whole[small], atol=1e-6)


def test_relations_left_out_only_raise_the_ceiling(monkeypatch):
    evidence, settings = evidence_of(4, lines=6)
    whole, _ = set_ceilings(evidence, settings, MARKERS, 1e9)
    monkeypatch.setattr(ceilings, "MOST_RELATIONS", 5)
    fewer, _ = set_ceilings(evidence, settings, MARKERS, 1e9)
    assert (fewer >= whole - 1e-6).all()
    assert (fewer > whole + 1e-3).any()


def test_too_many_pairs_are_not_gone_through():
    evidence, settings = evidence_of(1)
    assert set_ceilings(evidence, replace(settings, min_posterior=0.9), MARKERS, 100.0)[0] is None


def test_sizes_of_sets():
    assert set_sizes(3).tolist() == [bin(i).count("1") for i in range(8)]
