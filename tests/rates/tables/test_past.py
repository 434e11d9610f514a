"""Earlier seasons as prior: how far they count, and what they change."""

from __future__ import annotations

import numpy as np
import pytest
from rates_seasons import invented
from years_seasons import year

from crossproof.planning.inputs import PlanSettings
from crossproof.planning.season_inputs import rates_so_far
from crossproof.rates.estimators.betabinomial import hyper_posterior
from crossproof.rates.tables.past import ONE_SEASON, past_tags, season_weights
from crossproof.rates.tables.season import crosses_table
from crossproof.rates.tables.tally import RateOptions

OPTIONS = RateOptions()


def past(*selfing: float):
    seasons = [year(k, selfing=s) for k, s in enumerate(selfing)]
    return past_tags([(s.crosses, s.verdicts) for s in seasons])


def test_a_season_counts_as_far_as_seasons_are_alike() -> None:
    # one season of 400 single plants at one half: variance of the log-odds 2 / 200.5
    y, n, of = np.repeat([1.0, 0.0], 200), np.ones(400), np.zeros(400, dtype=int)
    variance = 2 / 200.5
    assert season_weights(y, n, of, 1)[0] == pytest.approx(variance / (variance + ONE_SEASON), rel=1e-6)
    # two that are far apart count for less than two alike
    apart = np.concatenate([np.repeat([1.0, 0.0], [300, 100]), np.repeat([1.0, 0.0], [100, 300])])
    of = np.repeat([0, 1], 400)
    alike = np.concatenate([y, y])
    two = np.ones(800)
    assert season_weights(apart, two, of, 2).max() < 0.3 * season_weights(alike, two, of, 2).min()


def test_weights_are_powers_of_the_likelihood() -> None:
    rng = np.random.default_rng(1)
    n = rng.integers(1, 6, 40).astype(float)
    y = rng.binomial(n.astype(int), 0.3).astype(float)
    once = hyper_posterior(y, n, logit_mean=np.linspace(-3, 2, 21))
    whole = hyper_posterior(y, n, weight=np.ones(40), logit_mean=np.linspace(-3, 2, 21))
    assert whole.weight == pytest.approx(once.weight, rel=1e-9)
    # every cluster twice at half the power is every cluster once
    halves = hyper_posterior(
        np.r_[y, y], np.r_[n, n], weight=np.full(80, 0.5), logit_mean=np.linspace(-3, 2, 21)
    )
    assert halves.weight == pytest.approx(once.weight, rel=1e-6)
    none = hyper_posterior(
        np.r_[y, y], np.r_[n, n], weight=np.repeat([1.0, 0.0], 40), logit_mean=np.linspace(-3, 2, 21)
    )
    assert none.weight == pytest.approx(once.weight, rel=1e-9)


def test_a_season_that_starts_plans_from_earlier_ones() -> None:
    good, poor = past(0.05, 0.07), past(0.7, 0.72)
    bare, with_good, with_poor = (rates_so_far(None, PlanSettings(), p) for p in (None, good, poor))
    assert bare.assumed
    assert not with_good.assumed
    assert with_good.hybrid_rate > 0.85
    assert with_poor.hybrid_rate < 0.4
    assert with_good.tags > 100
    # what is not known of another season stays
    spread = (
        with_good.hyper.weight @ (with_good.hyper.alpha / (with_good.hyper.alpha + with_good.hyper.beta)) ** 2
    )
    assert np.sqrt(spread - with_good.hybrid_rate**2) > 0.01


def test_next_steps_follow_earlier_seasons_and_rates_do_not() -> None:
    crosses, verdicts = invented(6, people=(0.3,), seed=2, share_tested=0.5)
    plain = crosses_table(crosses, verdicts, OPTIONS)
    good, poor = (
        crosses_table(crosses, verdicts, OPTIONS, past=p) for p in (past(0.05, 0.07), past(0.7, 0.72))
    )
    assert good["p_target"].sum() > plain["p_target"].sum() > poor["p_target"].sum()
    same = ["hybrid_rate", "hybrid_rate_shrunk", "true_success", "true_success_shrunk", "selfing_rate"]
    assert good[same].equals(plain[same])


def test_no_earlier_season_is_none() -> None:
    assert past_tags([]) is None
