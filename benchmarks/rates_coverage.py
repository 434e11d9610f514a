"""How often the 95 % interval of a person's selfing rate covers the truth, in simulated seasons.

    python benchmarks/rates_coverage.py [--seasons 2000] [--seed 1]

Every season has people with known selfing rates, tags, pods and plants; the fate of a pod's seeds is
correlated. Beside our interval stand Clopper-Pearson's and the naive binomial (Wald) interval on the same
plants, which take every plant for independent. Scenarios differ in what the truth does that the method does
not know of: pods inside tags, a normal instead of a beta distribution, few tags.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from scipy.stats import norm

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.intervals import proportion_interval
from crossproof.rates.estimators.weighted_rates import weighted_rates


@dataclass(frozen=True)
class Scenario:
    """How seasons are simulated. `rates`: each person's true selfing rate; `tags`: range per person."""

    name: str
    rates: tuple[float, ...]
    tags: tuple[int, int]
    pod_rho: float
    tag_rho: float = 0.0
    normal: bool = False
    plants: tuple[int, int] = (1, 5)
    pods: tuple[int, int] = (1, 3)


SPREAD = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40)

SCENARIOS: tuple[Scenario, ...] = (
    Scenario("rho 0.3", SPREAD, (15, 60), 0.3),
    Scenario("rho 0.6", SPREAD, (15, 60), 0.6),
    Scenario("no correlation", SPREAD, (15, 60), 0.0),
    Scenario("pods and tags differ", SPREAD, (15, 60), 0.25, tag_rho=0.15),
    Scenario("normal on the logit scale (sd 1.5)", SPREAD, (15, 60), 1.5, normal=True),
    Scenario("few tags (5 to 12)", SPREAD, (5, 12), 0.3),
    Scenario("four people, rates 2 to 10 %", (0.02, 0.04, 0.06, 0.10), (20, 60), 0.3),
    Scenario("many people, few tags each", tuple(np.linspace(0.05, 0.4, 20)), (5, 30), 0.3),
)


def _vary(mean: Floats, rho: float, rng: np.random.Generator) -> Floats:
    """Rates about `mean` with correlation `rho`, beta distributed."""
    if rho <= 0:
        return mean
    size = (1 - rho) / rho
    safe = np.clip(mean, 1e-9, 1 - 1e-9)
    return rng.beta(safe * size, (1 - safe) * size)


def _normal_about(mean: float, deviation: float, count: int, rng: np.random.Generator) -> Floats:
    """Rates that are normal on the logit scale with exactly this mean (found by bisection on quadrature)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    weights = weights / weights.sum()
    low, high = -15.0, 15.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if weights @ expit(middle + deviation * nodes) < mean else (low, middle)
    return np.asarray(expit(rng.normal(middle, deviation, count)))


def season(scenario: Scenario, rng: np.random.Generator) -> tuple[Floats, Floats, Ints, Ints]:
    """One season: selfs, plants, person (0-based) and tag of every pod."""
    y, n, who, tag_of, tag = [], [], [], [], 0
    for person, rate in enumerate(scenario.rates):
        tags = int(rng.integers(scenario.tags[0], scenario.tags[1] + 1))
        pods = rng.integers(scenario.pods[0], scenario.pods[1] + 1, tags)
        owner = np.repeat(np.arange(tags), pods)
        if scenario.normal:
            chance = _normal_about(rate, scenario.pod_rho, len(owner), rng)
        else:
            chance = _vary(_vary(np.full(tags, rate), scenario.tag_rho, rng)[owner], scenario.pod_rho, rng)
        plants = rng.integers(scenario.plants[0], scenario.plants[1] + 1, len(owner))
        y.append(rng.binomial(plants, chance))
        n.append(plants)
        who.append(np.full(len(owner), person))
        tag_of.append(tag + owner)
        tag += tags
    return (
        np.concatenate(y).astype(float),
        np.concatenate(n).astype(float),
        np.concatenate(who),
        np.concatenate(tag_of),
    )


@dataclass(frozen=True)
class Coverage:
    """Share of intervals that cover the truth, by method, and their mean widths."""

    ours: float
    shrunk: float
    exact: float
    naive: float
    width_ours: float
    width_shrunk: float
    width_naive: float
    intervals: int
    lowest: float
    highest: float
    """Coverage of the person whose intervals cover least, and most, often."""


def measure(scenario: Scenario, seasons: int, seed: int) -> Coverage:
    """Coverage over simulated seasons; every person of every season is one interval."""
    rng = np.random.default_rng(seed)
    truth = np.array(scenario.rates)
    hits, widths, by_person = np.zeros(4), np.zeros(3), np.zeros(len(truth))
    z = norm.ppf(0.975)
    for _ in range(seasons):
        y, n, who, tag = season(scenario, rng)
        _, first, index = np.unique(tag, return_index=True, return_inverse=True)
        y, n, who = np.bincount(index, y), np.bincount(index, n), who[first]
        found = weighted_rates(y / n, n, n, who, len(truth))
        plants, selfs = np.bincount(who, n), np.bincount(who, y)
        p = selfs / plants
        half = z * np.sqrt(p * (1 - p) / plants)
        exact = proportion_interval(selfs, plants)
        limits = (
            (found.raw.low, found.raw.high),
            (found.shrunk.low, found.shrunk.high),
            exact,
            (p - half, p + half),
        )
        inside = np.array([(low <= truth) & (truth <= high) for low, high in limits])
        hits += inside.sum(axis=1)
        by_person += inside[0]
        widths += [np.sum(limits[k][1] - limits[k][0]) for k in (0, 1, 3)]
    total = seasons * len(truth)
    by_person /= seasons
    return Coverage(*(hits / total), *(widths / total), total, float(by_person.min()), float(by_person.max()))


def main() -> None:
    """Print the coverage of every scenario as a table for the docs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"{args.seasons} seasons per scenario, seed {args.seed}; coverage of nominal 95 % intervals\n")
    print(
        "| scenario | ours | person least, most | shrunk | Clopper-Pearson | naive (Wald) "
        "| width ours | shrunk | naive |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    start = time.perf_counter()
    for scenario in SCENARIOS:
        c = measure(scenario, args.seasons, args.seed)
        print(
            f"| {scenario.name} | {c.ours:.1%} | {c.lowest:.1%}, {c.highest:.1%} | {c.shrunk:.1%} "
            f"| {c.exact:.1%} | {c.naive:.1%} | {c.width_ours:.3f} "
            f"| {c.width_shrunk:.3f} | {c.width_naive:.3f} |",
            flush=True,
        )
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
