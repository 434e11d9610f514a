"""Which plants a family's parents really are: readings of its parents, weighed by their evidence.

A *reading* says how the typing of a parent line bears on this family:

- as typed: the parent plant is of the line, and the tube held the line (one of several clusters of tubes,
where the line's replicates contradict each other);
- wrong tube: the parent plant is of the line, but the tube held something else, so that the plants are what
  their tag says and the line's typing is not: hybrids are hybrids;
- wrong plant: the tube is right, but the plant in the field was another one, so that what looks like a hybrid
is an outcross (wrong father) or something off pedigree (wrong mother). A pod that was pollinated by one
foreign donor throughout looks the same and gets the same name.

Under a wrong plant, some plants of the family may still be of the plant that was meant, so that every plant
can also be what it would be as typed (`Reading.typed_share`).

The last two explain the data alike: all plants of the family agree on a parent other than the one typed,
which is then another panel line or one never typed. Only the prior tells them apart, and that knows how many
replicates of the line agree, and what the line's *other* families say of its tube (`Panel.tube_odds`).
Under each reading the family model judges all plants; plants' probabilities are the mean over readings,
weighed by prior x evidence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from crossproof.inference.family.family_model import Family, Priors, Solution
from crossproof.inference.lines.panel import DEPARTURE_POOL_INBREEDING, Panel, PanelBlock
from crossproof.model.arrays import Floats, Ints
from crossproof.model.settings import Settings

UNTYPED_SHARE = 0.3
"""Share of wrong parents whose line is a line that was never typed; as for unknown pollen."""
CLEAR_ENOUGH = 0.9
"""A family is taken as read when all its plants are hybrid or self with this probability."""
DEPARTS = 0.10
"""Expected share of departing markers from which on other readings are tried."""
NEGLIGIBLE = 1e-4
"""Weight of a reading below which it is dropped."""
FULL_LOOK = 0.01
"""Weight of a reading from which on every donor is weighed under it, not those of the first reading alone."""
LINES_TRIED = 2
"""Panel lines tried in place of one that its progeny contradict."""
CLOSE = 12.0
"""Natural-log distance from the best reading within which a line's foreseen evidence is worth a solution."""


class Fault(Enum):
    """What a reading takes to be wrong."""

    NONE = "as typed"
    TUBE = "wrong tube"
    FATHER_PLANT = "wrong father plant"
    MOTHER_PLANT = "wrong mother plant"


GRAVITY = (Fault.NONE, Fault.TUBE, Fault.FATHER_PLANT, Fault.MOTHER_PLANT)
"""Faults by how far they take a plant from its tag."""


@dataclass(frozen=True)
class Reading:
    """One reading: versions of the mother and father, None for a line that was never typed."""

    mother: int | None
    father: int | None
    log_prior: float
    fault: Fault = Fault.NONE

    @property
    def typed_share(self) -> float:
        """Share of the family's plants whose parents are the ones as typed after all."""
        return _TYPED_SHARE[self.fault]


PLANT_SHARE = 0.5
_TYPED_SHARE = {
    Fault.NONE: 0.0,
    Fault.TUBE: 0.01,
    Fault.FATHER_PLANT: PLANT_SHARE,
    Fault.MOTHER_PLANT: PLANT_SHARE,
}
"""A wrong tube is wrong for the whole family; a wrong plant has had its share of the pods."""


@dataclass(frozen=True)
class Readings:
    """The readings that count, likeliest first, with their `weight` (reading,), summing to 1.

    `plain` (n, 2): posteriors of hybrid and self under the parents as typed; `typed`: the likeliest solution
    as typed, to which the `typed_share` of plants under the other readings refers.
    """

    readings: tuple[Reading, ...]
    solutions: tuple[Solution, ...]
    weight: Floats
    plain: Floats
    typed: Solution

    def as_typed(self) -> Readings:
        """Those of them that take the tubes to be right."""
        keep = [i for i, reading in enumerate(self.readings) if reading.fault is Fault.NONE]
        weight = self.weight[keep]
        return replace(
            self,
            readings=tuple(self.readings[i] for i in keep),
            solutions=tuple(self.solutions[i] for i in keep),
            weight=weight / weight.sum(),
        )


