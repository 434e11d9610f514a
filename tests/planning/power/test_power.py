"""Power of a cross: by hand for one marker, exact against Monte Carlo, bounds, and what may not matter."""

from itertools import pairwise

import numpy as np
import pytest
from invented_panel import panel_of, random_panel

from crossproof.model.results import Provable, Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.markers.least_markers import (
    least_markers,
    marker_worth,
    pair_only,
    right_by_counts,
    typical_panel,
)
from crossproof.planning.planned import contrast_counts
from crossproof.planning.power.cross_power import class_bounds, cross_power, simulate, two_class_tail
from crossproof.planning.power.evidence import contrast_table, cross_evidence
from crossproof.planning.power.family_power import family_tail, split_family

SETTINGS = PlanSettings()


def evidence_of(panel, settings=SETTINGS, mother=0, father=1):
    return cross_evidence(panel, contrast_table(panel, settings.clear_share), mother, father, settings)


def test_one_marker_by_hand():
    # Two lines fixed for different alleles for certain, h = 0, no floor: the hybrid is A/G, the self A/A.
    # Hybrid called A/G: likelihood ratio (1-d)/f = 196, posterior above .95 with prior 6:3.
    settings = PlanSettings(parent_departure=0.0, floor=1e-12, min_markers_scored=0)
    panel = panel_of([[0, 1]], call_rate=0.9, sure=1.0)
    evidence = evidence_of(panel, settings)
    hybrid, selfed = evidence.index(Relation.HYBRID), evidence.index(Relation.SELF)
    # Right when called A/G, or G/G (d/2 against e: ratio 5, prior 2: posterior .909 < .95, so not).
    assert two_class_tail(evidence, hybrid, selfed, settings).value == pytest.approx(0.9 * 0.98, rel=1e-9)
    # The self is right when called A/A: ratio (1-f-e)/(d/2) = 99.3, prior 1/2.
    assert two_class_tail(evidence, selfed, hybrid, settings).value == pytest.approx(0.9 * 0.993, rel=1e-9)


def test_outcomes_of_every_relation_are_a_distribution():
    evidence = evidence_of(random_panel(6, 30, 1))
    assert evidence.prob.sum(axis=2) == pytest.approx(np.ones(evidence.prob.shape[:2]), rel=1e-12)
    assert np.exp(evidence.log_prior).sum() == pytest.approx(1.0, rel=1e-12)


def test_convolution_against_monte_carlo_of_the_same_likelihood():
    evidence = evidence_of(random_panel(2, 14, 2))
    rng, n = np.random.default_rng(11), 40_000
    hybrid, selfed = evidence.index(Relation.HYBRID), evidence.index(Relation.SELF)
    settings = PlanSettings(min_posterior=0.999)
    for true, other in ((hybrid, selfed), (selfed, hybrid)):
        total = np.zeros(n)
        for j in range(evidence.n_markers):
            outcome = rng.choice(4, size=n, p=evidence.prob[j, true])
            total += evidence.score[j, true, outcome] - evidence.score[j, other, outcome]
        odds = total + evidence.log_prior[true] - evidence.log_prior[other]
        found = float((odds >= np.log(0.999 / 0.001)).mean())
        exact = two_class_tail(evidence, true, other, settings)
        assert exact.high - exact.low < 1e-3
        assert abs(found - exact.value) < 4 * np.sqrt(found * (1 - found) / n) + (exact.high - exact.low)
        assert 0.5 < found < 0.9999, "a chance near 0 or 1 would prove nothing"


@pytest.mark.parametrize("n_markers", [6, 20, 40])
def test_bounds_hold_what_simulation_finds(n_markers):
    evidence = evidence_of(random_panel(8, n_markers, 3))
    for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
        low, high = class_bounds(evidence, evidence.index(kind), SETTINGS)
        found = simulate(evidence, place, SETTINGS, 4000, np.random.default_rng(place))[place]
        slack = 4 * np.sqrt(max(found * (1 - found), 1e-4) / 4000)
        assert low - slack <= found <= high + slack


