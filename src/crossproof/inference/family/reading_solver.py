"""Solutions of the family model under each hypothesis about its parents, and their evidence.

Hypotheses in which another parent has had a part of the tag are solved with half of the plants as typed, so
that neither kind of plant drowns the other's messages; their evidence is then corrected to the share of
pods as typed that the hypothesis allows, integrated over its prior,

    P(D | hypothesis) = sum_s P(s) prod_pods [ s prod T_i + (1-s) prod O_i ],

with T_i, O_i the likelihood of plant i under the parents as typed, and under the other ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.descents import Kinds
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.parent_hypotheses import (
    OF_GENERATION,
    OTHER_PLANT,
    Fault,
    Reading,
    log_departing,
    parent_prior,
    prior_within,
)
from crossproof.inference.family.pod_shares import shared_by_pods
from crossproof.inference.family.posteriors import Priors, Start, likelihood_ratio
from crossproof.inference.family.solution import Solution
from crossproof.inference.family.two_starts import PriorPair, from_two_starts
from crossproof.inference.lines.doubt import MOST_LINES, Doubt, DoubtPart
from crossproof.inference.lines.panel import Panel
from crossproof.inference.lines.panel_block import DEPARTURE_POOL_INBREEDING
from crossproof.inference.pedigree import PAIR_RELATIONS
from crossproof.model.arrays import Floats, Ints
from crossproof.model.results import Relation
from crossproof.model.settings import Settings

GENERATIONS: tuple[tuple[Relation, float], ...] = (
    (Relation.ADVANCED, 0.7),
    (Relation.BACKCROSS_MOTHER, 0.15),
    (Relation.BACKCROSS_FATHER, 0.15),
)
"""Shares of what a tag of a later generation is, no source."""
GENERATION_CLOSE = 9.0
"""Natural-log distance from the best hypothesis within which a later generation is worth a solution."""
STRAYED = 0.005
"""Share of the plants of a tag that is wholly another plant's that are of the parents as typed after all: so
little that a plant whose data say nothing is what its sibs are. No source."""
ANOTHER = (Fault.FATHER_PLANT, Fault.MOTHER_PLANT)
LARGEST_RATIO = 6e4
"""Largest likelihood ratio that is kept of a doubt."""


@dataclass(frozen=True)
class Solved:
    """A hypothesis, its solution, `score` log prior x evidence, `typed_share` (n,) as in `Readings`; `typed`:
    the solution of the parents as typed, for the rest of a tag of which another parent has had a part."""

    reading: Reading
    solution: Solution
    score: float
    typed_share: Floats
    typed: Solution | None = None


@dataclass(frozen=True)
class _Solutions:
    """`other`: under the hypothesis' own parents; `typed`: under those as typed, where they share the tag."""

    other: Solution
    typed: Solution | None = None


