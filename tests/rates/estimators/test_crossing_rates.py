"""True success, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crossproof.rates.estimators.crossing_rates import (
    Basis,
    TrueSuccess,
    no_pod_weight,
    share_of_pods,
    tag_weight,
    true_success,
)


def one(**given: float) -> TrueSuccess:
    tag = {
        "flowers": 4.0, "pods": np.nan, "pods_tested": 0.0, "pods_with_hybrid": 0.0, "determined": 0.0,
        "hybrids": 0.0, "any_hybrid": 0.0, "seeds_per_pod": np.nan,
    } | given  # fmt: skip
    return true_success(**{name: [value] for name, value in tag.items()}, rho=0.3)


def test_by_pod_extended_to_the_pods_not_looked_at() -> None:
    # 6 flowers, 4 pods, 3 looked at, 2 with a hybrid: 2 + 1 * 2/3 flowers; none or all of the fourth: 2, 3
    found = one(flowers=6, pods=4, pods_tested=3, pods_with_hybrid=2, determined=9, hybrids=5, any_hybrid=1)
    assert found.flowers[0] == pytest.approx(2 + 2 / 3, rel=1e-12)
    assert (found.low[0], found.high[0]) == (2.0, 3.0)
    assert found.seen[0] == 0.75
    assert found.basis[0] is Basis.PODS


def test_by_pod_where_pods_were_not_counted() -> None:
    found = one(flowers=5, pods_tested=2, pods_with_hybrid=1, determined=4, hybrids=2, any_hybrid=1)
    assert (found.flowers[0], found.low[0], found.high[0]) == (1.0, 1.0, 1.0)


def test_one_pod_without_a_label_is_known_from_its_plants() -> None:
    found = one(flowers=3, pods=1, determined=4, hybrids=1, any_hybrid=1, seeds_per_pod=4)
    assert (found.flowers[0], found.low[0], found.high[0]) == (1.0, 1.0, 1.0)
    assert found.basis[0] is Basis.SHARE


def test_several_pods_without_labels() -> None:
    # 3 pods of 4 seeds at rate 1/2: between rate (a pod all alike) and 1 - (1/2)^4 (all independent)
    found = one(flowers=5, pods=3, determined=12, hybrids=6, any_hybrid=1, seeds_per_pod=4)
    share = 1 - stats.betabinom.pmf(0, 4, 0.5 * 7 / 3, 0.5 * 7 / 3)  # size = (1 - 0.3) / 0.3
    assert found.flowers[0] == pytest.approx(3 * share, rel=1e-9)
    assert found.low[0] == 1.0
    assert found.high[0] == 3.0


def test_no_pod_is_no_success_and_nothing_tested_is_unknown() -> None:
    none = one(pods=0)
    assert (none.flowers[0], none.basis[0]) == (0.0, Basis.NO_POD)
    untested = one(pods=3)
    assert np.isnan(untested.flowers[0])
    assert untested.basis[0] == Basis.UNKNOWN


def test_more_pods_than_flowers_is_never_more_than_every_flower() -> None:
    found = one(flowers=2, pods=5, pods_tested=4, pods_with_hybrid=4, determined=8, hybrids=8, any_hybrid=1)
    assert found.flowers[0] <= 2.0
    assert found.high[0] <= 2.0


@pytest.mark.parametrize(("rho", "share"), [(1.0, 0.5), (0.0, 1 - 0.5**4)])
def test_share_of_pods_at_the_ends_of_correlation(rho: float, share: float) -> None:
    assert share_of_pods(0.5, 4.0, rho) == pytest.approx(share, rel=1e-9)


def test_share_of_pods_at_the_ends_of_the_rate() -> None:
    assert share_of_pods([0.0, 1.0, np.nan], [4.0, 4.0, 4.0], 0.3)[:2].tolist() == [0.0, 1.0]
    assert np.isnan(share_of_pods(np.nan, 4.0, 0.3))


def test_tags_without_pods_count_as_far_as_the_others_were_looked_at() -> None:
    # 10 flowers with pods, 4 of them genotyped; a podless tag counts 0.4
    weight = no_pod_weight([4, 6, 5], [2, 3, 0], [True, False, False], [0, 0, 0], 1)
    assert weight.tolist() == [1.0, 1.0, pytest.approx(0.4, rel=1e-12)]


def test_what_was_extended_is_no_information() -> None:
    # 10 flowers looked at, of whose pods 4 * 1 + 6 * 1/2 = 7 flowers' worth were
    weight, information = tag_weight(
        flowers=[4, 6, 5], pods=[2, 4, 0], looked_at=[True, True, False], seen=[1.0, 0.5, 1.0],
        group=[0, 0, 0], groups=1,
    )  # fmt: skip
    assert weight.tolist() == [1.0, 1.0, 1.0]
    assert information == pytest.approx([0.7] * 3, rel=1e-12)


def test_true_success_of_a_half_tested_season_is_not_biased() -> None:
    rng = np.random.default_rng(7)
    pods = rng.binomial(1, 0.6, 20_000).astype(float)  # one flower each, pod set 0.6
    tested = rng.random(20_000) < 0.3
    hit = pods * (rng.random(20_000) < 0.5)  # truth: 0.3 of the flowers
    weight = no_pod_weight(np.ones(20_000), pods, tested & (pods > 0), np.zeros(20_000), 1)
    use = (pods == 0) | tested
    assert hit[use].sum() / weight[use].sum() == pytest.approx(0.30, abs=0.015)
