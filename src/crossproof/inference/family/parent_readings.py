"""Weighing the hypotheses about a family's parents and tag by their evidence.

Under each hypothesis (`parent_hypotheses`) the family model judges all plants; plants' probabilities are
the mean over hypotheses, weighed by prior x evidence. A wrong tube and another plant explain one tag alike:
its plants agree on a parent other than the one typed. What tells them apart is how many tubes of the line
agree, and whether the line's other tags demand the same other genotype (`line_doubts`). Where another plant
has had a part of the tag only, the share of pods as typed is integrated with mass at "none": a foreign pod
is one event, however many plants of it were typed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from crossproof.inference.family.family_model import Family, Solution
from crossproof.inference.family.parent_hypotheses import (
    DEPARTURE_SOLVED,
    GRAVITY,
    HETEROGENEOUS_WEIGHTS,
    RELATIVE_SHARE,
    RELATIVE_WEIGHTS,
    WHOLE_SHARE,
    Fault,
    Reading,
    Readings,
    log_sizes,
)
from crossproof.inference.family.reading_solver import ReadingSolver, Solved
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.line_doubts import (
    UNTYPED_SHARE,
    TubeBelief,
    belief_about,
    heterogeneous_share,
)
from crossproof.inference.lines.panel import Panel
from crossproof.inference.pedigree import pollen_table
from crossproof.model.arrays import Floats, Ints
from crossproof.model.settings import Settings

CLEAR = 0.9
"""Posterior from which on a hybrid as typed speaks for the parents as typed."""
ODD = 0.5
"""Posterior of hybrid and self together below which a plant asks for another explanation."""
DEPARTS = 0.04
"""Least expected share of departing markers at or above which other hypotheses are tried."""
DEPARTS_ERRORS = 1.5
"""Standard errors above the run's departure, as many markers allow, that it takes as well."""
NEGLIGIBLE = 1e-4
"""Weight of a hypothesis below which it is dropped."""
FULL_LOOK = 0.01
"""Weight at or above which every donor is weighed under a hypothesis, not those of the first one alone."""
LINES_TRIED = 2
"""Panel lines tried in place of one that its progeny contradict."""
POD_GAIN = 5.0
"""Natural-log gain of a pod's plants under pollen of a relative that asks for a look at parts of the tag."""
PART_CLOSE = 4.0
"""Natural-log distance below the parents as typed within which an untyped parent of a part of the tag, of the
kinds of which the likeliest is not yet known, is looked at further."""
CLOSE = 12.0
"""Natural-log distance from the best hypothesis within which foreseen evidence is worth a solution."""


def read_parents(
    family: Family,
    panel: Panel,
    places: tuple[Ints, ...],
    settings: Settings,
    mother: str,
    father: str,
    *,
    pods: Ints,
    cross_id: str = "",
    keep_outside: bool = False,
) -> Readings:
    """Weigh the hypotheses about a family's parents and tag.

    `mother`, `father`: line names, "" where unknown; `pods` (n,): number of each plant's pod, the plants
    themselves where pods are not recorded; `cross_id`: the family's name, so that its own say about its
    parents' tubes is left out of the prior.
    """
    solver = ReadingSolver(family, panel, places, settings, pods, keep_outside)
    own = [panel.versions(mother), panel.versions(father)]
    known = [len(versions) > 0 for versions in own]
    log_own = [log_sizes(panel, versions) for versions in own]
    rates = panel.tag_rates
    trusting = settings.wrong_plant <= 0
    log_right = 0.0 if trusting else float(np.log1p(-rates.wrong_plant))
    for i, m in enumerate(own[0] if known[0] else [None]):
        for j, f in enumerate(own[1] if known[1] else [None]):
            log_prior = log_own[0][i] + log_own[1][j] + sum(known) * log_right
            version_m, version_f = (None if v is None else int(v) for v in (m, f))
            solver.add(Reading(version_m, version_f, float(log_prior)))
    as_typed = solver.settle_as_typed()
    plain = _plain(solver, as_typed.solution)
    doubts: list[Doubt | None] = [None, None]
    tried: list[tuple[Solved, Floats] | None] = [None, None]
    if not trusting:
        solver.add_generations(as_typed.reading, rates.generation)
    may: tuple[tuple[bool, bool], tuple[bool, bool]] = ((False, False), (False, False))
    # The gametes of a heterozygous parent are judged by its own two copies: other plants cannot be weighed
    # against it on one scale.
    if all(known) and not trusting and not (panel.segregates(mother) or panel.segregates(father)):
        may = _what_may_be(solver, plain, panel, places)
    if any(map(any, may)):
        beliefs = [belief_about(panel, line, cross_id, settings) for line in (mother, father)]
        varied = [heterogeneous_share(panel, line, cross_id) for line in (mother, father)]
        search = _Search(solver, panel, own, beliefs, varied, rates.wrong_plant)
        for side in (0, 1):
            if any(may[side]):
                tried[side] = search.others(as_typed.reading, as_typed.solution, side, *may[side])
        # Under a swapped tag neither parent is found while the other is taken as typed: the second is sought
        # from the best hypothesis that names the first, even where leaving it unnamed explains more so far.
        for side in (1, 0) if solver.best().reading.fault is not Fault.NONE else ():
            named = solver.best_naming(1 - side, own)
            if named is not None:
                search.others(*named, side)
        for side, line in ((0, mother), (1, father)):
            looked = tried[side]
            if looked is not None and not looked[0].reading.part:
                doubts[side] = solver.doubt(side, own[side], line, cross_id, *looked)
    return _weighed(solver, plain, (doubts[0], doubts[1]))


