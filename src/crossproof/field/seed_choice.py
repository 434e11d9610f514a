"""How many seeds of a cross to sow now, and of which pods.

    r     hybrids still wanted
    m     seeds in store that may be sown
    n     seeds sown now; N: seeds sown were all of them sown at once
    p     probability that n seeds give r hybrids

Testing few seeds first saves tests where a second round is often not needed: n is the smallest number that
more likely than not gives the wanted hybrids, N the smallest that gives them with the wanted probability. A
second round brings the number from n to N, so that two rounds cost n + (1 - p)(N - n) tests on average at
most. Where that saves less than one test, all are sown at once: a round costs weeks.

Seeds of one pod share their fate, and so the seeds sown are spread over the pods. Rates, with what is not
known about them, are those of `planning.numbers`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache

from crossproof.model.results import NextStep
from crossproof.planning.numbers import TeamRates, chance_from_seeds, smallest_number

WORTH = 0.5
"""Probability of finishing that makes a first batch big enough, as in `rates.estimators.sequential`."""

LEAST_SAVED = 1.0
"""Tests that a second round must save on average."""


class Left(StrEnum):
    """Why no seed of a cross is sown now."""

    NO_SEED_COUNT = "its seeds are not recorded"
    NO_SEED = "it has no seed left"
    KEPT_BACK = "all its seed is kept back"
    NO_MOTHER = "its mother is not on record"
    NO_FATHER = "its father is not on record"
    NONE_WANTED = "no hybrids are wanted"
    WAITING = "plants sown before wait for their results"
    ENOUGH = "enough hybrids are found"
    HOLD = "plants are on hold until a finding is settled"
    TYPE_PARENT = "a parent is to be genotyped first"
    RETEST = "plants wait for a second sample"
    REPEAT = "stored seed is not worth testing: repeat the cross"


_LEFT_BY_STEP = {
    NextStep.HOLD: Left.HOLD,
    NextStep.TYPE_PARENT: Left.TYPE_PARENT,
    NextStep.RETEST: Left.RETEST,
    NextStep.REPEAT: Left.REPEAT,
    NextStep.DONE: Left.ENOUGH,
}


@dataclass(frozen=True)
class Pod:
    """What is known of one pod: its name, seeds sown of it, hybrids and other plants found among them."""

    name: str
    sown: int = 0
    hybrids: int = 0
    others: int = 0


@dataclass(frozen=True)
class HarvestedCross:
    """One tag after harvest, with what was sown and found of it.

    `seeds` None: not written down; `pods` 0: not written down. `wanted`: hybrids still missing. `sown`: its
    plants in the sheets of wells; `tested`: those with a result. `step`, `seeds_next` (few at a time) and
    `seeds_to_test` (all that may be needed): what the results say, None and 0 without any. `numbers`: running
    numbers that its plants have already.
    """

    cross_id: str
    mother: str
    father: str
    seeds: int | None
    pods: int
    wanted: int
    sown: int = 0
    tested: int = 0
    step: NextStep | None = None
    seeds_next: int = 0
    seeds_to_test: int = 0
    known_pods: tuple[Pod, ...] = ()
    numbers: frozenset[int] = field(default=frozenset())


@dataclass(frozen=True)
class Seed:
    """One seed to sow: its plant's running number within the cross, and its pod, "" where none is known."""

    number: int
    pod: str


@dataclass(frozen=True)
class Choice:
    """Seeds of one cross to sow now, and why not where there are none.

    `at_once`: seeds to sow were there no second round; `chance`: probability that the seeds sown now give the
    wanted hybrids; `expected`: mean number of tests in two rounds at most. `rest`: seeds kept in store.
    """

    cross: HarvestedCross
    seeds: tuple[Seed, ...] = ()
    left: Left | None = None
    at_once: int = 0
    chance: float = math.nan
    expected: float = math.nan
    rest: int = 0

    @property
    def saved(self) -> float:
        """Tests saved on average by sowing few at a time; 0 where all are sown at once."""
        saves = self.at_once > len(self.seeds) > 0 and math.isfinite(self.expected)
        return self.at_once - self.expected if saves else 0.0


@dataclass(frozen=True)
class ChoiceSettings:
    """`probability` wanted of reaching the target; `seen`: share of hybrids that get a right verdict;
    `keep_back`: seeds of each cross that are never sown; `at_once`: sow all that may be needed."""

    probability: float = 0.95
    seen: float = 1.0
    keep_back: int = 0
    at_once: bool = False


