"""Whether p of a person is uniform where nobody differs, and finds a person whose rate is doubled.

    python benchmarks/people_calibration.py [--seasons 200] [--seed 1]

Twelve settings without a difference: P(p < 0.05), Kolmogorov-Smirnov against the uniform distribution (one
p per season: a person drawn by lot, as those of one season are not independent). Then the first person's
rate doubled: power beside a Welch test on the tags' rates. Tags are simulated here, pods and all, with
mother lines that differ, and hours that differ and are dealt unequally; conditions enter as in
operators.csv.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from scipy import stats

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.confounding import Factor
from crossproof.rates.people.fair_test import fair_test
from crossproof.rates.people.standardise import expected_rate


@dataclass(frozen=True)
class Setting:
    """People, range of tags each, selfing rate, correlation inside pods."""

    people: int
    tags: tuple[int, int]
    rate: float
    rho: float

    @property
    def name(self) -> str:
        """In words."""
        low, high = self.tags
        return f"{self.people} people, {low} to {high} tags, rate {self.rate:.0%}, rho {self.rho:g}"


SETTINGS = tuple(
    Setting(people, tags, rate, rho)
    for people, tags in ((4, (10, 40)), (8, (10, 30)), (6, (20, 60)))
    for rate, rho in ((0.08, 0.3), (0.2, 0.3), (0.2, 0.6), (0.3, 0.05))
)


def season(
    setting: Setting, rng: np.random.Generator, ratio: float = 1.0
) -> tuple[Floats, Floats, Floats, Ints]:
    """Selfs, plants, design and person of every tag; the first person's rate times `ratio`."""
    tags = rng.integers(setting.tags[0], setting.tags[1] + 1, setting.people)
    who = np.repeat(np.arange(setting.people), tags)
    hour = rng.uniform(6, 13, len(who)) + (who % 2)
    mother = rng.integers(0, 5, len(who))
    odds = np.log(setting.rate / (1 - setting.rate)) + 0.08 * (hour - 9.5)
    odds += np.array([-0.4, -0.2, 0.0, 0.2, 0.4])[mother]
    mean = 1 / (1 + np.exp(-odds))
    mean = np.where(who == 0, np.minimum(mean * ratio, 0.95), mean)
    pods = rng.integers(1, 4, len(who))
    tag = np.repeat(np.arange(len(who)), pods)
    size = (1 - setting.rho) / setting.rho
    chance = rng.beta(mean[tag] * size, (1 - mean[tag]) * size)
    plants = rng.integers(1, 5, len(tag))
    y = np.bincount(tag, rng.binomial(plants, chance), len(who))
    n = np.bincount(tag, plants, len(who))
    lines = Factor("mother", group=mother, levels=tuple("ABCDE"))
    design = expected_rate(y, n, [Factor("hour", values=hour), lines]).design
    return y, n, design, who


def welch(y: Floats, n: Floats, who: Ints) -> float:
    """p of the first person's tag rates against all others'."""
    share = y / n
    return float(stats.ttest_ind(share[who == 0], share[who != 0], equal_var=False).pvalue)


def main() -> None:
    """Print both tables for the docs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=1000)
    args = parser.parse_args()
    start = time.perf_counter()
    print("| nobody differs | P(p < 0.05) | P(p < 0.01) | KS | people |\n|---|---|---|---|---|")
    for k, setting in enumerate(SETTINGS):
        rng = np.random.default_rng([args.seed, k])
        p, lot = [], []
        for _ in range(args.seasons):
            y, n, x, who = season(setting, rng)
            found = fair_test(y, n, x, who, setting.people, rng=rng, draws=args.draws).p
            p.append(found)
            lot.append(rng.choice(found))
        every = np.concatenate(p)
        print(
            f"| {setting.name} | {np.mean(every < 0.05):.3f} | {np.mean(every < 0.01):.3f} "
            f"| {stats.kstest(lot, 'uniform').pvalue:.2f} | {len(every)} |",
            flush=True,
        )
    print("\n| first person's rate doubled | power | Welch on tag rates |\n|---|---|---|")
    for k, setting in enumerate(SETTINGS[:8]):
        rng = np.random.default_rng([args.seed, 100 + k])
        hits = np.zeros(2)
        for _ in range(args.seasons):
            y, n, x, who = season(setting, rng, 2.0)
            found = fair_test(y, n, x, who, setting.people, rng=rng, draws=args.draws).p[0]
            hits += np.array([found, welch(y, n, who)]) < 0.05
        print(f"| {setting.name} | {hits[0] / args.seasons:.2f} | {hits[1] / args.seasons:.2f} |", flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
