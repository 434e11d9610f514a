"""The beta-binomial against published fits, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from rates_published import CROWDER_DILUTIONS, LITTERS_CONTROL, LITTERS_TREATED, RAT_TUMOUR
from scipy import optimize, stats
from scipy.special import gammaln

from crossproof.rates.estimators.betabinomial import (
    grid_log_likelihood,
    hyper_posterior,
    quantiles,
    shrink_clusters,
)
from crossproof.rates.estimators.intervals import rate

RATS = np.array(RAT_TUMOUR, dtype=float)


def maximum_likelihood(y: np.ndarray, n: np.ndarray) -> tuple[float, float]:
    """alpha and beta at the top of the likelihood under test, found by scipy."""
    fit = optimize.minimize(
        lambda x: -grid_log_likelihood(y, n, np.exp(x[:1]), np.exp(x[1:]))[0],
        np.log([2.0, 5.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11},
    )
    return tuple(np.exp(fit.x))


def test_likelihood_is_scipys_without_the_coefficient() -> None:
    y, n = RATS[:40].T
    coefficient = np.sum(gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1))
    ours = grid_log_likelihood(y, n, np.array([0.7, 2.0]), np.array([3.0, 14.0]))
    theirs = [stats.betabinom.logpmf(y, n, a, b).sum() for a, b in ((0.7, 3.0), (2.0, 14.0))]
    assert ours + coefficient == pytest.approx(theirs, rel=1e-10)


def test_expected_counts_lie_on_a_line_between_whole_ones() -> None:
    a, b = np.array([0.7]), np.array([3.0])
    ends = [grid_log_likelihood([y], [5.0], a, b)[0] for y in (2.0, 3.0)]
    # y = 2.25 exchanges a quarter of the factor (beta + 2) for a quarter of (alpha + 2)
    assert grid_log_likelihood([2.25], [5.0], a, b)[0] == pytest.approx(
        0.75 * ends[0] + 0.25 * ends[1], rel=1e-10
    )


def test_rat_tumours_by_maximum_likelihood() -> None:
    # first 70 groups: alpha 2.304768, beta 14.079707 (reference README: seen in a public test file)
    assert maximum_likelihood(*RATS[:70].T) == pytest.approx((2.304768, 14.079707), rel=1e-4)


def test_rat_tumours_posterior() -> None:
    # Gelman et al., BDA 3, section 5.3: posterior means 2.403 and 14.319 on the usual grid, mode of
    # (log a/b, log(a+b)) at (-1.79, 2.74) (seen)
    posterior = hyper_posterior(
        *RATS.T, logit_mean=np.linspace(-2.3, -1.3, 201), log_size=np.linspace(1, 5, 201)
    )
    assert posterior.mean_alpha == pytest.approx(2.403, abs=1e-3)
    assert posterior.mean_beta == pytest.approx(14.319, abs=1e-3)
    alpha, beta = posterior.mode
    assert (np.log(alpha / beta), np.log(alpha + beta)) == pytest.approx((-1.79, 2.74), abs=0.01)
    assert posterior.weight.sum() == pytest.approx(1.0, rel=1e-12)


def test_rat_tumours_posterior_on_the_grid_we_choose_ourselves() -> None:
    posterior = hyper_posterior(*RATS.T)
    assert posterior.mean_alpha == pytest.approx(2.403, rel=1e-3)
    assert posterior.mean_beta == pytest.approx(14.319, rel=1e-3)


def test_litters_of_williams() -> None:
    # Williams 1975, Biometrics 31:949-952: mean and correlation computed (reference README)
    for data, mu, rho in ((LITTERS_CONTROL, 0.8980, 0.0206), (LITTERS_TREATED, 0.7400, 0.4651)):
        alpha, beta = maximum_likelihood(*np.array(data, dtype=float).T)
        assert alpha / (alpha + beta) == pytest.approx(mu, abs=1e-3)
        # the reference gives theta = 1 / (alpha + beta) of Williams' parametrisation
        assert 1 / (alpha + beta) == pytest.approx(rho, abs=1e-3)


def test_dilutions_of_crowder_pooled() -> None:
    # Crowder 1978, Applied Statistics 27:34-37, Table 1 (seen): .142, .872, .842
    for level, mean in (("1/1", 0.142), ("1/25", 0.872), ("1/625", 0.842)):
        y, n = np.array([(y, n) for d, y, n in CROWDER_DILUTIONS if d == level], dtype=float).T
        # the beta-binomial mean weighs batches otherwise, and stays near
        alpha, beta = maximum_likelihood(y, n)
        assert alpha / (alpha + beta) == pytest.approx(mean, abs=0.03)
        assert rate(y.sum(), n.sum()) == pytest.approx(mean, abs=5.1e-4)


def test_shrunk_rat_groups_against_the_definition() -> None:
    posterior = hyper_posterior(*RATS.T)
    shrunk = shrink_clusters(*RATS.T, posterior)
    # group 71 (4 of 14): the mean of the mixture, summed directly
    direct = float(posterior.weight @ ((posterior.alpha + 4) / (posterior.alpha + posterior.beta + 14)))
    # grid points of less weight than 1e-7 are left out
    assert shrunk.mean[-1] == pytest.approx(direct, rel=1e-5)
    # BDA 3 section 5.3 prints no table; the 95 % limits by sampling the mixture
    rng = np.random.default_rng(1)
    at = rng.choice(len(posterior.weight), size=400_000, p=posterior.weight)
    draws = rng.beta(posterior.alpha[at] + 4, posterior.beta[at] + 10)
    assert (shrunk.low[-1], shrunk.high[-1]) == pytest.approx(
        tuple(np.quantile(draws, [0.025, 0.975])), abs=2e-3
    )
    assert shrunk.variance is not None
    assert shrunk.variance[-1] == pytest.approx(draws.var(), rel=0.01)


def test_a_cluster_counts_once_for_its_own_rate() -> None:
    # two clusters, so that each one's own plants are half of what the grid knows; limits by direct sums
    y, n = [0.0, 5.0], [6.0, 6.0]
    posterior = hyper_posterior(y, n)
    p = np.linspace(1e-4, 1 - 1e-4, 2_001)
    weight = posterior.weight > 1e-7
    mixture = posterior.weight[weight] @ stats.beta.cdf(
        p, posterior.alpha[weight][:, None] + 5, posterior.beta[weight][:, None] + 1
    )
    expected = np.interp([0.025, 0.975], mixture / mixture[-1], p)
    shrunk = shrink_clusters(y, n, posterior)
    assert (shrunk.low[1], shrunk.high[1]) == pytest.approx(tuple(expected), abs=3e-3)


def test_shrinking_draws_towards_the_whole_and_spares_the_large() -> None:
    shrunk = shrink_clusters(*RATS.T, hyper_posterior(*RATS.T))
    raw, whole = RATS[:, 0] / RATS[:, 1], RATS[:, 0].sum() / RATS[:, 1].sum()
    assert (np.abs(shrunk.mean - whole) <= np.abs(raw - whole) + 0.02).all()
    # a small and a large group at the same rate, above the whole (invented)
    two = shrink_clusters([5, 12], [20, 48], hyper_posterior(*RATS.T))
    assert two.mean[1] > two.mean[0]


def test_a_cluster_without_plants_gets_the_whole() -> None:
    posterior = hyper_posterior(*RATS.T)
    assert shrink_clusters([0], [0], posterior).mean[0] == pytest.approx(posterior.mean_mu, rel=1e-5)


def test_order_of_clusters_is_irrelevant() -> None:
    shuffled = RATS[np.random.default_rng(0).permutation(len(RATS))]
    one, two = hyper_posterior(*RATS.T), hyper_posterior(*shuffled.T)
    assert one.mean_alpha == pytest.approx(two.mean_alpha, rel=1e-9)


def test_quantiles_of_a_flat_density_by_hand() -> None:
    # flat over logits from -2 to 2: a quarter of the mass lies below -1
    points = np.linspace(-2.0, 2.0, 41)
    low, high = quantiles(np.ones((2, 41)), points, 0.25)
    assert low == pytest.approx([1 / (1 + np.e)] * 2, rel=1e-9)
    assert high == pytest.approx([np.e / (1 + np.e)] * 2, rel=1e-9)


def test_counts_beyond_their_plants_count_as_all_of_them() -> None:
    hyper = hyper_posterior([1, 2, 0], [4, 4, 4])
    one = shrink_clusters([5.0, -1.0, np.nan], [4.0, 4.0, 4.0], hyper)
    two = shrink_clusters([4.0, 0.0, 0.0], [4.0, 4.0, 0.0], hyper)
    for name in ("mean", "low", "high"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))


def test_many_clusters_at_once_are_each_their_own() -> None:
    """More distinct clusters than are worked on together: each as it would be alone."""
    rng = np.random.default_rng(4)
    n = np.arange(1.0, 1301.0)
    y = rng.binomial(n.astype(int), 0.3).astype(float)
    hyper = hyper_posterior(y[:40], n[:40])
    together, alone = (
        shrink_clusters(y, n, hyper),
        shrink_clusters(y[[7, 600, 1290]], n[[7, 600, 1290]], hyper),
    )
    for name in ("mean", "low", "high", "variance"):
        np.testing.assert_allclose(getattr(together, name)[[7, 600, 1290]], getattr(alone, name), rtol=1e-12)


def test_a_weight_is_a_power_of_the_likelihood() -> None:
    a, b = np.array([0.5, 2.0]), np.array([3.0, 1.0])
    twice = grid_log_likelihood([1, 3, 1, 3], [4, 5, 4, 5], a, b)
    assert grid_log_likelihood([1, 3], [4, 5], a, b, [2, 2]) == pytest.approx(twice, rel=1e-12)
    first = grid_log_likelihood([1], [4], a, b)
    assert grid_log_likelihood([1, 3], [4, 5], a, b, [0.5, 0]) == pytest.approx(first / 2, rel=1e-12)


def test_the_grid_has_its_own_size() -> None:
    assert len(hyper_posterior([1], [4]).weight) == 41 * 31


def test_a_season_larger_than_what_is_counted_at_once() -> None:
    a, b = np.array([0.7]), np.array([2.0])
    one = grid_log_likelihood([1], [2], a, b) + grid_log_likelihood([0], [2], a, b)
    many = grid_log_likelihood(np.tile([1, 0], 70_000), np.full(140_000, 2), a, b)
    assert many == pytest.approx(70_000 * one, rel=1e-9)
    weighted = grid_log_likelihood(np.tile([1, 0], 70_000), np.full(140_000, 2), a, b, np.full(140_000, 0.5))
    assert weighted == pytest.approx(35_000 * one, rel=1e-9)


def test_a_weight_in_the_posterior_is_as_many_clusters() -> None:
    grid = {"logit_mean": np.linspace(-4, 4, 21), "log_size": np.linspace(-2, 5, 15)}
    twice = hyper_posterior([1, 3, 1, 3], [4, 5, 4, 5], **grid)
    weighted = hyper_posterior([1, 3], [4, 5], weight=[2, 2], **grid)
    assert weighted.weight == pytest.approx(twice.weight, rel=1e-9)