@dataclass(frozen=True)
class BatchSize:
    """Seeds to sow now, all at once, the chance that those sown now suffice, and the tests expected."""

    now: int
    at_once: int
    chance: float
    expected: float


def batch_size(wanted: int, stored: int, pods: int, rates: TeamRates, settings: ChoiceSettings) -> BatchSize:
    """How many of the stored seeds to sow now for the wanted hybrids; both at least 1.

    pods: that the seeds are spread over, 0 or 1 where all may share their fate.
    """
    chance = lru_cache(maxsize=None)(
        lambda n: chance_from_seeds(n, wanted, rates, settings.seen, max(1, math.ceil(n / max(pods, 1))))
    )
    start = min(wanted, stored)

    def fewest(probability: float) -> int:
        if start == stored or chance(stored) < probability:
            return stored
        return smallest_number(start, stored, probability, chance) or stored

    at_once = fewest(settings.probability)
    now = min(fewest(WORTH), at_once)
    expected = now + (1 - chance(now)) * (at_once - now)
    if settings.at_once or at_once - expected < LEAST_SAVED:
        now, expected = at_once, float(at_once)
    return BatchSize(now, at_once, chance(now), expected)


def choose_seeds(cross: HarvestedCross, rates: TeamRates, settings: ChoiceSettings) -> Choice:
    """Seeds of one cross to sow now.

    With results, their next step decides: seeds are sown where it is to test stored seed, as many as
    `seeds_next`. Without, a first batch is sown.
    """
    stored = max((cross.seeds or 0) - cross.sown, 0)
    free = max(stored - settings.keep_back, 0)
    if (left := _left(cross, stored, free)) is not None:
        return Choice(cross, left=left, rest=stored)
    if cross.step is NextStep.TEST_SEED:
        # The results know this cross's own rate.
        whole = min(max(cross.seeds_to_test, cross.seeds_next), free)
        size = BatchSize(
            whole if settings.at_once else min(cross.seeds_next, free), whole, math.nan, math.nan
        )
    else:
        pods = max(cross.pods, len(cross.known_pods))
        size = batch_size(cross.wanted, free, pods, rates, settings)
    seeds = _spread(cross, size.now)
    return Choice(cross, seeds, None, size.at_once, size.chance, size.expected, stored - len(seeds))


def _left(cross: HarvestedCross, stored: int, free: int) -> Left | None:
    conditions: Sequence[tuple[Left, bool]] = (
        (Left.NO_MOTHER, not cross.mother),
        (Left.NO_FATHER, not cross.father),
        (Left.WAITING, cross.sown > cross.tested),
    )
    for left, applies in conditions:
        if applies:
            return left
    if cross.step is not None and cross.step is not NextStep.TEST_SEED:
        return _LEFT_BY_STEP[cross.step]
    later: Sequence[tuple[Left, bool]] = (
        (Left.NONE_WANTED, cross.wanted <= 0),
        (Left.NO_SEED_COUNT, cross.seeds is None),
        (Left.NO_SEED, stored == 0),
        (Left.KEPT_BACK, free == 0),
        (Left.REPEAT, cross.step is NextStep.TEST_SEED and cross.seeds_next == 0),
    )
    return next((left for left, applies in later if applies), None)


def _spread(cross: HarvestedCross, n: int) -> tuple[Seed, ...]:
    """n seeds, each of the pod that is next: pods with a hybrid first, then pods not yet tested, then others;
    among these the one with fewest seeds sown. No pod is asked for more than its even share of the seeds."""
    pods = {p.name: p for p in cross.known_pods}
    for number in range(1, cross.pods + 1):
        if len(pods) >= cross.pods:
            break
        pods.setdefault(str(number), Pod(str(number)))
    places = list(pods.values()) or [Pod("")]
    share = math.ceil((cross.seeds or 0) / len(places))
    sown = {p.name: p.sown for p in places}
    numbers = (i for i in range(1, 10**6) if i not in cross.numbers)
    chosen = []
    for _ in range(n):
        # Where the sheets hold more plants of a pod than its share, shares are no longer even.
        open_pods = [p for p in places if sown[p.name] < share] or places
        pod = min(open_pods, key=lambda p: (_rank(p), sown[p.name], places.index(p)))
        sown[pod.name] += 1
        chosen.append(pod)
    # Seeds of one pod stand side by side in the tray: fewer hands into the wrong bag.
    return tuple(Seed(next(numbers), pod.name) for pod in sorted(chosen, key=places.index))


def _rank(pod: Pod) -> int:
    if pod.hybrids:
        return 0
    return 2 if pod.others else 1
