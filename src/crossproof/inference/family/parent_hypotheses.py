"""What may be behind a family's parent tubes and its tag: hypotheses, their priors, what they share.

A *hypothesis* (`Reading`) says how the typing of a parent line bears on a family:

- as typed: the parent plant is of the line, and the tube held the line (one of several clusters of tubes,
  where the line's replicates contradict each other);
- heterogeneous line: the parent plant is of the line, but plants of this line differ;
- wrong tube: the parent plant is of the line, but the tube held something else. That is a statement about the
  line: every tag that uses it must then demand the same other genotype (`line_doubts`);
- other plant: the tube is right, but another plant gave the pollen (or bore the seed), once for the tag or
  for some of its pods: a typed line, one plant that was never typed, or an untyped relative of the line;
- later generation: the parents are right, but the whole tag is seed of an F2 or of a backcross.

Shares and rates with an asterisk are the project's own judgement, no source; those that `TagRates` holds are
re-estimated over the run with beta priors, so that they are never 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import cache

import numpy as np

from crossproof.inference.family.solution import Solution
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.panel import Panel
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.pedigree import child_of_gametes, pool_genotypes
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Floats, Ints

RELATIVE_SHARE = 0.2
"""* Share of other parents that are an untyped relative of the line on the tag."""
DEPARTURES = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40)
"""Shares of markers at which a relative, or a plant of a heterogeneous line, departs from the reference."""
RELATIVE_WEIGHTS = (1 / 6, 1 / 6, 1 / 6, 1 / 6, 1 / 6, 1 / 6)
"""* Prior over `DEPARTURES` of a relative of the line."""
HETEROGENEOUS_WEIGHTS = (0.38, 0.27, 0.20, 0.10, 0.04, 0.01)
"""* Prior over `DEPARTURES` of a plant of a heterogeneous line."""
OF_GENERATION = 0.95
"""* Share of the plants of a tag of a later generation that are of it; the rest are as in any tag."""
DEPARTURE_SOLVED = 0.15
"""Departure under which messages are passed; evidence at the others follows from the parent's messages."""


class Fault(Enum):
    """What a hypothesis takes to be otherwise than typed."""

    NONE = "as typed"
    GENERATION = "later generation"
    HETEROGENEOUS = "heterogeneous line"
    TUBE = "wrong tube"
    RELATIVE = "relative of the line"
    """Only in the account of a parent's faults: hypotheses name the parent whose plant was another."""
    FATHER_PLANT = "other pollen"
    MOTHER_PLANT = "other mother plant"


FAULTS = tuple(Fault)
"""Faults in the order of every array with a fault axis; also by how far they take a plant from its tag."""
GRAVITY = FAULTS
OTHER_PLANT = (Fault.RELATIVE, Fault.FATHER_PLANT, Fault.MOTHER_PLANT)
"""Faults under which another plant than one of the line was used."""


@dataclass(frozen=True)
class Reading:
    """One hypothesis: versions of the mother and father, None for a line that was never typed.

    `departs`: expected departure of either parent plant from its version where it is not the run's own;
    `learned`: number, from 1, of what the line's other tags make of the parent, 0 none; `generation`: number
    of the pair relation that the whole tag is, -1 none; `part`: whether the other parent has had a part of
    the tag only, the rest being as typed.
    """

    mother: int | None
    father: int | None
    log_prior: float
    fault: Fault = Fault.NONE
    departs: tuple[float | None, float | None] = (None, None)
    learned: tuple[int, int] = (0, 0)
    generation: int = -1
    part: bool = False

    @property
    def key(self) -> tuple[object, ...]:
        """What the messages depend on; hypotheses with one key share a solution."""
        return self.mother, self.father, self.departs, self.learned, self.generation, self.part

    @property
    def parents(self) -> tuple[int | None, int | None]:
        """Versions of mother and father."""
        return self.mother, self.father

    def fault_of(self, side: int, own: Ints) -> Fault:
        """The fault of one parent (0 mother, 1 father), `own` its line's versions."""
        version = self.parents[side]
        other = self.departs[side] is not None or self.learned[side] > 0
        if version is None or version not in own:
            other = True
        if not other or self.fault is Fault.GENERATION:
            return Fault.NONE
        relative = self.departs[side] is not None and self.fault is not Fault.HETEROGENEOUS
        return Fault.RELATIVE if relative else self.fault