def parent_prior(block: PanelBlock, place: Ints, version: int | None, h: float, inbreeding: float) -> Floats:
    """Prior (m, n_g) of a parent plant: (1-h) consensus of the version + h pool; None stands for the pool."""
    if version is None:
        return block.pool(inbreeding)[place]
    departed, stayed = block.parent_parts(place, version, h)
    return departed + stayed


class _Reader:
    """Solves readings of one family, each once."""

    def __init__(
        self,
        family: Family,
        panel: Panel,
        places: tuple[Ints, ...],
        settings: Settings,
        keep_outside: bool,
    ) -> None:
        self.keep_outside = keep_outside
        self.family, self.panel, self.places, self.settings = family, panel, places, settings
        self.solved: dict[tuple[int | None, int | None], Solution] = {}
        self.done: list[tuple[Reading, Solution, float]] = []
        self.typed: Solution | None = None
        self._priors: dict[int | None, tuple[Floats, ...]] = {}

    def prior(self, version: int | None) -> tuple[Floats, ...]:
        if version not in self._priors:
            self._priors[version] = tuple(
                parent_prior(b, p, version, self.panel.h, self.settings.inbreeding)
                for b, p in zip(self.panel.blocks, self.places, strict=True)
            )
        return self._priors[version]

    def solve(self, reading: Reading, active: Ints | None = None) -> Solution:
        """The solution of a reading: a full one, or with the donors `active` only."""
        key = (reading.mother, reading.father)
        if key not in self.solved:
            self.solved[key] = self._solve(reading, active)
        solution = self.solved[key]
        self.done.append((reading, solution, reading.log_prior + self.evidence(reading, solution)))
        return solution

    def as_typed(self) -> Floats:
        """log of prior x likelihood (n,) of all relations to the parents as typed."""
        own, rows, typed = self.family.priors, self.family.rows, self.typed
        assert typed is not None
        scores = [own.pair[:, None] + typed.pair[rows], own.donor[:, None] + typed.donor]
        return np.asarray(np.logaddexp.reduce(np.concatenate(scores), axis=0))

    def priors_of(self, share: float) -> Priors:
        """Priors under a reading in which this share of plants is as typed after all."""
        own = self.family.priors
        rest = np.log1p(-share)
        flat = np.logaddexp(own.flat, np.log(share) + self.as_typed())
        return Priors(own.pair + rest, own.donor + rest, flat)

    def evidence(self, reading: Reading, solution: Solution) -> float:
        """Log evidence of a reading.

        Solutions of other readings are made with PLANT_SHARE of the plants as typed. The fit of each of these
        had the help of all others, so that their sum counts the shared parents too often; the solution as
        typed knows by how much, and the plants that are as typed bear their part of it.
        """
        if reading.fault is Fault.NONE or self.typed is None:
            return solution.log_evidence
        rows = self.family.rows
        plants = []
        for share in (reading.typed_share, PLANT_SHARE):
            p = self.priors_of(share)
            scores = [p.pair[:, None] + solution.pair[rows], p.donor[:, None] + solution.donor, p.flat[None]]
            plants.append(np.logaddexp.reduce(np.concatenate(scores), axis=0))
        as_typed = self.as_typed()
        here = np.exp(np.log(reading.typed_share) + as_typed - plants[0]).sum()
        there = np.exp(as_typed - np.logaddexp(as_typed, self.family.priors.flat)).sum()
        shared = self.typed.log_shared * min(1.0, here / max(there, 1e-9))
        return float(solution.log_evidence + plants[0].sum() - plants[1].sum() + shared)

    def _solve(self, reading: Reading, active: Ints | None) -> Solution:
        other = reading.fault is not Fault.NONE
        return self.family.solve(
            self.prior(reading.mother),
            self.prior(reading.father),
            coherent_start=other,
            active=active,
            priors=self.priors_of(PLANT_SHARE) if other else None,
            keep_outside=self.keep_outside,
        )

    def full(self, reading: Reading, solution: Solution) -> Solution:
        """The solution with every donor weighed."""
        return solution if reading.fault is Fault.NONE else self._solve(reading, None)

    def best(self) -> tuple[Reading, Solution, float]:
        """The likeliest reading so far, its solution, and its log prior x evidence."""
        return max(self.done, key=lambda item: item[2])

    def best_naming(self, side: int, own: list[Ints]) -> tuple[Reading, Solution] | None:
        """The best reading in which only this parent (`side` 0 mother, 1 father) is another, named line."""
        found: tuple[Reading, Solution, float] | None = None
        for item in self.done:
            parents = (item[0].mother, item[0].father)
            named = parents[side] is not None and parents[side] not in own[side]
            if named and parents[1 - side] in own[1 - side] and (found is None or item[2] > found[2]):
                found = item
        return None if found is None else found[:2]

    def line_scores(self, solution: Solution, side: int) -> Floats:
        """Log evidence gained (version,) by taking the untyped parent (`side` 0 mother) for a version."""
        total = np.zeros(len(self.panel.version_line))
        posteriors = solution.mother if side == 0 else solution.father
        h = self.panel.h
        for block, place, post, prior in zip(
            self.panel.blocks, self.places, posteriors, self.prior(None), strict=True
        ):
            # the pool may lack an allele altogether: no line of the panel has it, or a maternal heterozygote
            ratio = np.divide(post, prior, out=np.zeros_like(post), where=prior > 1e-12)
            departed = block.pool(DEPARTURE_POOL_INBREEDING)[place]
            as_line = np.einsum("mg,mvg->mv", ratio, block.consensus[place].astype(np.float64))
            gained = (1 - h) * as_line + h * (ratio * departed).sum(axis=1)[:, None]
            total += np.log(np.maximum(gained, 1e-300)).sum(axis=0)
        return total


