"""The next run-wide estimates against posterior means that are integrated numerically."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from small_seasons import Recipe, simulate

from crossproof.inference.lines.panel import PRIOR_OBSERVATIONS, QUALITY_PRIOR
from crossproof.inference.run_wide.expectation import added_up
from crossproof.inference.run_wide.maximisation import (
    DEPARTURE_OBSERVATIONS,
    QUALITY_WORTH,
    next_estimates,
    next_quality,
)
from crossproof.inference.season_model import Settings, fit_panel


def mean(prior, likelihood, high):
    """Posterior mean of a number between 0 and `high`."""
    # Likelihoods are tiny: only a relative error bounds anything.
    zeroth, first = (
        quad(lambda x, k=k: x**k * prior(x) * likelihood(x), 0, high, limit=200, epsabs=0, epsrel=1e-9)[0]
        for k in (0, 1)
    )
    return first / zeroth


def test_wells_of_a_class_err_by_the_mean_of_gamma_prior_and_poisson_counts():
    found = np.array([6.0, 9.0, 24.0, 3.0, 40.0, 12.0])
    expected = np.array([6.0, 5.0, 7.0, 1.0, 9.0, 4.0])
    means = [
        mean(
            stats.gamma(QUALITY_WORTH * prior, scale=1 / QUALITY_WORTH).pdf,
            lambda x, n=n, e=e: stats.poisson.pmf(n, x * e),
            40,
        )
        for prior, n, e in zip(QUALITY_PRIOR, found.astype(int), expected, strict=True)
    ]
    wanted = np.maximum.accumulate(np.maximum(np.array(means) / means[0], 1.0))
    np.testing.assert_allclose(next_quality(np.stack([found, expected])), wanted, rtol=1e-7)


def test_a_worse_class_never_errs_less():
    n = len(QUALITY_PRIOR)
    factors = next_quality(np.stack([np.linspace(200, 0, n), np.full(n, 50.0)]))
    assert factors[0] == 1.0
    assert (np.diff(factors) >= 0).all()


@pytest.fixture(scope="module")
def panel():
    season = simulate(Recipe(crosses=2, lines=4, plants=(1, 2), markers=8), 1)
    return fit_panel(season.wells, season.lines, season.families, Settings())


def test_error_rates_and_departure_are_means_of_beta_posteriors(panel):
    settings = Settings()
    m = len(panel.f)
    lines = np.tile(np.array([[60.0], [3.0], [20.0], [4.0]]), m)
    expected = replace(added_up(lines), departed=5.0, markers=80.0)
    found = next_estimates(panel, expected, settings, None)

    def beta_mean(start, worth, hits, trials):
        prior = stats.beta(start * worth, (1 - start) * worth).pdf
        return mean(prior, lambda x: x**hits * (1 - x) ** (trials - hits), 1)

    free = ~panel.frozen
    f = beta_mean(settings.false_heterozygote, PRIOR_OBSERVATIONS, 3, 60)
    d = beta_mean(settings.dropout, PRIOR_OBSERVATIONS, 4, 20)
    np.testing.assert_allclose(found.f[free], f, rtol=1e-7)
    np.testing.assert_allclose(found.d[free], d, rtol=1e-7)
    assert found.h == pytest.approx(
        beta_mean(settings.parent_departure, DEPARTURE_OBSERVATIONS, 5, 80), rel=1e-7
    )
    assert free.any()
