"""Marker choice against exhaustive search, and its side conditions."""

from itertools import product

import numpy as np
import pytest

from crossproof.planning.markers.smallest_set import PanelTask, choose, greedy


def task_of(weight, need, **more) -> PanelTask:
    weight = np.asarray(weight, dtype=float)
    crosses, markers = weight.shape
    given = {
        "cost": np.ones(markers),
        "worth": np.ones(crosses),
        "chromosome": np.array([f"Chr{j % 3 + 1}" for j in range(markers)], dtype=object),
        "position": np.arange(markers, dtype=np.int64) * 1000,
        "forced_in": np.zeros(markers, dtype=bool),
        "forced_out": np.zeros(markers, dtype=bool),
    } | more
    return PanelTask(weight=weight, need=np.broadcast_to(np.asarray(need, float), crosses).copy(), **given)


def random_task(seed, crosses=7, markers=12, need=2, **more):
    rng = np.random.default_rng(seed)
    line = (rng.random((markers, 6)) < 0.4).astype(int)
    mother = rng.integers(0, 6, crosses)
    father = (mother + rng.integers(1, 6, crosses)) % 6
    weight = (line[:, mother] != line[:, father]).T * rng.choice([1.0, 1.0, 0.7], markers)
    return task_of(weight, need, **more)


def every_set(task):
    for bits in product([False, True], repeat=len(task.cost)):
        chosen = np.array(bits)
        if not (task.forced_in & ~chosen).any() and not (task.forced_out & chosen).any():
            yield chosen


@pytest.mark.parametrize("seed", range(8))
def test_smallest_set_equals_exhaustive_search_over_12_markers(seed):
    cost = np.random.default_rng(seed + 100).choice([1.0, 1.5, 2.0], 12)
    forced_in = np.zeros(12, dtype=bool)
    forced_in[seed] = True
    forced_out = np.zeros(12, dtype=bool)
    forced_out[11] = True
    task = random_task(seed, cost=cost, forced_in=forced_in, forced_out=forced_out)
    wanted = task.attainable()
    best = min(task.cost[s].sum() for s in every_set(task) if np.all(task.reached(s)[wanted]))
    choice = choose(task)
    assert choice.proven
    assert choice.gap == 0.0
    assert choice.objective == pytest.approx(best, rel=1e-9)
    assert np.array_equal(choice.reached, wanted)
    assert choice.chosen[seed]
    assert not choice.chosen[11]


@pytest.mark.parametrize("seed", range(6))
def test_most_crosses_with_at_most_three_markers_equals_exhaustive_search(seed):
    worth = np.random.default_rng(seed + 50).choice([1.0, 3.0], 7)
    task = random_task(seed, worth=worth)
    best = max(task.worth[task.reached(s)].sum() for s in every_set(task) if s.sum() <= 3)
    choice = choose(task, at_most=3)
    assert choice.objective == pytest.approx(best, rel=1e-9)
    assert choice.chosen.sum() <= 3


def test_power_itself_agrees_with_the_linear_need():
    # With markers alike, a cross is proven exactly from the least number on: exhaustive search over the true
    # criterion, the exact probability, finds no smaller set than the programme.
    from invented_panel import random_panel

    from crossproof.planning.inputs import PlanSettings
    from crossproof.planning.markers.least_markers import (
        least_markers,
        pair_only,
        right_by_counts,
        typical_panel,
    )
    from crossproof.planning.power.evidence import contrast_table, cross_evidence

    settings = PlanSettings(wanted=0.9)
    need = least_markers(0.005, 0.02, 0.93, settings).hybrid_and_self
    two = typical_panel(np.array([0.005]), np.array([0.02]), np.array([0.93]), settings)
    alike = pair_only(cross_evidence(two, contrast_table(two, 0.9), 0, 1, settings))
    proven = np.array([False] + [right_by_counts(alike, n, settings)[:2].min() >= 0.9 for n in range(1, 13)])
    panel = random_panel(6, 12, 1)
    fixed = contrast_table(panel, 0.9)
    pairs = [(0, 1), (2, 3), (4, 5), (0, 3)]
    weight = np.array([fixed[:, m] != fixed[:, f] for m, f in pairs])
    task = task_of(weight, need)
    wanted = proven[weight.sum(axis=1)]
    assert wanted.any()
    sizes = [s.sum() for s in every_set(task) if np.all(proven[(weight & s).sum(axis=1)][wanted])]
    assert choose(task).objective == min(sizes)


