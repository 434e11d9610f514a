"""The smallest set under the full model, against exhaustive search with a judge of known answers and Bayes'
theorem over every outcome."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from invented_panel import random_panel

from crossproof.model.results import CLASSES, Provable, Relation
from crossproof.planning.inputs import PlannedCross, PlanSettings
from crossproof.planning.markers.full_model import FullModel
from crossproof.planning.markers.marker_plan import plan_markers
from crossproof.planning.markers.marker_set import PanelTask
from crossproof.planning.markers.proven_set import FEW_MARKERS, Held, smallest_proven
from crossproof.planning.power.evidence import contrast_table, cross_evidence


class Known:
    """A judge whose answers are a sum: contrast markers count 1, shared ones a part of it."""

    def __init__(self, contrast, need, shared=0.3, slack=1.0, tells=0.2):
        self.tells = tells
        self.value, self.slack = np.where(contrast, 1.0, shared), slack
        self.need, self.looks = need, 0

    def held(self, cross, chosen):
        self.looks += 1
        return Held.YES if self.value[cross] @ chosen >= self.need[cross] else Held.NO

    def may_prove(self, cross, markers, largest):
        if not self.tells:
            return None
        held = (np.arange(1 << len(markers))[:, None] >> np.arange(len(markers))) & 1
        # a ceiling leaves some sets open that do not
        may = held @ self.value[cross, markers] >= self.need[cross] - self.tells
        return may | (held.sum(axis=1) > largest)

    def attainable(self, allowed):
        return self.value @ allowed >= self.need

    def parents_alone(self, cross, rows):
        return self.value[cross, rows].sum() + self.slack >= self.need[cross]

    def look_closer(self):
        pass


def task_of(contrast, **more):
    crosses, markers = contrast.shape
    given = {
        "cost": np.ones(markers), "worth": np.ones(crosses),
        "chromosome": np.array([f"Chr{j % 2}" for j in range(markers)], dtype=object),
        "position": np.arange(markers, dtype=np.int64) * 1000,
        "forced_in": np.zeros(markers, dtype=bool), "forced_out": np.zeros(markers, dtype=bool),
    } | more  # fmt: skip
    return PanelTask(weight=contrast.astype(float), need=np.full(crosses, 2.0), **given)


def cheapest(task, judge, targets):
    """The least cost of a set that proves the targets, all sets tried."""
    best = np.inf
    for bits in product([False, True], repeat=len(task.cost)):
        chosen = np.array(bits)
        if (task.forced_in & ~chosen).any() or (task.forced_out & chosen).any():
            continue
        at = np.flatnonzero(chosen)
        if task.min_spacing and any(
            task.chromosome[i] == task.chromosome[j]
            and abs(int(task.position[i] - task.position[j])) < task.min_spacing
            for i, j in combinations(at, 2)
        ):
            continue
        if len(set(task.chromosome[at])) < (2 if task.min_per_chromosome else 0):
            continue
        if all(judge.held(c, chosen) is Held.YES for c in np.flatnonzero(targets)):
            best = min(best, float(task.cost[chosen].sum()))
    return best


@pytest.mark.parametrize("seed", range(8))
def test_shared_markers_and_costs_against_every_set(seed):
    rng = np.random.default_rng(seed)
    contrast = rng.random((4, 10)) < 0.5
    forced = np.arange(10) == seed
    more = {"cost": rng.choice([1.0, 1.5], 10), "min_per_chromosome": seed % 2, "forced_in": forced}
    if seed in (3, 6):
        more |= {"min_spacing": 1500, "forced_in": forced & False}
    task = task_of(contrast, **more)
    judge = Known(contrast, rng.uniform(2.0, 3.2, 4), tells=0.2 * (seed % 3))
    targets = judge.attainable(~task.forced_out)
    found = smallest_proven(task, judge, targets, looks=50_000, seconds=5)
    assert found.choice.proven
    assert found.choice.objective == pytest.approx(cheapest(task, judge, targets), rel=1e-9)
    assert np.array_equal(found.choice.reached, targets)
    assert found.choice.chosen[task.forced_in].all()


def test_with_many_markers_the_bound_is_said_instead():
    rng = np.random.default_rng(3)
    contrast = rng.random((6, FEW_MARKERS + 20)) < 0.4
    judge = Known(contrast, np.full(6, 4.6))
    found = smallest_proven(task_of(contrast), judge, np.ones(6, dtype=bool), looks=300, seconds=5)
    assert found.choice.reached.all()
    assert found.choice.bound <= found.choice.objective
    assert not found.choice.proven  # that a count of contrast markers expects no fewer proves nothing
    for j in np.flatnonzero(found.choice.chosen):  # no marker could be left out
        fewer = found.choice.chosen.copy()
        fewer[j] = False
        assert not all(judge.held(c, fewer) is Held.YES for c in range(6))


def test_a_search_cut_short_claims_nothing():
    rng = np.random.default_rng(5)
    contrast = rng.random((5, 14)) < 0.5
    judge = Known(contrast, np.full(5, 4.3), slack=3.0, tells=0.0)
    targets = judge.attainable(np.ones(14, dtype=bool))
    found = smallest_proven(task_of(contrast), judge, targets, looks=3, seconds=5)
    assert not found.choice.proven
    assert np.array_equal(found.choice.reached, targets)


def proves(evidence, settings, rows):
    """Hybrid and self right and determined often enough, by Bayes' theorem for every outcome."""
    if evidence.contrast[rows].sum() < settings.min_markers_scored:
        return False
    joint, chance, scored = np.exp(evidence.log_prior)[:, None], np.ones((2, 1)), np.zeros(1, dtype=int)
    true = [evidence.kinds.index(kind) for kind in (Relation.HYBRID, Relation.SELF)]
    for m in rows:
        joint = (joint[:, :, None] * np.exp(evidence.score[m])[:, None, :]).reshape(len(joint), -1)
        chance = (chance[:, :, None] * evidence.prob[m, true][:, None, :]).reshape(2, -1)
        scored = (scored[:, None] + np.array([1, 1, 1, 0])).ravel()
    by_class = np.array([joint[evidence.class_of == c].sum(axis=0) for c in range(len(CLASSES))])
    right = (by_class[:2] >= settings.min_posterior * by_class.sum(axis=0)) & (
        scored >= settings.min_markers_scored
    )
    return bool(((chance * right).sum(axis=1) >= settings.wanted).all())


