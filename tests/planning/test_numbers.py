"""Seeds and flowers against Sedcole's table, scipy's beta-binomial, and direct simulation."""

import csv
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from crossproof.planning.numbers import (
    TeamRates,
    beta_binomial_pmf,
    chance_from_seeds,
    flowers_needed,
    hybrids_from_flowers,
    interval,
    sedcole,
    seeds_needed,
    team_rates,
    thinned,
)
from crossproof.rates.estimators.betabinomial import HyperPosterior

PRIOR = (6.0, 3.0, 0.8, 0.2)


def known(rate: float, *, pods: float = 0.5, seeds: int = 3, size: float = 1e9) -> TeamRates:
    """A team whose rates are known: size says how alike the seeds of one pod are (large: not at all)."""
    hyper = HyperPosterior(np.array([rate * size]), np.array([(1 - rate) * size]), np.array([1.0]))
    return TeamRates(hyper, pods * 1e9, (1 - pods) * 1e9, np.eye(seeds + 1)[seeds], 100, 400, 200, ())


def test_sedcoles_table(shared):
    # Sedcole 1977, Crop Sci 17:667-668 (memory; recomputed from the exact binomial).
    with (shared / "reference" / "sedcole_exact.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 22
    for row in rows:
        for name, value in row.items():
            if name.startswith("r"):
                assert sedcole(float(row["q"]), int(name[1:]), float(row["p"])) == int(value), (row, name)


def test_sedcole_by_hand():
    # One of a kind that comes half the time, surely enough (.95): 1 - 0.5^5 = .969 is the first above .95.
    assert sedcole(0.5, 1, 0.95) == 5
    assert sedcole(1.0, 4, 0.95) == 4


@pytest.mark.parametrize(("p", "r", "prob"), [(0.0, 1, 0.9), (0.5, 0, 0.9), (0.5, 1, 1.0)])
def test_sedcole_refuses_what_has_no_answer(p, r, prob):
    with pytest.raises(ValueError, match="rate lies above 0"):
        sedcole(p, r, prob)


def test_a_known_rate_and_independent_seeds_are_sedcoles_case():
    for rate, r in ((0.5, 3), (0.25, 4), (0.75, 10)):
        assert seeds_needed(r, 0.95, known(rate)) == sedcole(rate, r, 0.95)


def test_beta_binomial_against_scipy():
    got = beta_binomial_pmf(7, np.array([2.3, 0.4]), np.array([1.1, 5.0]))
    for row, (a, b) in zip(got, ((2.3, 1.1), (0.4, 5.0)), strict=True):
        assert row == pytest.approx(stats.betabinom.pmf(np.arange(8), 7, a, b), rel=1e-9)


def test_thinning_a_binomial_is_a_binomial():
    pmf = stats.binom.pmf(np.arange(9), 8, 0.6)[None, :]
    assert thinned(pmf, 0.5)[0] == pytest.approx(stats.binom.pmf(np.arange(9), 8, 0.3), rel=1e-9)


def test_seeds_that_share_their_fate_need_more():
    alike = known(0.5, size=0.5)
    assert seeds_needed(4, 0.95, alike, cluster=4) > seeds_needed(4, 0.95, alike, cluster=1)


def test_chance_from_clusters_against_simulation():
    rates = known(0.55, size=3.0)
    rng, n = np.random.default_rng(1), 20_000
    hybrids = rng.binomial(3, rng.beta(0.55 * 3, 0.45 * 3, (n, 4))).sum(axis=1)
    hybrids += rng.binomial(2, rng.beta(0.55 * 3, 0.45 * 3, n))
    seen = rng.binomial(hybrids, 0.9)
    found = float((seen >= 6).mean())
    assert abs(chance_from_seeds(14, 6, rates, 0.9, 3) - found) < 4 * np.sqrt(found * (1 - found) / n)


def test_unverifiable_hybrids_cannot_be_reached():
    assert seeds_needed(2, 0.95, known(0.5), seen=0.0) is None
    assert flowers_needed(2, 0.95, known(0.5), seen=0.0) is None
    assert seeds_needed(50, 0.95, known(0.0005)) is None


def test_flowers_by_hand():
    # One seed per pod, always hybrid, half the flowers set: one hybrid for .95 takes 5 flowers, as above.
    assert flowers_needed(1, 0.95, known(1 - 1e-12, seeds=1)) == 5
    assert flowers_needed(0, 0.95, known(0.5)) == 0


def test_hybrids_from_flowers_against_simulation():
    rates = known(0.6, pods=0.4, seeds=3, size=4.0)
    pmf = hybrids_from_flowers(25, rates)
    rng, n = np.random.default_rng(2), 20_000
    pods = rng.random((n, 25)) < 0.4
    got = (pods * rng.binomial(3, rng.beta(2.4, 1.6, (n, 25)))).sum(axis=1)
    mean, low, high = interval(pmf, 0.95)
    assert mean == pytest.approx(25 * 0.4 * 3 * 0.6, rel=1e-6)
    assert abs(got.mean() - mean) < 4 * got.std() / np.sqrt(n)
    assert float(((got >= low) & (got <= high)).mean()) >= 0.945
    assert float(((got > low) & (got < high)).mean()) < 0.96


def test_interval_by_hand():
    mean, low, high = interval(np.array([0.02, 0.48, 0.48, 0.02]), 0.9)
    assert (mean, low, high) == (pytest.approx(1.5), 1, 2)


def test_rates_from_records_and_what_is_assumed_without():
    rates = team_rates([3, 4, 2], [4, 5, 4], [2, 2, np.nan], [1, 2, np.nan], [3, 5, np.nan], PRIOR)
    assert rates.assumed == ()
    assert rates.hybrid_rate == pytest.approx(9 / 13, abs=0.12)
    assert rates.pod_set == pytest.approx(3.5 / 5, rel=1e-9)
    assert rates.mean_seeds == pytest.approx(8 / 3, rel=1e-9)
    nothing = team_rates([], [], [], [], [], PRIOR)
    assert nothing.assumed == ("hybrid rate", "pod set", "seeds per pod")
    assert nothing.hybrid_rate == pytest.approx(0.6, rel=1e-9)


def test_less_known_rates_ask_for_more_seeds():
    few = team_rates([3, 1], [4, 2], [], [], [], PRIOR)
    many = team_rates([3, 1] * 60, [4, 2] * 60, [], [], [], PRIOR)
    assert seeds_needed(4, 0.95, few) > seeds_needed(4, 0.95, many)


def test_flowers_without_records_against_simulation_of_what_is_assumed():
    rng, n = np.random.default_rng(3), 40_000
    need = flowers_needed(4, 0.95, team_rates([], [], [], [], [], PRIOR))
    shares = []
    for flowers in (need - 1, need):
        pods = rng.binomial(flowers, rng.beta(2.0, 2.0, n))
        by_pod = rng.binomial(3, rng.beta(6.0, 4.0, (n, flowers)))
        hybrids = (by_pod * (np.arange(flowers) < pods[:, None])).sum(axis=1)
        shares.append(float((hybrids >= 4).mean()))
    assert shares[0] < 0.953
    assert shares[1] > 0.947


def test_seeds_per_pod_from_few_tags_ask_for_more_flowers():
    flowers, pods, seeds = [3] * 6, [2] * 6, [2, 8, 4, 6, 2, 8]
    few = team_rates([2] * 6, [4] * 6, flowers, pods, seeds, PRIOR)
    assert few.seeds_error > 0
    known_seeds = replace(few, seeds_error=0.0)
    assert flowers_needed(10, 0.95, few) > flowers_needed(10, 0.95, known_seeds)
    # By hand: two tags of one pod each, 2 and 4 seeds: the mean 3 has variance 1, times 3 for one degree.
    assert team_rates([1, 1], [2, 2], [1, 1], [1, 1], [2, 4], PRIOR).seeds_error == pytest.approx(np.sqrt(3))
    assert team_rates([1], [2], [1], [1], [4], PRIOR).seeds_error == pytest.approx(2.0)


def test_many_hybrids_are_planned_on_fewer_rows_of_the_grid():
    rates = team_rates([3, 4, 2, 1] * 5, [4, 5, 4, 4] * 5, [3] * 20, [1, 2] * 10, [3, 5] * 10, PRIOR)
    need = flowers_needed(300, 0.95, rates)
    assert need is not None
    pmf = hybrids_from_flowers(need, rates)
    assert pmf[300:].sum() == pytest.approx(0.95, abs=0.01)
