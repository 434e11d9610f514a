"""How often the planned numbers of flowers and seeds give the hybrids wanted, in simulated teams.

    python benchmarks/planned_numbers.py [--teams 300] [--seed 1]

A team with known rates leaves records of a few tags; the planner says how many flowers to pollinate for four
hybrids with probability 0.95; so many flowers are then pollinated by the same team, 2,000 times over. Nothing
of the planner's own formulas is used. Beside the records stands a row without any, whose truth is drawn from
what the planner says it assumes.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.planning.numbers import flowers_needed, seeds_needed, team_rates

WANTED, PROBABILITY, FLOWERS_A_TAG, FUTURES = 4, 0.95, 3, 2000
PRIOR = (6.0, 3.0, 0.8, 0.2)


@dataclass(frozen=True)
class Team:
    """True rates. `alike`: correlation of the seeds of one pod; seeds of a pod are 1 + Poisson."""

    hybrid_rate: float
    alike: float
    pod_set: float
    more_seeds: float


TEAMS = tuple(
    Team(rate, alike, pods, seeds)
    for rate, pods in ((0.3, 0.3), (0.6, 0.5), (0.9, 0.7))
    for alike in (0.1, 0.4)
    for seeds in (1.0, 3.0)
)


def pods_of(team: Team, flowers: Ints, rng: np.random.Generator) -> tuple[Ints, Ints, Ints]:
    """Pods, seeds and hybrids of so many flowers, (any shape)."""
    pods = rng.binomial(flowers, team.pod_set)
    each = np.arange(int(pods.max(initial=0))) < pods[..., None]
    seeds = np.where(each, 1 + rng.poisson(team.more_seeds, each.shape), 0)
    size = (1 - team.alike) / team.alike
    rate = rng.beta(team.hybrid_rate * size, (1 - team.hybrid_rate) * size, each.shape)
    return pods, seeds.sum(axis=-1), rng.binomial(seeds, rate).sum(axis=-1)


def reached(flowers: int, team: Team, rng: np.random.Generator) -> float:
    """Share of futures in which so many flowers gave the hybrids wanted."""
    return float((pods_of(team, np.full(FUTURES, flowers), rng)[2] >= WANTED).mean())


def with_records(team: Team, tags: int, teams: int, rng: np.random.Generator) -> tuple[list[float], float]:
    """Share of futures that reached the number, of each team planned for; median flowers."""
    shares, numbers = [], []
    for _ in range(teams):
        flowers = np.full(tags, FLOWERS_A_TAG)
        pods, seeds, hybrids = pods_of(team, flowers, rng)
        known = np.where(pods > 0, seeds, np.nan)
        rates = team_rates(np.where(pods > 0, hybrids, np.nan), known, flowers, pods, known, PRIOR)
        need = flowers_needed(WANTED, PROBABILITY, rates)
        if need is not None:
            numbers.append(float(need))
            shares.append(reached(need, team, rng))
    return shares, float(np.median(numbers))


def without_records(teams: int, rng: np.random.Generator) -> tuple[float, float, int, int]:
    """Share of futures that reach the number by the planned flowers, and by the planned single seeds."""
    rates = team_rates([], [], [], [], [], PRIOR)
    flowers, seeds = flowers_needed(WANTED, PROBABILITY, rates), seeds_needed(WANTED, PROBABILITY, rates)
    assert flowers is not None
    assert seeds is not None
    n = 200_000
    pods = rng.binomial(flowers, rng.beta(2.0, 2.0, n))
    pod: Floats = rng.beta(6.0, 4.0, (n, flowers))
    hybrids = (rng.binomial(3, pod) * (np.arange(flowers) < pods[:, None])).sum(axis=1)
    single = rng.binomial(1, rng.beta(6.0, 4.0, (n, seeds))).sum(axis=1)
    return float((hybrids >= WANTED).mean()), float((single >= WANTED).mean()), flowers, seeds


def lines(teams: int, seed: int) -> Iterator[str]:
    """The table, row by row."""
    rng = np.random.default_rng(seed)
    flowers, single, need, seeds = without_records(teams, rng)
    yield f"no records: {need} flowers reach it in {flowers:.3f}, {seeds} single seeds in {single:.3f}"
    yield ""
    yield "| hybrid rate, alike, pod set, seeds per pod | 8 tags | 30 tags | flowers planned (median) |"
    yield "|---|---|---|---|"
    every: dict[int, list[float]] = {8: [], 30: []}
    for team in TEAMS:
        name = f"{team.hybrid_rate:g}, {team.alike:g}, {team.pod_set:g}, {1 + team.more_seeds:g}"
        means, numbers = [], []
        for tags, found in every.items():
            shares, number = with_records(team, tags, teams, rng)
            found += shares
            note = "" if len(shares) == teams else f" (no number for {teams - len(shares)})"
            means.append(f"{np.mean(shares):.3f}{note}")
            numbers.append(f"{number:.0f}")
        yield f"| {name} | {' | '.join(means)} | {', '.join(numbers)} |"
    yield ""
    for tags, found in every.items():
        low = float(np.mean(np.array(found) < 0.9))
        yield f"{tags} tags: mean {np.mean(found):.3f}; {low:.1%} of teams below 0.9, least {min(found):.2f}"


def main() -> None:
    """Print the table for the docs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--teams", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    start = time.perf_counter()
    for line in lines(args.teams, args.seed):
        print(line, flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
