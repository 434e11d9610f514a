"""The one rule of what can be proven, against every outcome of a plant gone through one by one."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from invented_panel import panel_of, random_panel

from crossproof.model.results import CLASSES, Provable, Relation
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power.bounds import class_bounds
from crossproof.planning.power.cross_power import cross_power, simulate
from crossproof.planning.power.evidence import contrast_table, cross_evidence
from crossproof.planning.power.halves import right_by_halves
from crossproof.planning.power.outcomes import right_by_outcomes
from crossproof.planning.power.provable import provable
from crossproof.planning.power.tails import chernoff_exponent

SETTINGS = PlanSettings()


def evidence_of(panel, settings=SETTINGS, mother=0, father=1):
    return cross_evidence(panel, contrast_table(panel, settings.clear_share), mother, father, settings)


def by_every_outcome(evidence, place, settings):
    """P(right and determined) of a hybrid (0) or self (1): Bayes' theorem for each outcome, summed up.

    Shares no code with the bounds: posteriors by class, no ratios, no logs of sums.
    """
    kind = (Relation.HYBRID, Relation.SELF)[place]
    true = evidence.kinds.index(kind)
    prior = np.exp(evidence.log_prior)
    likelihood = np.exp(evidence.score)
    n_m, _, n_o = likelihood.shape
    total = 0.0
    for outcome in product(range(n_o), repeat=n_m):
        chance = np.prod([evidence.prob[m, true, o] for m, o in enumerate(outcome)])
        if chance == 0 or sum(o < n_o - 1 for o in outcome) < settings.min_markers_scored:
            continue
        joint = prior * np.prod([likelihood[m, :, o] for m, o in enumerate(outcome)], axis=0)
        by_class = [joint[evidence.class_of == c].sum() for c in range(len(CLASSES))]
        if by_class[place] >= settings.min_posterior * sum(by_class):
            total += chance
    return total


PANELS = {
    "all differ": panel_of([[0, 1, 0, 1]] * 3 + [[0, 1, 1, 0]] * 3),
    "half differ": panel_of([[0, 1, 0], [0, 1, 1], [1, 0, 0], [1, 1, 0], [0, 0, 1], [0, 0, 0]], d=0.06),
    "poor calls": panel_of([[0, 1, 0]] * 6, call_rate=0.7, f=0.03, d=0.1),
    "random": random_panel(5, 6, 21, call_rate=0.97),
}


@pytest.mark.parametrize("name", PANELS)
@pytest.mark.parametrize("wanted", [0.6, 0.9, 0.95, 0.99])
def test_the_state_is_that_of_every_outcome_gone_through(name, wanted):
    settings = PlanSettings(wanted=wanted)
    evidence = evidence_of(PANELS[name], settings)
    exact = [by_every_outcome(evidence, place, settings) for place in (0, 1)]
    for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
        low, high = class_bounds(evidence, evidence.index(kind), settings)
        assert low - 1e-9 <= exact[place] <= high + 1e-9
    if evidence.contrast.sum() < settings.min_markers_scored:
        expected = Provable.NO
    else:
        expected = Provable.YES if min(exact) >= wanted else Provable.PARTLY
    # With so few markers every outcome is gone through: nothing is left borderline.
    assert provable(evidence, settings) is expected


def test_unequal_markers_and_relations_set_aside_keep_the_bounds_strict():
    rng = np.random.default_rng(5)
    panel = random_panel(24, 7, 22)  # more relations than are gone through
    panel = replace(
        panel,
        call_rate=rng.uniform(0.6, 0.99, 7),
        dropout=rng.uniform(0.005, 0.12, 7),
        false_heterozygote=rng.uniform(0.002, 0.04, 7),
    )
    settings = PlanSettings(min_markers_scored=1)
    for mother, father in ((0, 1), (2, 3), (4, 5)):
        evidence = evidence_of(panel, settings, mother, father)
        for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
            exact = by_every_outcome(evidence, place, settings)
            for wanted in (0.3, 0.6, 0.8, 0.9):
                low, high = class_bounds(evidence, evidence.index(kind), replace(settings, wanted=wanted))
                assert low - 1e-9 <= exact <= high + 1e-9


def as_a_tree(gain, prob, log_weight, most, **stop):
    exponent = chernoff_exponent(-gain, prob[:, None, :])
    return right_by_outcomes(gain, prob, exponent, log_weight, np.log(0.05), 2, most, **stop)


def in_halves(gain, prob, log_weight, most, **stop):
    return right_by_halves(gain, prob, log_weight, np.log(0.05), 2, most**2, **stop)


@pytest.mark.parametrize(("way", "left"), [(as_a_tree, 1e-9), (in_halves, 5e-4)])
@pytest.mark.parametrize("branches", [1, 5, 40, 5000])
def test_what_is_let_go_widens_the_bounds_and_never_moves_them_past_the_truth(way, left, branches):
    rng = np.random.default_rng(branches)
    gain = -rng.normal(1.0, 1.5, (6, 3, 4))
    gain[:, :, -1] = 0.0
    prob = rng.dirichlet([4.0, 1.0, 0.5, 0.5], 6)
    log_weight = np.log([0.5, 0.1, 0.03])
    true = 0.0
    for outcome in product(range(4), repeat=6):
        ratio = np.exp(log_weight + sum(gain[m, :, o] for m, o in enumerate(outcome))).sum()
        if ratio <= 0.05 and sum(o < 3 for o in outcome) >= 2:
            true += np.prod([prob[m, o] for m, o in enumerate(outcome)])
    assert 0.05 < true < 0.95
    found = way(gain, prob, log_weight, branches)
    assert found.low - 1e-9 <= true <= found.high + 1e-9
    if branches == 5000:  # more than there are outcomes
        assert found.high - found.low < left
    for stop in ({"enough": true / 2}, {"too_little": (1 + true) / 2}):  # ended early, and still bounds
        early = way(gain, prob, log_weight, branches, **stop)
        assert early.low - 1e-9 <= true <= early.high + 1e-9
        assert early.low <= found.low + 1e-9
        assert early.high >= found.high - 1e-9


@pytest.mark.parametrize(("n_lines", "n_markers"), [(4, 8), (120, 8), (120, 14)])
def test_at_few_markers_the_bounds_are_as_good_as_the_value_whatever_the_number_of_lines(n_lines, n_markers):
    evidence = evidence_of(random_panel(n_lines, n_markers, 8), SETTINGS, 0, 1)
    assert evidence.contrast.sum() >= SETTINGS.min_markers_scored
    for place, kind in enumerate((Relation.HYBRID, Relation.SELF)):
        low, high = class_bounds(evidence, evidence.index(kind), SETTINGS)
        assert high - low < 0.002
        found = simulate(evidence, place, SETTINGS, 4000, np.random.default_rng(place))[place]
        slack = 4 * np.sqrt(max(found * (1 - found), 1e-4) / 4000)
        assert low - slack <= found <= high + slack


@pytest.mark.parametrize("contrast", [0, 1, 2, 3, 6])
def test_fewer_contrast_markers_than_must_be_scored_prove_nothing(contrast):
    shared = [[0, 0, 1], [1, 1, 0], [0, 0, 0]] * 3
    evidence = evidence_of(panel_of([[0, 1, 0]] * contrast + shared, call_rate=0.999, f=0.001, d=0.001))
    power = cross_power(evidence, SETTINGS, 200, np.random.default_rng(1))
    assert power.contrast == contrast
    if contrast < SETTINGS.min_markers_scored:
        assert power.provable is Provable.NO
        assert power.right[:2].tolist() == [0, 0]
        assert (power.against_self, power.against_hybrid) == (0, 0)
    else:
        # A parent plant may differ from its line at a marker: three are not enough for every plant.
        assert power.provable is (Provable.PARTLY if contrast == 3 else Provable.YES)
        assert power.right[:2].min() > 0.9


def test_no_random_number_enters_the_decision():
    evidence = evidence_of(random_panel(8, 14, 3))
    states = {
        cross_power(evidence, SETTINGS, draws, np.random.default_rng(seed)).provable
        for draws, seed in ((0, 0), (50, 1), (400, 2))
    }
    assert states == {provable(evidence, SETTINGS)}


def test_the_figure_beside_the_state_never_contradicts_it():
    for seed in range(12):
        evidence = evidence_of(random_panel(6, 6 + seed, seed))
        power = cross_power(evidence, SETTINGS, 300, np.random.default_rng(seed))
        if power.provable is Provable.YES:
            assert power.right[:2].min() >= SETTINGS.wanted
        elif power.provable is not Provable.BORDERLINE:
            assert power.right[:2].min() < SETTINGS.wanted
