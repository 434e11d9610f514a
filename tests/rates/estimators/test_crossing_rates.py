"""True success, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crossproof.rates.estimators.crossing_rates import (
    Basis,
    TrueSuccess,
    looked_at,
    no_pod_weight,
    pods_on_flowers,
    product_limits,
    true_success,
)
from crossproof.rates.estimators.pod_mixture import pod_success


def one(
    flowers: float,
    pods: float,
    clusters: list[tuple[float, float]],
    *,
    named: bool = True,
    seeds_per_pod: float = np.nan,
) -> TrueSuccess:
    """A tag's true success; `clusters`: (hybrids, plants) of each pod that plants came from."""
    y, n = (np.array([c[k] for c in clusters], dtype=float) for k in (0, 1))
    tested = float(len(clusters)) if named else 0.0
    there = pods_on_flowers(flowers=[flowers], pods=[pods], pods_tested=[tested], determined=[n.sum()])
    tag = np.zeros(len(y), dtype=int)
    seen = looked_at(
        pods=there, seeds_per_pod=[seeds_per_pod], hybrids=y, typed=n, found=y > 0, tag=tag,
        named=np.full(len(y), named),
    )  # fmt: skip
    return true_success(
        flowers=[flowers], pods=there, pods_tested=[tested], any_hybrid=[float(y.sum() > 0)], seen=seen,
        of_pod=pod_success(seen, np.zeros(len(seen.tag), dtype=int), 1).of_pod,
    )  # fmt: skip


def test_by_pod_extended_to_the_pods_not_looked_at() -> None:
    # 6 flowers, 4 pods, 3 looked at whole, 2 with a hybrid: 4 * 2/3 flowers; none or all of the fourth: 2, 3
    found = one(6, 4, [(2, 3), (3, 3), (0, 3)], seeds_per_pod=3)
    assert found.flowers[0] == pytest.approx(4 * 2 / 3, rel=1e-9)
    assert (found.low[0], found.high[0]) == (2.0, 3.0)
    assert found.basis[0] is Basis.PODS


def test_untyped_seeds_may_hold_the_hybrid() -> None:
    # the pod without a hybrid has two more seeds than were typed
    whole, part = one(2, 2, [(2, 3), (0, 3)], seeds_per_pod=3), one(2, 2, [(2, 3), (0, 3)], seeds_per_pod=5)
    assert whole.flowers[0] == pytest.approx(1.0, rel=1e-9)
    assert 1.0 < part.flowers[0] < 2.0
    assert (whole.high[0], part.high[0]) == (1.0, 2.0)
    more = one(2, 2, [(2, 3), (0, 3)], seeds_per_pod=9)
    assert more.flowers[0] > part.flowers[0]


def test_by_pod_where_pods_were_not_counted() -> None:
    found = one(5, np.nan, [(2, 2), (0, 2)])
    assert (found.flowers[0], found.low[0], found.high[0]) == (pytest.approx(1.0), 1.0, 1.0)


def test_one_pod_without_a_label_is_known_from_its_plants() -> None:
    found = one(3, 1, [(1, 4)], named=False, seeds_per_pod=4)
    assert (found.flowers[0], found.low[0], found.high[0]) == (1.0, 1.0, 1.0)
    assert found.basis[0] is Basis.SHARE


def test_several_pods_without_labels_lie_between_all_alike_and_all_independent() -> None:
    found = one(5, 3, [(6, 12)], named=False, seeds_per_pod=4)
    assert 3 * 0.5 < found.flowers[0] < 3 * (1 - 0.5**4)
    assert (found.low[0], found.high[0]) == (1.0, 3.0)


def test_no_pod_is_no_success_and_nothing_tested_is_unknown() -> None:
    none = one(4, 0, [])
    assert (none.flowers[0], none.basis[0]) == (0.0, Basis.NO_POD)
    untested = one(4, 3, [])
    assert np.isnan(untested.flowers[0])
    assert untested.basis[0] == Basis.UNKNOWN


def test_more_pods_than_flowers_is_never_more_than_every_flower() -> None:
    found = one(2, 5, [(2, 2)] * 4)
    assert found.flowers[0] <= 2.0
    assert found.high[0] <= 2.0


def test_tags_without_pods_count_as_far_as_the_others_were_looked_at() -> None:
    # 10 flowers with pods, 4 of them genotyped; a podless tag counts 0.4
    weight = no_pod_weight([4, 6, 5], [2, 3, 0], [True, False, False], [0, 0, 0], 1)
    assert weight.tolist() == [1.0, 1.0, pytest.approx(0.4, rel=1e-12)]


def test_limits_of_a_product_against_simulation() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.beta(30, 20, 400_000), rng.beta(12, 4, 400_000)
    first, second = (
        (np.array(d.mean()), np.array(d.ppf(0.025)), np.array(d.ppf(0.975)))
        for d in (stats.beta(30, 20), stats.beta(12, 4))
    )
    low, high = product_limits(first, second)
    assert (float(low), float(high)) == pytest.approx(np.quantile(a * b, [0.025, 0.975]), abs=0.012)
    # no flower failed on one side: the other's limits
    sure = (np.array(1.0), np.array(1.0), np.array(1.0))
    assert product_limits(first, sure) == (pytest.approx(first[1]), pytest.approx(first[2]))
    nothing = (np.array(0.0), np.array(0.0), np.array(0.2))
    assert product_limits(first, nothing)[0] == 0.0
