"""Seasons as chance: beside statsmodels' meta-analysis, and at the ends."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from crossproof.rates.estimators.season_effects import log_odds, season_effects, trend

D = np.array([-0.9, -0.2, 0.4, -1.4, -0.6])
V = np.array([0.10, 0.05, 0.20, 0.08, 0.12])


def test_one_level_is_the_library_s_random_effects_estimate() -> None:
    ours = season_effects(D, V, np.zeros(5, dtype=int), 1)
    library = combine_effects(D, V, method_re="dl").summary_frame()
    random = library.loc["random effect"]
    assert ours.between == pytest.approx(combine_effects(D, V, method_re="dl").tau2, rel=1e-9)
    assert ours.mean[0] == pytest.approx(random["eff"], rel=1e-9)
    # the library's limits are normal, ours t on four degrees of freedom
    reach = stats.t.ppf(0.975, 4) * random["sd_eff"]
    assert ours.high[0] - ours.mean[0] == pytest.approx(reach, rel=1e-9)


def test_levels_share_the_variance_between_seasons() -> None:
    # two levels of the same scatter: the variance is that of both, the degrees of freedom eight
    ours = season_effects(np.r_[D, D + 2], np.r_[V, V], np.repeat([0, 1], 5), 2)
    alone = season_effects(D, V, np.zeros(5, dtype=int), 1)
    assert ours.between == pytest.approx(alone.between, rel=1e-9)
    assert ours.mean[1] == pytest.approx(ours.mean[0] + 2, rel=1e-9)
    assert ours.high[0] - ours.low[0] < alone.high[0] - alone.low[0]


def test_single_seasons_say_nothing_of_other_seasons() -> None:
    ours = season_effects([0.5, -0.5], [0.1, 0.1], [0, 1], 3)
    assert ours.mean[:2].tolist() == [0.5, -0.5]
    assert np.isnan([*ours.p, *ours.low]).all()
    assert np.isnan(ours.mean[2])


def test_trend_by_hand() -> None:
    # equal variances: slope (y3 - y1) / 2, standard error sqrt(v / 2)
    found = trend([0.0, 0.3, 1.0], [0.02] * 3, [0, 1, 2])
    assert np.log(found.odds_ratio) == pytest.approx(0.5, rel=1e-9)
    assert found.p_these == pytest.approx(2 * stats.norm.sf(0.5 / 0.1), rel=1e-6)
    # about the line: residuals (1, -2, 1) * 0.2 / 3; Q = 0.0267 / 0.02 = 1.333, tau2 = v (Q - 1)
    spread = 0.02 * (4 / 3)
    assert found.p_any == pytest.approx(2 * stats.t.sf(0.5 / np.sqrt(spread / 2), 1), rel=1e-6)
    assert np.isnan(trend([0.1], [0.1], [0]).odds_ratio)
    assert np.isnan(trend([0.1, 0.3], [0.1, 0.1], [0, 1]).p_any)


def test_log_odds_of_none_is_finite_and_of_nothing_unknown() -> None:
    value, variance = log_odds([0.0, 0.5, np.nan], [10, 20, 5])
    assert value[0] == pytest.approx(np.log(0.5 / 10.5), rel=1e-12)
    assert (value[1], variance[1]) == (pytest.approx(0.0), pytest.approx(2 / 10.5))
    assert np.isnan(value[2])