def test_bounds_hold_the_exact_sum_over_counts():
    m = 12
    panel = typical_panel(np.full(m, 0.01), np.full(m, 0.05), np.full(m, 0.85), SETTINGS)
    evidence = pair_only(evidence_of(panel))
    exact = right_by_counts(evidence, m, SETTINGS)
    settings = PlanSettings(wanted=0.5)  # low enough for the bounds to be sharpened to the end
    for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
        low, high = class_bounds(evidence, evidence.index(kind), settings)
        assert low <= exact[place] <= high
        assert low > 0.5


def test_sum_over_counts_against_monte_carlo():
    m = 7
    panel = typical_panel(np.full(m, 0.02), np.full(m, 0.08), np.full(m, 0.8), SETTINGS)
    evidence = pair_only(evidence_of(panel))
    settings = PlanSettings(min_markers_scored=0)
    exact = right_by_counts(evidence, m, settings)
    for place in (0, 1, 3):
        found = simulate(evidence, place, settings, 8000, np.random.default_rng(place))[place]
        assert abs(found - exact[place]) < 4 * np.sqrt(exact[place] * (1 - exact[place]) / 8000) + 1e-6
    assert np.isnan(exact[2])


def test_sister_lines_prove_nothing():
    alleles = np.array([[0, 0, 1]] * 10)
    panel = panel_of(alleles)
    power = cross_power(evidence_of(panel), SETTINGS, 200, np.random.default_rng(1))
    assert power.contrast == 0
    assert power.provable is Provable.NO
    assert power.right[0] == 0.0


def test_more_contrast_markers_never_hurt_much():
    chances = []
    for n in (2, 4, 8, 16, 32):
        alleles = np.column_stack([np.zeros(n, int), np.ones(n, int), np.arange(n) % 2])
        power = cross_power(evidence_of(panel_of(alleles)), SETTINGS, 1500, np.random.default_rng(2))
        chances.append(power.right[:2].min())
    assert chances[-1] > 0.999
    assert all(b >= a - 0.02 for a, b in pairwise(chances))


def test_alleles_swapped_markers_reordered_same_power():
    rng = np.random.default_rng(8)
    alleles = (rng.random((12, 5)) < 0.5).astype(int)
    flip = rng.random(12) < 0.5
    other = np.where(flip[:, None], 1 - alleles, alleles)[rng.permutation(12)]
    a, b = (evidence_of(panel_of(x)) for x in (alleles, other))
    for settings in (SETTINGS, PlanSettings(min_posterior=0.999)):
        assert two_class_tail(a, 0, 1, settings).value == pytest.approx(
            two_class_tail(b, 0, 1, settings).value, abs=1e-9
        )
        # Which of equally likely outcomes are let go depends on rounding, by which both bounds hold.
        assert class_bounds(a, 0, settings) == pytest.approx(class_bounds(b, 0, settings), abs=1e-5)


def test_a_family_of_one_is_one_plant():
    panel = random_panel(2, 8, 9)
    evidence = evidence_of(panel)
    hybrid, selfed = family_tail(panel, evidence, 0, 1, SETTINGS, 1)
    assert hybrid.value == pytest.approx(two_class_tail(evidence, 0, 1, SETTINGS).value, abs=1e-9)
    assert selfed.value == pytest.approx(two_class_tail(evidence, 1, 0, SETTINGS).value, abs=1e-9)


def test_others_of_the_family_help():
    settings = PlanSettings(parent_departure=0.08)
    panel = random_panel(2, 12, 10)
    evidence = evidence_of(panel, settings)
    alone = family_tail(panel, evidence, 0, 1, settings, 1)[0].value
    together = family_tail(panel, evidence, 0, 1, settings, 8)[0].value
    assert together > alone + 0.005