def read_parents(
    family: Family,
    panel: Panel,
    places: tuple[Ints, ...],
    settings: Settings,
    mother: str,
    father: str,
    *,
    cross_id: str = "",
    keep_outside: bool = False,
) -> Readings:
    """Weigh the readings of a family's parents.

    `mother`, `father`: line names, "" where unknown; `cross_id`: the family's name, so that its own say about
    its parents' tubes is left out of the prior.
    """
    reader = _Reader(family, panel, places, settings, keep_outside)
    own = [panel.versions(mother), panel.versions(father)]
    known = [len(versions) > 0 for versions in own]
    log_own = [_log_sizes(panel, versions) for versions in own]
    wrong = settings.wrong_plant
    for i, m in enumerate(own[0] if known[0] else [None]):
        for j, f in enumerate(own[1] if known[1] else [None]):
            log_prior = log_own[0][i] + log_own[1][j] + sum(known) * np.log(1 - wrong)
            version_m, version_f = (None if v is None else int(v) for v in (m, f))
            reader.solve(Reading(version_m, version_f, float(log_prior)))
    reader.typed = reader.best()[1]
    plain = _plain(reader, reader.typed)
    if all(known) and wrong > 0 and _doubtful(reader, panel, places):
        as_typed = reader.best()[:2]
        odds = [panel.tube_odds(line, cross_id, settings) for line in (mother, father)]
        for side in (0, 1):
            _try_others(reader, as_typed, side, own[side], panel, odds[side], wrong)
        # Under a swapped tag neither parent is found while the other is taken as typed: the second is sought
        # from the best reading that names the first, even where leaving it unnamed explains more so far.
        for side in (1, 0) if reader.best()[0].fault is not Fault.NONE else ():
            named = reader.best_naming(1 - side, own)
            if named is not None:
                _try_others(reader, named, side, own[side], panel, odds[side], wrong)
    items = sorted(reader.done, key=lambda item: -item[2])
    score = np.array([total for _, _, total in items])
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    keep = np.flatnonzero(weight >= NEGLIGIBLE)
    return Readings(
        tuple(items[i][0] for i in keep),
        tuple(reader.full(items[i][0], items[i][1]) if weight[i] >= FULL_LOOK else items[i][1] for i in keep),
        weight[keep] / weight[keep].sum(),
        plain,
        reader.typed,
    )