WHOLE_SHARE = 0.5
"""* Share of tags with another parent plant that are wholly of it."""
PART_SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Shares of a tag's pods (of its plants, where pods are not recorded) that are of the parents as typed after
all, each as likely, where another plant has had a part of the tag."""


@dataclass(frozen=True)
class Readings:
    """The hypotheses that count, likeliest first, with their `weight` (reading,), summing to 1.

    `plain` (n, 2): posteriors of hybrid and self under the parents as typed; per hypothesis: `typed`, the
    solution of the parents as typed, and `typed_share` (n,), the prior share of plants that are of these,
    such that the posterior is that over pods and shares; `doubts`: of mother and father.
    """

    readings: tuple[Reading, ...]
    solutions: tuple[Solution, ...]
    weight: Floats
    plain: Floats
    typed: tuple[Solution, ...]
    typed_share: tuple[Floats, ...]
    doubts: tuple[Doubt | None, Doubt | None] = (None, None)

    def as_typed(self) -> Readings:
        """Those of them that take parents and tag to be right."""
        keep = [i for i, reading in enumerate(self.readings) if reading.fault is Fault.NONE]
        weight = self.weight[keep]
        return replace(
            self,
            readings=tuple(self.readings[i] for i in keep),
            solutions=tuple(self.solutions[i] for i in keep),
            weight=weight / weight.sum(),
            typed=tuple(self.typed[i] for i in keep),
            typed_share=tuple(self.typed_share[i] for i in keep),
        )

    def fault_shares(self, own: tuple[Ints, Ints]) -> Floats:
        """Posterior of every fault (2, fault) for mother and father; a later generation counts for both."""
        shares = np.zeros((2, len(FAULTS)))
        for reading, weight in zip(self.readings, self.weight, strict=True):
            for side in (0, 1):
                fault = reading.fault_of(side, own[side])
                if reading.fault is Fault.GENERATION:
                    fault = Fault.GENERATION
                shares[side, FAULTS.index(fault)] += weight
        return shares


def parent_prior(block: PanelBlock, place: Ints, version: int | None, h: float, inbreeding: float) -> Floats:
    """Prior (m, n_g) of a parent plant: (1-h) consensus of the version + h pool; None stands for the pool."""
    if version is None:
        return block.pool(inbreeding)[place]
    return block.plant(version, h)[place]


def log_departing(
    blocks: Sequence[PanelBlock],
    places: Sequence[Ints],
    version: int,
    ratios: Sequence[Floats],
    weights: tuple[float, ...],
) -> float:
    """log of the mean likelihood of a plant of a version that departs from it by one of `DEPARTURES`.

    `ratios` (m, n_g) per block: likelihoods of the plant's genotypes, up to a factor that they share;
    `weights`: prior of each departure, none of them 0.
    """
    gains = _logs(weights)
    for block, place, ratio in zip(blocks, places, ratios, strict=True):
        fits = ratio * block.plants(version, DEPARTURES).take(place, axis=1)
        gains = gains + np.log(np.maximum(sum_of_last(fits), 1e-300)).sum(axis=1)
    return float(np.logaddexp.reduce(gains))


@cache
def _logs(weights: tuple[float, ...]) -> Floats:
    """Natural logarithms of prior weights."""
    return np.asarray(np.log(np.array(weights)))


def prior_within(block: PanelBlock, place: Ints, version: int) -> Floats:
    """Prior (m, n_g) of a parent plant over a stretch in which it is not as its line: half the line's gamete
    beside one of the pool, half a fixed plant of the pool."""
    q = block.q[place]
    mixed = child_of_gametes(block.gametes[place, version].astype(np.float64), q)
    return np.asarray((mixed + pool_genotypes(q, 1.0)) / 2)


def log_sizes(panel: Panel, versions: Ints) -> Floats:
    """Prior (version,) of a line's clusters, natural log: a tube is as likely right as any other."""
    if not len(versions):
        return np.zeros(1)
    sizes = np.array([len(panel.version_wells[v]) for v in versions], dtype=np.float64)
    return np.asarray(np.log(sizes / sizes.sum()))