def _weighed(solver: ReadingSolver, plain: Floats, doubts: tuple[Doubt | None, Doubt | None]) -> Readings:
    """The hypotheses that count, with every donor weighed under those that count most."""
    items = sorted(solver.done, key=lambda item: -item.score)
    score = np.array([item.score for item in items])
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    keep = np.flatnonzero(weight >= NEGLIGIBLE).tolist()
    return Readings(
        tuple(items[i].reading for i in keep),
        tuple(solver.full(items[i]) if weight[i] >= FULL_LOOK else items[i].solution for i in keep),
        weight[keep] / weight[keep].sum(),
        plain,
        tuple(items[i].typed or solver.as_typed.solution for i in keep),
        tuple(items[i].typed_share for i in keep),
        doubts,
    )


def _plain(solver: ReadingSolver, solution: Solution) -> Floats:
    """Posteriors (n, 2) of hybrid and self, the first two pair relations."""
    priors = solver.family.priors
    pair, donor = solution.pair[solver.family.rows], solution.donor
    scores = np.concatenate([priors.pair[:, None] + pair, priors.donor[:, None] + donor, priors.flat[None]])
    return np.asarray(np.exp(scores[:2] - np.logaddexp.reduce(scores, axis=0)).T)


def _departing_parents(solver: ReadingSolver, panel: Panel, places: tuple[Ints, ...]) -> bool:
    """Whether a parent plant departs from its tube at more markers than plants of the run do."""
    best = solver.as_typed
    solution = best.solution
    for version, posteriors in zip(best.reading.parents, (solution.mother, solution.father), strict=True):
        departed, count = departed_share(panel, places, version, posteriors)
        if count:
            chance = panel.h + DEPARTS_ERRORS * np.sqrt(panel.h * (1 - panel.h) / count)
            if departed > max(DEPARTS, chance):
                return True
    return False


def _what_may_be(
    solver: ReadingSolver, plain: Floats, panel: Panel, places: tuple[Ints, ...]
) -> tuple[tuple[bool, bool], tuple[bool, bool]]:
    """Whether another mother, and another father, may explain more than those as typed: of the whole tag, and
    of a part of it.

    `plain` (n, 2): posteriors of hybrid and self as typed. Two clear hybrids of parents that do not depart
    rule out another parent of the whole tag, and one odd plant is judged as well by itself as with another
    parent. An odd plant that is the mother's outcross speaks of the father alone, any other of the mother.
    """
    crossed = _outcross(solver, solver.as_typed.solution)
    odd = plain.sum(axis=1) < ODD
    hybrids = int((plain[:, 0] >= CLEAR).sum())
    departs = _departing_parents(solver, panel, places) or not solver.as_typed.solution.converged
    kin = solver.n_pods > 1 and _pod_of_relative(solver, panel, places)
    may = []
    for speaks in (odd & (crossed < CLEAR), odd & (crossed > 1 - CLEAR)):
        doubtful = int(speaks.sum())
        whole = departs or (doubtful > 0 and hybrids < 2)
        part = solver.n_pods > 1 and (departs or kin or (doubtful > 1 and hybrids > 0))
        may.append((whole, part))
    return may[0], may[1]


