"""True success and the two selfing rates: bias and coverage of 95 % intervals in simulated seasons.

    python benchmarks/rates_targets.py [--seasons 200] [--seed 1] [--only TEXT]

Seasons come flower by flower from crossing_simulator.py; the figures are those of the tables (one interval
per person and season).
"""

from __future__ import annotations

import argparse
import platform
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from crossing_simulator import Flowers, Kind, Nursery, pollinate, records, truth

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.tables.grouping import grouping
from crossproof.rates.tables.groups import group_rates, tag_success
from crossproof.rates.tables.tally import RateOptions, tally

Typing = Callable[[Flowers, np.random.Generator], Ints]


def every_seed(flowers: Flowers, rng: np.random.Generator) -> Ints:
    """All seeds of every pod."""
    return flowers.seeds


def two(flowers: Flowers, rng: np.random.Generator) -> Ints:
    """Two seeds of every pod."""
    return np.full(len(flowers.seeds), 2)


def one(flowers: Flowers, rng: np.random.Generator) -> Ints:
    """One seed of every pod."""
    return np.ones(len(flowers.seeds), dtype=np.int64)


def one_or_two(flowers: Flowers, rng: np.random.Generator) -> Ints:
    """One or two seeds of a pod, as it happens."""
    return rng.integers(1, 3, len(flowers.seeds))


def one_and_some_whole(flowers: Flowers, rng: np.random.Generator) -> Ints:
    """One seed of a pod, all of every tenth."""
    return np.where(rng.random(len(flowers.seeds)) < 0.1, flowers.seeds, 1)


@dataclass(frozen=True)
class Row:
    """One row: the nursery, which seeds are genotyped, and of how many tags."""

    name: str
    nursery: Nursery
    typing: Typing
    tags_tested: float = 1.0
    pods_labelled: bool = True


LATE, MIXED, EACH = Nursery(Kind.LATE), Nursery(Kind.MIXED), Nursery(Kind.INDEPENDENT)
FULLER = Nursery(Kind.LATE, pod_set=(0.5, 0.8), seeds=(2.0, 4.0))
FULLER_MIXED = Nursery(Kind.MIXED, pod_set=(0.5, 0.8), seeds=(2.0, 4.0))
ROWS = (
    *(
        Row(f"{what}, {seeds}", nursery, typing)
        for what, typing in (
            ("every seed typed", every_seed),
            ("two plants per pod", two),
            ("one or two plants per pod", one_or_two),
            ("one plant per pod, every tenth pod whole", one_and_some_whole),
            ("one plant in every pod", one),
        )
        for seeds, nursery in (("late", LATE), ("mixed", MIXED), ("independent", EACH))
    ),
    Row("two plants per pod, half of the tags, late", LATE, two, 0.5),
    Row("two plants per pod, pods not on the plants, mixed", MIXED, two, pods_labelled=False),
    Row("selfed flowers set more, every seed typed, late", FULLER, every_seed),
    Row("selfed flowers set more, every seed typed, mixed", FULLER_MIXED, every_seed),
    Row("selfed flowers set more, two plants per pod, late", FULLER, two),
    Row("selfed flowers set more, two plants per pod, mixed", FULLER_MIXED, two),
)

TARGETS = {
    "true_success": "success", "true_success_shrunk": "success", "selfed_seed_share": "selfed_seed",
    "selfed_flower_share": "selfed_flower", "selfing_rate": "selfed_seed",
    "selfing_rate_shrunk": "selfed_seed",
}  # fmt: skip


@dataclass
class Found:
    """Sums over seasons: intervals that cover, error, width, truth below and above."""

    covered: float = 0.0
    error: float = 0.0
    width: float = 0.0
    below: float = 0.0
    above: float = 0.0
    intervals: int = field(default=0)

    def add(self, value: Floats, low: Floats, high: Floats,
            target: Floats) -> None:  # fmt: skip
        """Count the intervals of one season."""
        self.covered += float(((low <= target) & (target <= high)).sum())
        self.below += float((target < low).sum())
        self.above += float((target > high).sum())
        self.error += float((value - target).sum())
        self.width += float((high - low).sum())
        self.intervals += len(target)


def measure(row: Row, seasons: int, seed: int) -> dict[str, Found]:
    """Coverage, bias and width of every rate over simulated seasons."""
    rng = np.random.default_rng(seed)
    aim = truth(row.nursery)
    people = len(row.nursery.wrong)
    out = {name: Found() for name in TARGETS}
    options = RateOptions()
    for _ in range(seasons):
        flowers = pollinate(row.nursery, rng)
        tested = rng.random(int(flowers.tag.max()) + 1) < row.tags_tested
        frames = records(
            flowers, row.typing(flowers, rng), rng, tag_tested=tested, pods_labelled=row.pods_labelled
        )
        season = tally(*frames)
        table = group_rates(
            season, tag_success(season), grouping(season, "operator", options).group, people, options
        )
        for name, target in TARGETS.items():
            values = (table[f"{name}{end}"].to_numpy(float) for end in ("", "_low", "_high"))
            out[name].add(*values, getattr(aim, target))
    return out


def lines(seasons: int, seed: int, only: str) -> Iterator[str]:
    """The table, row by row."""
    shown = ("true_success", "true_success_shrunk", "selfed_seed_share", "selfed_flower_share")
    yield "| scenario | " + " | ".join(f"{n}: covers, bias, width" for n in shown) + " |"
    yield "|---" * (len(shown) + 1) + "|"
    for row in ROWS:
        if only not in row.name:
            continue
        found = measure(row, seasons, seed)
        cells = [
            f"{f.covered / f.intervals:.1%}, {f.error / f.intervals:+.3f}, {f.width / f.intervals:.3f}"
            for f in (found[n] for n in shown)
        ]
        yield f"| {row.name} | " + " | ".join(cells) + " |"


def main() -> None:
    """Print the table for the docs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    print(f"{args.seasons} seasons a row, seed {args.seed}, Python {platform.python_version()}\n")
    start = time.perf_counter()
    for line in lines(args.seasons, args.seed, args.only):
        print(line, flush=True)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