class ReadingSolver:
    """Solves hypotheses about one family, each set of parents once."""

    def __init__(
        self,
        family: Family,
        panel: Panel,
        places: tuple[Ints, ...],
        settings: Settings,
        pods: Ints,
        keep_outside: bool,
    ) -> None:
        self.family, self.panel, self.places, self.settings = family, panel, places, settings
        self.keep_outside, self.pods = keep_outside, pods
        self.n_pods = int(pods.max(initial=-1)) + 1
        self._as_typed: Solved | None = None
        self.done: list[Solved] = []
        self._solutions: dict[object, _Solutions] = {}
        self._typed_alone: dict[bytes, Solution] = {}
        self._priors: dict[object, tuple[Floats, ...]] = {}
        self._inside: dict[int, tuple[Solution, Floats]] = {}
        self._learned: dict[tuple[int, int], Sequence[Floats]] = {}

    def settle_as_typed(self) -> Solved:
        """The likeliest hypothesis so far, of those as typed, to which others compare."""
        self._as_typed = self.best()
        return self._as_typed

    @property
    def as_typed(self) -> Solved:
        """The likeliest hypothesis as typed."""
        assert self._as_typed is not None
        return self._as_typed

    def set_learned(self, side: int, number: int, learned: Sequence[Floats]) -> None:
        """What the other tags of a parent's line make of it, per panel block (m, n_g)."""
        self._learned[side, number] = learned

    def prior(
        self, version: int | None, departs: float | None, learned: tuple[int, int] | None
    ) -> tuple[Floats, ...]:
        """Prior (m, n_g) of a parent plant per block at the family's markers."""
        key = (version, departs, learned)
        if key not in self._priors:
            h = self.panel.h if departs is None else departs
            blocks = zip(self.panel.blocks, self.places, strict=True)
            if learned is None:
                made = tuple(parent_prior(b, p, version, h, self.settings.inbreeding) for b, p in blocks)
            else:
                made = tuple(
                    (1 - h) * belief[p] + h * b.pool(DEPARTURE_POOL_INBREEDING)[p]
                    for (b, p), belief in zip(blocks, self._learned[learned], strict=True)
                )
            self._priors[key] = made
        return self._priors[key]

    def parent_priors(self, reading: Reading) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
        """Priors of mother and father under a hypothesis."""
        mother, father = (
            self.prior(v, d, (side, learned) if learned else None)
            for side, (v, d, learned) in enumerate(
                zip(reading.parents, reading.departs, reading.learned, strict=True)
            )
        )
        return mother, father

    def add(
        self,
        reading: Reading,
        active: Ints | None = None,
        departures: tuple[int, tuple[float, ...]] | None = None,
    ) -> Solved:
        """Weigh a hypothesis: a full solution, or one with the donors `active` only.

        `departures`: the parent (0 mother) whose departure is integrated over `DEPARTURES` with these
        weights.
        """
        if reading.key not in self._solutions:
            self._solutions[reading.key] = self._solve(reading, active)
        solutions = self._solutions[reading.key]
        log_evidence, typed_share = self.evidence(solutions)
        if departures is not None:
            log_evidence += self._over_departures(solutions.other, reading, *departures)
        score = reading.log_prior + log_evidence
        if reading.fault in ANOTHER and solutions.typed is None:
            typed_share = np.full(self.family.n, STRAYED)
        solved = Solved(reading, solutions.other, score, typed_share, solutions.typed)
        self.done.append(solved)
        return solved

    def _over_departures(
        self, solution: Solution, reading: Reading, side: int, weights: tuple[float, ...]
    ) -> float:
        """What integrating over the departure adds to the log evidence of a solution."""
        version = reading.parents[side]
        assert version is not None
        posteriors = solution.mother if side == 0 else solution.father
        solved = self.prior(version, reading.departs[side], None)
        ratios = [likelihood_ratio(*both) for both in zip(posteriors, solved, strict=True)]
        return log_departing(self.panel.blocks, self.places, version, ratios, weights)

    def foreseen_departing(self, side: int, weights: tuple[float, ...]) -> float:
        """Log evidence to be gained if a parent as typed departed by `DEPARTURES`, from its messages."""
        return self._over_departures(self.as_typed.solution, self.as_typed.reading, side, weights)

    def add_known(self, reading: Reading, solution: Solution) -> None:
        """Add a hypothesis that has been solved already."""
        self._solutions[reading.key] = _Solutions(solution)
        self.add(reading)

    def add_generations(self, as_typed: Reading, share: float) -> None:
        """Weigh the hypotheses that the whole tag is seed of a later generation, where they may count.

        `share`: their prior.
        """
        for row, log_share in self.likely_generations(share):
            self.add(
                replace(
                    as_typed,
                    log_prior=as_typed.log_prior + log_share,
                    fault=Fault.GENERATION,
                    generation=row,
                )
            )

    def likely_generations(self, share: float) -> list[tuple[int, float]]:
        """Pair relations that the whole tag may be, with their log priors, `share` in all.

        The plants' likelihoods as typed foresee what each would be worth.
        """
        solution, family = self.as_typed.solution, self.family
        total = family.log_all(solution)
        relations = [relation for relation, _ in PAIR_RELATIONS]
        likely = []
        for relation, weight in GENERATIONS:
            rows = [i for i in family.rows.tolist() if i < len(relations) and relations[i] is relation]
            for row in rows:
                log_share = float(np.log(share * weight / len(rows)))
                gain = solution.pair[row] + np.log(OF_GENERATION)
                as_others = np.log1p(-OF_GENERATION) + total
                foreseen = float((np.logaddexp(gain, as_others) - total).sum()) + log_share
                dominated = float((gain - total).min(initial=0.0)) < np.log1p(-OF_GENERATION)
                if foreseen > -GENERATION_CLOSE and not dominated:
                    likely.append((row, log_share))
        return likely

    def _log_inside(self, solution: Solution) -> Floats:
        """log of prior x likelihood (n,) of all relations to the parents of a solution."""
        if id(solution) not in self._inside:
            own, rows = self.family.priors, self.family.rows
            scores = [own.pair[:, None] + solution.pair[rows], own.donor[:, None] + solution.donor]
            self._inside[id(solution)] = solution, np.logaddexp.reduce(np.concatenate(scores), axis=0)
        return self._inside[id(solution)][1]

    def _shared_with(self, other: Solution) -> Priors:
        """Priors where half of the plants are of the parents of another solution."""
        own = self.family.priors
        half = np.log(0.5)
        return Priors(
            own.pair + half, own.donor + half, np.logaddexp(own.flat, half + self._log_inside(other))
        )

    def generation_priors(self, row: int) -> Priors:
        """Priors where most plants are of one later generation, pair relation `row`."""
        own = self.family.priors
        rest = np.log1p(-OF_GENERATION)
        pair = own.pair + rest
        place = int(np.flatnonzero(self.family.rows == row)[0])
        pair[place] = np.logaddexp(pair[place], np.log(OF_GENERATION))
        return Priors(pair, own.donor + rest, own.flat + rest)

    def evidence(self, solved: _Solutions) -> tuple[float, Floats]:
        """Log evidence of a hypothesis, and the share of plants as typed that it amounts to (n,).

        Where two sets of parents share the plants, each set's messages are worth their own normaliser, and a
        pod is of one set or of the other.
        """
        if solved.typed is None:
            return solved.other.log_evidence, np.zeros(self.family.n)
        flat = self.family.priors.flat
        typed, other = self._log_inside(solved.typed), self._log_inside(solved.other)
        with_typed, with_other = np.logaddexp(typed, flat), np.logaddexp(other, flat)
        base = solved.other.log_shared + solved.typed.log_shared
        gain, share = shared_by_pods(with_typed, with_other, self.pods, self.n_pods)
        return base + gain, share

    def _solve(self, reading: Reading, active: Ints | None) -> _Solutions:
        solve, parents = self.family.solve, self.parent_priors(reading)
        if not reading.part:
            priors = None
            if reading.fault is Fault.GENERATION:
                priors = self.generation_priors(reading.generation)
            if self.family.kinds != Kinds() and reading.fault is Fault.NONE:
                prior_of = self._within(reading, parents)
                return _Solutions(from_two_starts(self.family, parents, prior_of, active, self.keep_outside))
            as_typed = reading.fault in (Fault.NONE, Fault.GENERATION)
            start = Start.ALONE if as_typed else Start.HYBRID_OR_SELF
            return _Solutions(
                solve(*parents, start=start, active=active, priors=priors, keep_outside=self.keep_outside)
            )
        # Two sets of parents. Those as typed begin with what their tubes say alone: had they learned from all
        # plants, they would fit the others' as well. Then each set learns from the plants that are its own.
        typed = self.parent_priors(self.as_typed.reading)
        alone = self._alone(typed, active)
        first = solve(*parents, active=active, priors=self._shared_with(alone))
        learned = solve(*typed, active=active, priors=self._shared_with(first))
        other = solve(
            *parents, active=active, priors=self._shared_with(learned), keep_outside=self.keep_outside
        )
        return _Solutions(other, learned)

    def _alone(self, typed: PriorPair, active: Ints | None) -> Solution:
        """The plants by the parents as typed, each for itself, solved once for each choice of donors."""
        asked = b"" if active is None else active.tobytes()
        if asked not in self._typed_alone:
            self._typed_alone[asked] = self.family.solve(*typed, max_rounds=0, active=active)
        return self._typed_alone[asked]

    def _within(self, reading: Reading, parents: PriorPair) -> PriorPair | None:
        """Priors of the parents over a stretch in which the fixed one is not as its line; None where both
        segregate, or it was never typed."""
        segregating = (self.family.kinds.mother, self.family.kinds.father)
        version = None if all(segregating) else reading.parents[segregating.index(False)]
        if version is None:
            return None
        blocks = zip(self.panel.blocks, self.places, strict=True)
        fixed = tuple(prior_within(b, p, version) for b, p in blocks)
        return (parents[0], fixed) if segregating[0] else (fixed, parents[1])

    def strayed(self, item: Solved) -> Solution:
        """What plants of a tag that is wholly another plant's are where they are of the parents as typed
        after all: these have learned from none of them."""
        if item.reading.fault not in ANOTHER:
            return self.as_typed.solution
        return self._alone(self.parent_priors(self.as_typed.reading), None)

    def full(self, item: Solved) -> Solution:
        """The solution with every donor weighed."""
        if item.reading.fault in (Fault.NONE, Fault.GENERATION) or item.solution is self.as_typed.solution:
            return item.solution
        return self._solve(item.reading, None).other

    def best(self) -> Solved:
        """The likeliest hypothesis so far."""
        return max(self.done, key=lambda item: item.score)

    def best_as_typed(self) -> Solved:
        """The likeliest hypothesis under which parents and tag are as typed."""
        return max((d for d in self.done if d.reading.fault is Fault.NONE), key=lambda item: item.score)

    def best_naming(self, side: int, own: Sequence[Ints]) -> tuple[Reading, Solution] | None:
        """The best hypothesis in which only this parent (`side` 0 mother) is another, named line."""
        found: Solved | None = None
        for item in self.done:
            parents = item.reading.parents
            named = parents[side] is not None and parents[side] not in own[side]
            if named and parents[1 - side] in own[1 - side] and (found is None or item.score > found.score):
                found = item
        return None if found is None else (found.reading, found.solution)

    def line_scores(self, solution: Solution, side: int) -> Floats:
        """Log evidence gained (version,) by taking the untyped parent (`side` 0 mother) for a version."""
        total = np.zeros(len(self.panel.version_line))
        posteriors = solution.mother if side == 0 else solution.father
        h = self.panel.h
        for block, place, post, prior in zip(
            self.panel.blocks, self.places, posteriors, self.prior(None, None, None), strict=True
        ):
            ratio = likelihood_ratio(post, prior)
            departed = block.pool(DEPARTURE_POOL_INBREEDING)[place]
            as_line = np.einsum("mg,mvg->mv", ratio, block.consensus[place].astype(np.float64))
            gained = (1 - h) * as_line + h * (ratio * departed).sum(axis=1)[:, None]
            total += np.log(np.maximum(gained, 1e-300)).sum(axis=0)
        return total

    def doubt(self, side: int, own: Ints, line: str, cross_id: str, untyped: Solved, scores: Floats) -> Doubt:
        """What the family says of a line's typing: evidence by what its parent plant was."""
        kinds: dict[bool, list[float]] = {True: [-1e9], False: [-1e9]}
        for item in self.done:
            fault = item.reading.fault_of(side, own)
            if fault is not Fault.TUBE:
                plant = fault in OTHER_PLANT
                kinds[plant].append(item.score)
        log_tube = untyped.solution.log_evidence
        best = self.best_as_typed().reading.log_prior
        posteriors = untyped.solution.mother if side == 0 else untyped.solution.father
        parts = tuple(
            DoubtPart(
                block.k,
                block.maternal,
                block.rows[place],
                np.minimum(likelihood_ratio(post, prior), LARGEST_RATIO).astype(np.float16),
            )
            for block, place, post, prior in zip(
                self.panel.blocks, self.places, posteriors, self.prior(None, None, None), strict=True
            )
            if len(place)
        )
        by_line: dict[str, float] = {}
        for version, score in enumerate(scores.tolist()):
            name = self.panel.lines[self.panel.version_line[version]]
            if name != line:
                by_line[name] = max(by_line.get(name, -np.inf), score)
        lines = sorted(by_line, key=lambda name: (-by_line[name], name))[:MOST_LINES]
        log_tube += best
        return Doubt(
            cross_id,
            line,
            round(float(np.logaddexp.reduce(kinds[False])), 6),
            round(float(np.logaddexp.reduce(kinds[True])), 6),
            round(log_tube, 6),
            parts,
            tuple(lines),
            tuple(round(log_tube + by_line[name], 6) for name in lines),
        )