def _pod_of_relative(solver: ReadingSolver, panel: Panel, places: tuple[Ints, ...]) -> bool:
    """Whether the hybrids of some pod, taken together, fit pollen of a relative of the father far better.

    Few markers tell a relative from the father: each plant alone passes for a hybrid with some miscalls.
    """
    mother, father = solver.as_typed.reading.parents
    if mother is None or father is None:
        return False
    relative = np.zeros(solver.family.n)
    blocks = zip(solver.family.blocks, panel.blocks, places, strict=True)
    for block, of_panel, place in blocks:
        if len(place) and not block.maternal:
            of_father = of_panel.gametes[place, father]
            pollen = (1 - DEPARTURE_SOLVED) * of_father + DEPARTURE_SOLVED * of_panel.q[place]
            seed = of_panel.consensus[place, mother]
            child = np.einsum("mg,ma,gac->mc", seed, pollen, pollen_table(block.k))
            relative += np.log(np.einsum("mnc,mc->nm", block.like, child)).sum(axis=1)
    gain = relative - solver.as_typed.solution.pair[0]
    crossed = _plain(solver, solver.as_typed.solution)[:, 0] >= ODD
    by_pod = np.bincount(solver.pods[crossed], gain[crossed], solver.n_pods)
    return bool(by_pod.max(initial=0.0) > POD_GAIN)


def _outcross(solver: ReadingSolver, solution: Solution) -> Floats:
    """Posterior (n,) of pollen of any donor but the father."""
    priors = solver.family.priors
    pair, donor = solution.pair[solver.family.rows], solution.donor
    scores = np.concatenate([priors.pair[:, None] + pair, priors.donor[:, None] + donor, priors.flat[None]])
    posterior = np.exp(scores - np.logaddexp.reduce(scores, axis=0))
    return np.asarray(posterior[len(pair) : -1].sum(axis=0))


def departed_share(
    panel: Panel, places: tuple[Ints, ...], version: int | None, posteriors: tuple[Floats, ...]
) -> tuple[float, int]:
    """Expected share of markers at which a parent plant is not as its version, and the markers looked at."""
    same, count = 0.0, 0
    if version is not None:
        for block, place, post in zip(panel.blocks, places, posteriors, strict=True):
            if len(place):
                line = block.consensus[place, version].argmax(axis=1)
                same += float(post[np.arange(len(place)), line].sum())
                count += len(place)
    return 1 - same / max(count, 1), count