def _log_sizes(panel: Panel, versions: Ints) -> Floats:
    """Prior (version,) of a line's clusters, natural log: a tube is as likely right as any other."""
    if not len(versions):
        return np.zeros(1)
    sizes = np.array([len(panel.version_wells[v]) for v in versions], dtype=np.float64)
    return np.asarray(np.log(sizes / sizes.sum()))


def _plain(reader: _Reader, solution: Solution) -> Floats:
    """Posteriors (n, 2) of hybrid and self, the first two pair relations."""
    priors = reader.family.priors
    pair, donor = solution.pair[reader.family.rows], solution.donor
    scores = np.concatenate([priors.pair[:, None] + pair, priors.donor[:, None] + donor, priors.flat[None]])
    return np.asarray(np.exp(scores[:2] - np.logaddexp.reduce(scores, axis=0)).T)


def _doubtful(reader: _Reader, panel: Panel, places: tuple[Ints, ...]) -> bool:
    """Whether the tubes as typed leave something to explain."""
    reading, solution, _ = reader.best()
    if _plain(reader, solution).sum(axis=1).min(initial=1.0) < CLEAR_ENOUGH or not solution.converged:
        return True
    for version, posteriors in ((reading.mother, solution.mother), (reading.father, solution.father)):
        same, count = 0.0, 0
        for block, place, post in zip(panel.blocks, places, posteriors, strict=True):
            if version is not None and len(place):
                line = block.consensus[place, version].argmax(axis=1)
                same += float(post[np.arange(len(place)), line].sum())
                count += len(place)
        if count and 1 - same / count > DEPARTS:
            return True
    return False


def _try_others(
    reader: _Reader,
    start: tuple[Reading, Solution],
    side: int,
    own: Ints,
    panel: Panel,
    tube: float,
    wrong_plant: float,
) -> None:
    """Solve the readings that differ from `start` in one parent (`side` 0 mother, 1 father), another line.

    `tube`: odds that the line's tube is wrong; `wrong_plant`: probability that the plant is.
    """
    base, base_solution = start
    active = base_solution.active
    other = base.father if side == 0 else base.mother
    if other is None:
        return
    right = base.log_prior - np.log(1 - wrong_plant)
    # where both parents are wrong the graver fault decides what the plants are: seed of another mother is off
    # pedigree whatever the pollen was, as under a swapped tag
    causes = tuple(
        (max(fault, base.fault, key=GRAVITY.index), log_cause)
        for fault, log_cause in (
            (Fault.MOTHER_PLANT if side == 0 else Fault.FATHER_PLANT, np.log(wrong_plant)),
            (Fault.TUBE, np.log(tube)),
        )
    )

    def solve(version: int | None, log_share: float) -> Solution:
        for fault, log_cause in causes:
            prior = float(right + log_cause + log_share)
            pair = (version, other) if side == 0 else (other, version)
            solution = reader.solve(Reading(pair[0], pair[1], prior, fault), active)
        return solution

    solution = solve(None, float(np.log(UNTYPED_SHARE)))
    _, _, best = reader.best()
    others = np.setdiff1d(np.arange(len(panel.version_line)), np.append(own, other))
    if not len(others):
        return
    # What a named line would gain is foreseen well enough to spare those that cannot matter.
    score = reader.line_scores(solution, side)[others]
    log_share = float(np.log((1 - UNTYPED_SHARE) / len(others)))
    foreseen = solution.log_evidence + score + right + max(c for _, c in causes) + log_share
    within = foreseen >= best - CLOSE
    for v in others[np.argsort(-score, kind="stable")[:LINES_TRIED]]:
        if within[others == v].all():
            solve(int(v), log_share)
