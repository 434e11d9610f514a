"""Crossing seasons flower by flower, with known truth; shares nothing with the code that estimates.

A flower's own pollen was there in time or not ("wrong"); whether a flower is wrong varies between people
and, by a beta distribution, between their tags. A wrong flower may set a pod more often and fill it better.
What share of a pod's seed is selfed depends on the kind of season:

    late          a wrong flower's seed is all selfed; of the others a few seeds are (beta(1, 14))
    mixed         a wrong flower's seed is partly selfed (beta(2, 1)); of the others none is
    independent   every seed is selfed for itself, with the tag's chance
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Ints


class Kind(StrEnum):
    """How the seeds of one pod share their fate."""

    LATE = "late"
    MIXED = "mixed"
    INDEPENDENT = "independent"


@dataclass(frozen=True)
class Nursery:
    """How flowers become pods and seeds. `wrong`: chance of a wrong flower; `tags`: range; both per person.

    `pod_set`, `seeds`: of right and of wrong flowers; seeds are 1 + Poisson.
    """

    kind: Kind
    wrong: tuple[float, ...] = (0.1, 0.2, 0.3, 0.45)
    tags: tuple[int, int] = (20, 50)
    flowers: tuple[int, int] = (1, 4)
    tag_rho: float = 0.1
    pod_set: tuple[float, float] = (0.6, 0.6)
    seeds: tuple[float, float] = (3.0, 3.0)


@dataclass(frozen=True)
class Flowers:
    """Flowers one by one; arrays (flower,). `seeds` 0 where no pod was set."""

    person: Ints
    tag: Ints
    seeds: Ints
    selfed: Ints


def pollinate(nursery: Nursery, rng: np.random.Generator, tags_each: int | None = None) -> Flowers:
    """One season; `tags_each`: tags of every person, drawn from the nursery's range where absent."""
    people = len(nursery.wrong)
    low, high = nursery.tags
    tags = rng.integers(low, high + 1, people) if tags_each is None else np.full(people, tags_each)
    who = np.repeat(np.arange(people), tags)
    chance = np.array(nursery.wrong)[who]
    if nursery.tag_rho > 0:
        size = (1 - nursery.tag_rho) / nursery.tag_rho
        chance = rng.beta(chance * size, (1 - chance) * size)
    tag = np.repeat(np.arange(len(who)), rng.integers(nursery.flowers[0], nursery.flowers[1] + 1, len(who)))
    wrong = rng.random(len(tag)) < chance[tag]
    pod = rng.random(len(tag)) < np.where(wrong, nursery.pod_set[1], nursery.pod_set[0])
    seeds = np.where(pod, 1 + rng.poisson(np.where(wrong, nursery.seeds[1], nursery.seeds[0])), 0)
    if nursery.kind is Kind.LATE:
        share = np.where(wrong, 1.0, rng.beta(1.0, 14.0, len(tag)))
    elif nursery.kind is Kind.MIXED:
        share = np.where(wrong, rng.beta(2.0, 1.0, len(tag)), 0.0)
    else:
        share = chance[tag]
    return Flowers(who[tag], tag, seeds, rng.binomial(seeds, share))


@dataclass(frozen=True)
class Truth:
    """What the rates should be, by person; arrays (person,)."""

    success: Floats
    selfed_seed: Floats
    selfed_flower: Floats


def truth(nursery: Nursery, seed: int = 0) -> Truth:
    """The targets, from 60,000 tags of every person (standard error about 0.1 points)."""
    f = pollinate(nursery, np.random.default_rng(seed), 60_000)
    people = len(nursery.wrong)

    def mean(values: Floats, rows: Bools, weight: Floats | None = None) -> Floats:
        w = np.ones(len(rows)) if weight is None else weight
        above = np.bincount(f.person[rows], (values * w)[rows], people)
        return above / np.bincount(f.person[rows], w[rows], people)

    podded = f.seeds > 0
    share = f.selfed / np.maximum(f.seeds, 1)
    return Truth(
        mean((f.selfed < f.seeds).astype(float), np.ones(len(podded), dtype=bool)),
        mean(share, podded, f.seeds.astype(float)),
        mean(share, podded),
    )


def records(
    flowers: Flowers,
    typed: Ints,
    rng: np.random.Generator,
    *,
    tag_tested: Bools | None = None,
    pods_labelled: bool = True,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Crossing records and verdicts as the tables take them; `typed` (flower,): seeds typed of each pod."""
    tags = int(flowers.tag.max()) + 1
    person = np.zeros(tags, dtype=np.int64)
    person[flowers.tag] = flowers.person
    podded = flowers.seeds > 0
    crosses = pd.DataFrame(
        {
            "cross_id": [f"C{k}" for k in range(tags)],
            "mother": "M", "father": "F", "operator": [f"P{k:02d}" for k in person],
            "flowers": np.bincount(flowers.tag, minlength=tags),
            "pods": np.bincount(flowers.tag, podded, tags).astype(int),
            "seeds": np.bincount(flowers.tag, flowers.seeds, tags).astype(int),
        }
    )  # fmt: skip
    n = np.minimum(typed, flowers.seeds)
    if tag_tested is not None:
        n = np.where(tag_tested[flowers.tag], n, 0)
    selfs = rng.hypergeometric(flowers.selfed, flowers.seeds - flowers.selfed, n)
    flower = np.repeat(np.arange(len(n)), n)
    place = np.arange(len(flower)) - np.repeat(np.cumsum(n) - n, n)
    is_self = place < selfs[flower]
    verdicts = pd.DataFrame(
        {
            "plant": np.arange(len(flower)).astype(str),
            "cross_id": np.array([f"C{k}" for k in range(tags)], dtype=object)[flowers.tag[flower]],
            "pod": flower.astype(str) if pods_labelled else "",
            "verdict": np.where(is_self, "self", "hybrid"),
            "p_hybrid": np.where(is_self, 0.0, 1.0), "p_self": np.where(is_self, 1.0, 0.0),
            "p_outcross": 0.0, "p_off_pedigree": 0.0,
        }
    )  # fmt: skip
    return crosses, verdicts
