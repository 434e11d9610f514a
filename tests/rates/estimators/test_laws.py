"""Quantiles, tails and limits beside scipy.stats and statsmodels, which share no formula with ours."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from crossproof.rates.estimators import laws
from crossproof.rates.people.operators import false_discovery

P = np.array([1e-9, 0.001, 0.025, 0.3, 0.5, 0.9, 0.999])


def test_normal_and_student() -> None:
    x = np.array([-3.0, 0.0, 0.7, 8.0])
    np.testing.assert_allclose(laws.normal_quantile(P), stats.norm.ppf(P), rtol=1e-12)
    np.testing.assert_allclose(laws.normal_tail(x), stats.norm.sf(x), rtol=1e-12)
    for degrees in (1, 2.5, 30, 1e6):
        np.testing.assert_allclose(laws.student_quantile(P, degrees), stats.t.ppf(P, degrees), rtol=1e-9)
        np.testing.assert_allclose(laws.student_tail(x, degrees), stats.t.sf(x, degrees), rtol=1e-10)


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (0.5, 40.5), (3.2, 1.7), (900, 20)])
def test_beta(a: float, b: float) -> None:
    np.testing.assert_allclose(laws.beta_quantile(P, a, b), stats.beta.ppf(P, a, b), rtol=1e-9)
    np.testing.assert_allclose(laws.beta_upper_quantile(P, a, b), stats.beta.isf(P, a, b), rtol=1e-9)


@pytest.mark.parametrize("p", [0.003, 0.25, 0.9])
def test_binomial(p: float) -> None:
    for n in (1, 2, 17, 400):
        k = np.arange(n + 1)
        np.testing.assert_allclose(laws.binomial_up_to(k, n, p), stats.binom.cdf(k, n, p), 1e-10, 1e-300)
        chance = stats.binom.pmf(k, n, p)
        np.testing.assert_allclose(laws.binomial_chance(k, n, p), chance, rtol=1e-9, atol=1e-300)
        for q in (0.001, 0.025, 0.5, 0.975, 0.999):
            assert laws.binomial_quantile(q, np.array([n, 3]), p).tolist() == [
                stats.binom.ppf(q, n, p),
                stats.binom.ppf(q, 3, p),
            ]


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (laws.exact_limits, "beta"),
        (laws.wilson_limits, "wilson"),
        (laws.jeffreys_limits, "jeffreys"),
        (laws.agresti_coull_limits, "agresti_coull"),
        (laws.wald_limits, "normal"),
    ],
)
def test_limits_of_a_proportion(ours, theirs: str) -> None:
    count = np.array([0.0, 1.0, 2.5, 7.0, 9.0])
    total = np.array([9.0, 9.0, 9.0, 9.0, 9.0])
    for level in (0.9, 0.95):
        expected = proportion_confint(count, total, alpha=1 - level, method=theirs)
        for found, wanted in zip(ours(count, total, level), expected, strict=True):
            # statsmodels cuts some of its limits off at 0 and 1
            np.testing.assert_allclose(np.clip(found, 0, 1), np.clip(wanted, 0, 1), atol=1e-9)


def test_false_discovery_is_benjamini_and_hochbergs() -> None:
    p = np.array([0.03, np.nan, 0.001, 0.9, 0.03, 0.2, 0.012])
    known = np.isfinite(p)
    found = false_discovery(p)
    np.testing.assert_allclose(found[known], multipletests(p[known], method="fdr_bh")[1], rtol=1e-12)
    assert np.isnan(found[1])
    assert np.isnan(false_discovery([np.nan])).all()


def test_jobs_load_no_library_of_statistics() -> None:
    """Loading them takes longer than a small season's rates: jobs of a run do without."""
    steps = ["drift", "examine", "gate", "ingest", "panel", "rates", "report", "verdicts", "verify"]
    code = "import sys\n" + "\n".join(f"import crossproof.steps.{step}" for step in steps)
    code += "\nprint(*(m for m in ('scipy.stats', 'statsmodels') if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