class _Search:
    """Tries other parents in place of those as typed."""

    def __init__(
        self,
        solver: ReadingSolver,
        panel: Panel,
        own: list[Ints],
        beliefs: list[TubeBelief],
        varied: list[float],
        wrong_plant: float,
    ) -> None:
        self.solver, self.panel, self.own, self.beliefs = solver, panel, own, beliefs
        self.varied, self.log_plant = varied, float(np.log(wrong_plant))
        self.log_right = float(np.log1p(-wrong_plant))

    def others(
        self, base: Reading, base_solution: Solution, side: int, whole: bool = True, part: bool = False
    ) -> tuple[Solved, Floats] | None:
        """Solve the hypotheses that differ from `base` in one parent (`side` 0 mother, 1 father).

        `whole`, `part`: whether the other parent may have had the whole tag, and a part of it.

        The one with a plant of the pool in its place, and what each version (version,) would gain over it.
        """
        solver = self.solver
        active = base_solution.active
        other = base.parents[1 - side]
        if other is None:
            return None
        right = base.log_prior - self.log_right
        plant = Fault.MOTHER_PLANT if side == 0 else Fault.FATHER_PLANT

        def reading(version: int | None, log_prior: float, fault: Fault, **more: object) -> Reading:
            pair = (version, other) if side == 0 else (other, version)
            # where both parents are wrong the graver fault decides what the plants are: seed of another
            # mother is off pedigree whatever the pollen was, as under a swapped tag
            fault = max(fault, base.fault, key=GRAVITY.index)
            return Reading(pair[0], pair[1], float(log_prior), fault, **more)  # type: ignore[arg-type]

        parts = tuple(p for p, may in ((False, whole), (True, part)) if may)
        log_part = {False: float(np.log(WHOLE_SHARE)), True: float(np.log1p(-WHOLE_SHARE))}
        if self.solver.n_pods == 1 or base.fault is not Fault.NONE:
            log_part[False] = 0.0
        found: list[Solved] = []
        for some in parts:
            log_cause = self.log_plant + np.log(UNTYPED_SHARE) + log_part[some]
            found.append(solver.add(reading(None, right + log_cause, plant, part=some), active))
        # Another parent of a part of the tag that is no better as an untyped plant is no better as any.
        best = solver.best_as_typed().score
        found = [one for one in found if not one.reading.part or one.score > best - PART_CLOSE] or found[:1]
        parts = tuple(one.reading.part for one in found)
        if False in parts:
            self._other_line(reading, side, right, plant, active)
        if base.fault is Fault.NONE and base.parents[side] is not None:
            self._departing(reading, base, side, right, plant, active, {p: log_part[p] for p in parts})
        scores = [
            self._named(reading, one, side, right, plant, active, other, log_part[one.reading.part])
            for one in found
        ]
        return found[0], scores[0]

    def _other_line(
        self, reading: Callable[..., Reading], side: int, right: float, plant: Fault, active: Ints
    ) -> None:
        """The parent is of a line never typed, as the line's other tags demand it: the tube was wrong, or the
        plant in the nursery."""
        solver, belief = self.solver, self.beliefs[side]
        tube = reading(None, right + self.log_right + belief.log_odds + belief.log_untyped, Fault.TUBE)
        if not belief.modes:
            solver.add(tube, active)
        for number, mode in enumerate(belief.modes, 1):
            one = replace(tube, log_prior=tube.log_prior + mode.log_share)
            if not mode.learned:
                solver.add(one, active)
                continue
            solver.set_learned(side, number, mode.learned)
            one = replace(one, learned=(number, 0) if side == 0 else (0, number))
            solver.add(one, active)
            log_field = right + self.log_right + belief.log_odds_field + belief.log_untyped + mode.log_share
            fault = max(plant, tube.fault, key=GRAVITY.index)
            solver.add(replace(one, fault=fault, log_prior=log_field), active)

    def _departing(
        self,
        reading: Callable[..., Reading],
        base: Reading,
        side: int,
        right: float,
        plant: Fault,
        active: Ints,
        log_part: dict[bool, float],
    ) -> None:
        """A relative of the line, for the tag or a part of it; a plant of a heterogeneous line."""
        own = base.parents[side]
        departs = (DEPARTURE_SOLVED, None) if side == 0 else (None, DEPARTURE_SOLVED)
        for part, log_share in log_part.items():
            log_cause = self.log_plant + np.log(RELATIVE_SHARE) + log_share
            one = reading(own, right + log_cause, plant, departs=departs, part=part)
            self.solver.add(one, active, departures=(side, RELATIVE_WEIGHTS))
        if False in log_part:
            log_cause = self.log_right + np.log(self.varied[side])
            one = reading(own, right + log_cause, Fault.HETEROGENEOUS, departs=departs)
            self.solver.add(one, active, departures=(side, HETEROGENEOUS_WEIGHTS))

    def _named(
        self,
        reading: Callable[..., Reading],
        untyped: Solved,
        side: int,
        right: float,
        plant: Fault,
        active: Ints,
        other: int,
        log_part: float,
    ) -> Floats:
        """Try the panel lines that promise most; log evidence (version,) that each gains over the pool."""
        solver, panel, belief = self.solver, self.panel, self.beliefs[side]
        part = untyped.reading.part
        scores = solver.line_scores(untyped.solution, side)
        others = np.setdiff1d(np.arange(len(panel.version_line)), np.append(self.own[side], other))
        if not len(others):
            return scores
        n_lines = max(len(panel.lines) - 1, 1)
        log_named = float(np.log((1 - UNTYPED_SHARE - RELATIVE_SHARE) / len(others)))
        log_cause = np.full(len(others), self.log_plant + log_named + log_part)
        log_tube = np.full(len(others), -np.inf)
        if not part:
            log_lines = np.array(
                [belief.log_line(panel.lines[line], n_lines) for line in panel.version_line[others]]
            )
            log_tube = self.log_right + belief.log_odds + log_lines
            if belief.modes:
                log_cause = np.logaddexp(log_cause, self.log_right + belief.log_odds_field + log_lines)
        # What a named line would gain is foreseen well enough to spare those that cannot matter.
        evidence = untyped.score - untyped.reading.log_prior
        foreseen = evidence + scores[others] + right + np.maximum(log_cause, log_tube)
        within = foreseen >= solver.best().score - CLOSE
        for i in np.argsort(-foreseen, kind="stable")[:LINES_TRIED]:
            if within[i]:
                version = int(others[i])
                solver.add(reading(version, right + log_cause[i], plant, part=part), active)
                if not part:
                    solver.add(reading(version, right + log_tube[i], Fault.TUBE), active)
        return scores