@pytest.mark.parametrize("seed", [1, 4])
def test_a_small_panel_against_every_set_under_the_full_model(seed):
    # The same over 20 panels of 16 markers: benchmarks/smallest_marker_set.py.
    panel, settings = random_panel(5, 9, seed, call_rate=0.985), PlanSettings(wanted=0.9)
    fixed = contrast_table(panel, settings.clear_share)
    pairs = list(combinations(range(5), 2))
    crosses = [PlannedCross(f"P{i}", panel.lines[m], panel.lines[f]) for i, (m, f) in enumerate(pairs)]
    plan = plan_markers(crosses, pairs, [True] * len(pairs), panel, fixed, settings, 4)
    assert plan.smallest is not None
    assert plan.smallest.proven
    size, proven = int(plan.smallest.chosen.sum()), plan.proven_by_smallest
    assert proven >= 2
    every = [cross_evidence(panel, fixed, m, f, settings, np.arange(9)) for m, f in pairs]
    at = np.flatnonzero(plan.smallest.chosen)
    assert sum(proves(e, settings, at) for e in every) == proven
    for n in range(3, size):
        for rows in combinations(range(9), n):
            if len({str(panel.markers.chrom[j]) for j in rows}) == 3:
                assert sum(proves(e, settings, np.array(rows)) for e in every) < proven
    assert any(
        note.startswith(f"The smallest set: {size} markers prove {proven} of 10") for note in plan.notes
    )


def test_rough_judges_tell_many_markers_by_draws_and_few_by_bounds():
    panel, settings = random_panel(30, 40, 2), PlanSettings()
    fixed = contrast_table(panel, settings.clear_share)
    pairs, every = [(0, 1), (2, 3), (4, 5), (6, 7)], np.ones(40, dtype=bool)
    plain = FullModel(pairs, panel, fixed, settings)
    rough = FullModel(pairs, panel, fixed, settings, rough=True)
    some = np.arange(40) < 14
    for i in range(4):
        assert rough.held(i, every) is Held.LIKELY
        assert plain.held(i, np.arange(40) < 2) is rough.held(i, np.arange(40) < 2) is Held.NO
        assert plain.held(i, some) is rough.held(i, some) is not Held.LIKELY
    proven, borderline = plain.attainable(every)
    assert proven.all()
    assert not borderline.any()
    states = rough.states(range(4), some)
    assert states == plain.states(range(4), some)
    assert set(states) <= {Provable.YES, Provable.PARTLY, Provable.BORDERLINE, Provable.NO}
    looked = rough.looks
    rough.states(range(4), some)
    assert rough.looks == looked


def test_classes_beyond_hybrid_and_self_can_be_asked_for():
    panel = random_panel(4, 60, 9)
    settings = PlanSettings(prove_all_classes=True, wanted=0.8)
    fixed = contrast_table(panel, settings.clear_share)
    few, many = np.arange(60) < 8, np.ones(60, dtype=bool)
    model = FullModel([(0, 1)], panel, fixed, settings)
    hybrid_and_self = FullModel([(0, 1)], panel, fixed, replace(settings, prove_all_classes=False))
    assert hybrid_and_self.held(0, many) is Held.YES
    assert model.held(0, few) in (Held.UNLIKELY, Held.NO)