def test_greedy_meets_every_need_and_holds_no_spares():
    task = random_task(3, crosses=20, markers=40, need=3)
    chosen = greedy(task)
    assert np.array_equal(task.reached(chosen), task.attainable())
    for j in np.flatnonzero(chosen):
        fewer = chosen.copy()
        fewer[j] = False
        assert not np.array_equal(task.reached(fewer), task.attainable())


def test_every_chromosome_gets_its_share():
    weight = np.zeros((2, 9))
    weight[:, [0, 3, 6]] = 1.0  # all on Chr1
    choice = choose(task_of(weight, 2, min_per_chromosome=1))
    assert choice.reached.all()
    names = [f"Chr{j % 3 + 1}" for j in np.flatnonzero(choice.chosen)]
    assert set(names) == {"Chr1", "Chr2", "Chr3"}
    assert choice.objective == 4.0


def test_close_markers_are_not_chosen_together():
    weight = np.ones((1, 8))
    task = task_of(
        weight, 3, chromosome=np.array(["Chr1"] * 8, dtype=object), min_spacing=2500,
        position=np.arange(8, dtype=np.int64) * 1000,
    )  # fmt: skip
    choice = choose(task)
    assert choice.reached.all()
    assert np.diff(np.flatnonzero(choice.chosen)).min() >= 3


@pytest.mark.parametrize("seed", range(4))
def test_spacing_and_chromosomes_against_exhaustive_search(seed):
    task = random_task(seed, crosses=4, need=2, min_spacing=3500, min_per_chromosome=1)

    def allowed(chosen):
        at = np.flatnonzero(chosen)
        near = [
            (i, j) for i in at for j in at
            if i < j and task.chromosome[i] == task.chromosome[j]
            and abs(task.position[i] - task.position[j]) < 3500
        ]  # fmt: skip
        return not near and len(set(task.chromosome[at])) == 3

    wanted = task.reached(greedy(task))
    sets = [s for s in every_set(task) if allowed(s) and np.all(task.reached(s)[wanted])]
    choice = choose(task)
    assert allowed(choice.chosen)
    assert choice.objective == min(task.cost[s].sum() for s in sets)


def test_the_programme_keeps_to_the_spacing_where_greed_stops_early():
    # The dearest marker pays only when two cheap neighbours may not be taken together.
    weight = np.array([[1.0, 1.0, 2.0]])
    task = task_of(
        weight, 2, cost=np.array([1.0, 1.0, 2.5]), chromosome=np.array(["Chr1"] * 3, dtype=object),
        min_spacing=1500, position=np.array([0, 1000, 9000], dtype=np.int64),
    )  # fmt: skip
    choice = choose(task)
    assert choice.chosen.tolist() == [False, False, True]


def test_out_of_reach_is_left_unreached():
    weight = np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 0.0]])
    choice = choose(task_of(weight, 2))
    assert choice.reached.tolist() == [True, False]
    assert choice.objective == 2.0


def test_bound_never_beats_the_answer():
    rng = np.random.default_rng(0)
    line = (rng.random((150, 20)) < 0.3).astype(int)
    mother = rng.integers(0, 20, 60)
    father = (mother + rng.integers(1, 20, 60)) % 20
    task = task_of((line[:, mother] != line[:, father]).T.astype(float), 4)
    choice = choose(task, seconds=4)
    assert choice.bound <= choice.objective <= choice.greedy
    assert choice.gap < 0.6
    assert choice.reached.all()