@pytest.mark.parametrize(
    ("prior", "others"), [((6.0, 3.0, 0.8, 0.2), (3, 2)), ((1.0, 19.0, 0.1, 0.1), (0, 5))]
)
def test_family_against_simulated_families(prior, others):
    # The same model played out: parent plants drawn once per marker, the others' calls, then the plant's own.
    from crossproof.inference.evidence.error_model import apply_floor, call_error_matrix
    from crossproof.inference.pedigree import pair_tables
    from crossproof.planning.power.cross_power import pair_threshold
    from crossproof.planning.power.evidence import parent_prior

    settings = PlanSettings(parent_departure=0.2, min_markers_scored=0, class_prior=prior)
    panel = random_panel(2, 12, 12)
    evidence = evidence_of(panel, settings)
    n_h, n_s = split_family(6, settings)
    assert (n_h, n_s) == others
    rng, n = np.random.default_rng(5), 20_000
    tables, block = pair_tables(2), panel.blocks[0]
    errors = call_error_matrix(2, 0.005, 0.02, settings.swap)
    floored = apply_floor(errors.T, settings.floor).T
    shown = {r: np.hstack([0.93 * tables[r] @ errors, np.full((9, 1), 0.07)]) for r in (0, 1)}
    likely = {r: np.hstack([tables[r] @ floored, np.ones((9, 1))]) for r in (0, 1)}
    total = np.zeros(n)
    for row in evidence.rows[evidence.contrast]:
        at = np.array([row])
        prior = np.outer(
            parent_prior(block, at, 0, settings)[0], parent_prior(block, at, 1, settings)[0]
        ).ravel()
        pair = rng.choice(9, size=n, p=prior / prior.sum())
        weight = np.tile(prior, (n, 1))
        for relation in [0] * n_h + [1] * n_s:
            outcome = (rng.random((n, 1)) > shown[relation].cumsum(axis=1)[pair][:, :-1]).sum(axis=1)
            weight *= likely[relation].T[outcome]
        own = (rng.random((n, 1)) > shown[0].cumsum(axis=1)[pair][:, :-1]).sum(axis=1)
        total += np.log((weight * likely[0].T[own]).sum(axis=1) / (weight * likely[1].T[own]).sum(axis=1))
    found = float((total >= pair_threshold(evidence, 0, 1, settings.min_posterior)).mean())
    exact = family_tail(panel, evidence, 0, 1, settings, 6)[0]
    assert abs(found - exact.value) < 4 * np.sqrt(found * (1 - found) / n) + (exact.high - exact.low)
    assert found < 0.9995
    alone = family_tail(panel, evidence, 0, 1, settings, 1)[0]
    assert exact.value > alone.value + 0.002


def test_least_markers_reach_what_they_claim():
    least = least_markers(0.005, 0.02, 0.95, SETTINGS)
    assert least.hybrid_and_self is not None
    assert least.all_of_the_parents is not None
    assert least.hybrid_and_self <= least.all_of_the_parents
    panel = typical_panel(np.array([0.005]), np.array([0.02]), np.array([0.95]), SETTINGS)
    evidence = pair_only(evidence_of(panel))
    n = least.hybrid_and_self
    assert right_by_counts(evidence, n, SETTINGS)[:2].min() >= 0.95
    assert right_by_counts(evidence, n - 1, SETTINGS)[:2].min() < 0.95
    worse = least_markers(0.03, 0.15, 0.6, SETTINGS)
    assert worse.hybrid_and_self > n


def test_worth_of_markers_falls_with_their_errors():
    panel = random_panel(3, 5, 1)
    rates = np.array([0.93, 0.93, 0.4, 0.93, 0.93])
    flawed = np.array([0.005, 0.2, 0.005, 0.005, 0.005])
    from dataclasses import replace

    worth = marker_worth(replace(panel, call_rate=rates, false_heterozygote=flawed), SETTINGS)
    assert worth[0] == pytest.approx(1.0, rel=1e-9)
    assert worth[1] < 0.9
    assert worth[2] < 0.6


def test_contrast_counts_by_hand():
    fixed = np.array([[0, 1, 0], [0, 1, -1], [1, 1, 0]], dtype=np.int8)
    counts = contrast_counts(fixed, np.array([True, True, True]))
    assert counts.tolist() == [[0, 2, 1], [2, 0, 2], [1, 2, 0]]
