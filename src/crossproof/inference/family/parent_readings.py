"""Weighing the hypotheses about a family's parents and tag by their evidence.

Under each hypothesis (`parent_hypotheses`) the family model judges all plants; plants' probabilities are
the mean over hypotheses, weighed by prior x evidence. A wrong tube and another plant explain one tag alike:
its plants agree on a parent other than the one typed. What tells them apart is how many tubes of the line
agree, and whether the line's other tags demand the same other genotype (`line_doubts`). Where another plant
has had a part of the tag only, the share of pods as typed is integrated with mass at "none": a foreign pod
is one event, however many plants of it were typed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.family.family_model import Family
from crossproof.inference.family.parent_hypotheses import (
    DEPARTURE_SOLVED,
    HETEROGENEOUS_WEIGHTS,
    Fault,
    Reading,
    Readings,
    log_sizes,
)
from crossproof.inference.family.parent_search import OtherLines, ParentSearch
from crossproof.inference.family.reading_solver import ReadingSolver, Solved
from crossproof.inference.family.solution import Solution
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.line_doubts import (
    belief_about,
    heterogeneous_share,
)
from crossproof.inference.lines.panel import Panel
from crossproof.inference.pedigree import PAIR_RELATIONS, pollen_table
from crossproof.model.arrays import Floats, Ints
from crossproof.model.results import Relation
from crossproof.model.settings import Settings

CLEAR = 0.9
"""Posterior at or above which a hybrid as typed supports the parents as typed."""
ODD = 0.5
"""Posterior of hybrid and self together below which a plant asks for another explanation."""
DEPARTS = 0.04
"""Least expected share of departing markers at or above which other hypotheses are tried."""
DEPARTS_ERRORS = 1.5
"""Standard errors above the run's departure, as many markers allow, that it takes as well."""
DEPARTING_LOOK = 0.05
"""Odds of a heterogeneous line, foreseen from the messages as typed, at or above which one is looked at."""
NEGLIGIBLE = 1e-4
"""Weight of a hypothesis below which it is dropped."""
FULL_LOOK = 0.01
"""Weight at or above which every donor is weighed under a hypothesis, not those of the first one alone."""
POD_GAIN = 5.0
"""Natural-log gain of a pod's plants under pollen of a relative that asks for a look at parts of the tag."""


def read_parents(
    family: Family,
    panel: Panel,
    places: tuple[Ints, ...],
    settings: Settings,
    mother: str,
    father: str,
    *,
    pods: Ints,
    lines: OtherLines,
    cross_id: str = "",
    keep_outside: bool = False,
) -> Readings:
    """Weigh the hypotheses about a family's parents and tag.

    `mother`, `father`: line names, "" where unknown; `pods` (n,): number of each plant's pod, the plants
    themselves where pods are not recorded; `lines`: the typed lines but these two; `cross_id`: the family's
    name, so that its own say about its parents' tubes is left out of the prior; `keep_outside`: for the run's
    estimates, see `Solution.outside`.
    """
    tag = _Tag((mother, father), [panel.versions(mother), panel.versions(father)], cross_id)
    solver = ReadingSolver(family, panel, places, settings, pods, keep_outside)
    trusting = settings.wrong_plant <= 0
    _add_as_typed(solver, panel, tag, trusting)
    as_typed = solver.settle_as_typed()
    plain = _plain(solver, as_typed.solution)
    doubts: tuple[Doubt | None, Doubt | None] = (None, None)
    if not trusting:
        solver.add_generations(as_typed.reading, panel.tag_rates.generation)
        # The gametes of a heterozygous parent are judged by its own two copies: other plants cannot be
        # weighed against it on one scale.
        if all(tag.known) and not (panel.segregates(mother) or panel.segregates(father)):
            look = _what_to_look_at(solver, plain, panel, places, tag, keep_outside)
            if any(map(any, look.may)) or any(look.departs):
                doubts = _add_others(solver, panel, tag, look, lines, settings)
    return _weighed(solver, plain, doubts)


def only_as_typed(
    family: Family,
    panel: Panel,
    places: tuple[Ints, ...],
    settings: Settings,
    parents: tuple[int, int],
    pods: Ints,
    solution: Solution,
) -> bool:
    """Whether `read_parents` for the run's estimates would weigh no hypothesis but the one as typed.

    `parents`: the only version of either line, neither of them segregating; `solution`: of that hypothesis.
    """
    solver = ReadingSolver(family, panel, places, settings, pods, keep_outside=True)
    solver.add_known(Reading(*parents, 0.0), solution)
    as_typed = solver.settle_as_typed()
    if solver.likely_generations(panel.tag_rates.generation):
        return False
    return not any(map(any, _what_may_be(solver, _plain(solver, as_typed.solution), panel, places)))


@dataclass(frozen=True)
class _Tag:
    """The parents as typed: `lines`, "" where unknown, and `own`, their versions."""

    lines: tuple[str, str]
    own: list[Ints]
    cross_id: str

    @property
    def known(self) -> list[bool]:
        return [len(versions) > 0 for versions in self.own]


@dataclass(frozen=True)
class _Look:
    """Which parents other hypotheses are tried for, mother and father.

    `may`: as `_what_may_be` gives it; `departs`: that its line may be heterogeneous alone; `varied`: share of
    heterogeneous lines expected of each.
    """

    may: tuple[tuple[bool, bool], tuple[bool, bool]]
    departs: tuple[bool, bool]
    varied: list[float]


def _add_as_typed(solver: ReadingSolver, panel: Panel, tag: _Tag, trusting: bool) -> None:
    """Add the hypotheses under which the tag is right, one for each pair of the lines' versions.

    `trusting`: tags are never wrong.
    """
    own, known, rates = tag.own, tag.known, panel.tag_rates
    log_own = [log_sizes(panel, versions) for versions in own]
    log_right = 0.0 if trusting else float(np.log1p(-rates.wrong_plant))
    for i, m in enumerate(own[0] if known[0] else [None]):
        for j, f in enumerate(own[1] if known[1] else [None]):
            log_prior = log_own[0][i] + log_own[1][j] + sum(known) * log_right
            version_m, version_f = (None if v is None else int(v) for v in (m, f))
            solver.add(Reading(version_m, version_f, float(log_prior)))
            if version_f is None and tag.lines[1] and not trusting:
                # Nothing typed tells the father on the tag from another plant that gave all the pollen.
                log_other = float(log_prior + np.log(rates.wrong_plant) - log_right)
                solver.add(Reading(version_m, None, log_other, Fault.FATHER_PLANT))


def _what_to_look_at(
    solver: ReadingSolver,
    plain: Floats,
    panel: Panel,
    places: tuple[Ints, ...],
    tag: _Tag,
    keep_outside: bool,
) -> _Look:
    """Where the plants, judged as typed, ask for other hypotheses.

    `plain` as in `_what_may_be`, `keep_outside` as in `read_parents`.
    """
    may = _what_may_be(solver, plain, panel, places)
    varied = [heterogeneous_share(panel, line, tag.cross_id) for line in tag.lines]
    # Not for the run's estimates: of parents that all depart somewhat, those that do so least would be
    # left to tell how much parents depart.
    departs = [
        not keep_outside and not any(may[side]) and _may_depart(solver, side, varied[side]) for side in (0, 1)
    ]
    return _Look(may, (departs[0], departs[1]), varied)


def _add_others(
    solver: ReadingSolver, panel: Panel, tag: _Tag, look: _Look, lines: OtherLines, settings: Settings
) -> tuple[Doubt | None, Doubt | None]:
    """Add the hypotheses under which a parent is another than typed; what they say of either's typing."""
    as_typed, own = solver.as_typed, tag.own
    beliefs = [belief_about(panel, line, tag.cross_id, settings) for line in tag.lines]
    search = ParentSearch(solver, panel, own, beliefs, look.varied, panel.tag_rates.wrong_plant, lines)
    tried: list[tuple[Solved, Floats] | None] = [None, None]
    for side in (0, 1):
        if look.departs[side]:
            search.departing(as_typed.reading, as_typed.solution, side)
        elif any(look.may[side]):
            tried[side] = search.others(as_typed.reading, as_typed.solution, side, *look.may[side])
    # Under a swapped tag neither parent is found while the other is taken as typed: the second is sought
    # from the best hypothesis that names the first, even where leaving it unnamed explains more so far.
    for side in (1, 0) if solver.best().reading.fault is not Fault.NONE else ():
        named = solver.best_naming(1 - side, own)
        if named is not None:
            search.others(*named, side)
    doubts: list[Doubt | None] = [None, None]
    for side, looked in enumerate(tried):
        if looked is not None and not looked[0].reading.part:
            doubts[side] = solver.doubt(side, own[side], tag.lines[side], tag.cross_id, *looked)
    return doubts[0], doubts[1]


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
        tuple(items[i].typed or solver.strayed(items[i]) for i in keep),
        tuple(items[i].typed_share for i in keep),
        doubts,
    )


def _plain(solver: ReadingSolver, solution: Solution) -> Floats:
    """Posteriors (n, 2) of hybrid and self, the first two pair relations."""
    priors, rows = solver.family.priors, solver.family.rows[:2]
    return np.asarray(np.exp(priors.pair[:2, None] + solution.pair[rows] - solver.family.log_all(solution)).T)


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


def _may_depart(solver: ReadingSolver, side: int, varied: float) -> bool:
    """Whether a plant that departs from its line may be likely enough for a look, where nothing else asks.

    Foreign alleles at markers that the parents share may be of either; each parent alone then departs little.
    """
    version = solver.as_typed.reading.parents[side]
    if version is None:
        return False
    odds = np.log(varied) + solver.foreseen_departing(side, HETEROGENEOUS_WEIGHTS)
    return bool(odds >= np.log(DEPARTING_LOOK))


def _what_may_be(
    solver: ReadingSolver, plain: Floats, panel: Panel, places: tuple[Ints, ...]
) -> tuple[tuple[bool, bool], tuple[bool, bool]]:
    """Whether another mother, and another father, may explain more than those as typed: of the whole tag, and
    of a part of it.

    `plain` (n, 2): posteriors of hybrid and self as typed. Two clear hybrids of parents that do not depart
    rule out another parent of the whole tag, and one odd plant is judged as well by itself as with another
    parent. An odd plant with an allele of the mother's everywhere speaks of the father alone, any
    other of the mother.
    """
    crossed = _outcross(solver, solver.as_typed.solution)
    odd = plain.sum(axis=1) < ODD
    hybrids = int((plain[:, 0] >= CLEAR).sum())
    departs = _departing_parents(solver, panel, places) or not solver.as_typed.solution.converged
    kin = solver.n_pods > 1 and _pod_of_relative(solver, plain, panel, places)
    may = []
    for speaks in (odd & (crossed < CLEAR), odd & (crossed > 1 - CLEAR)):
        doubtful = int(speaks.sum())
        whole = departs or (doubtful > 0 and hybrids < 2)
        part = solver.n_pods > 1 and (departs or kin or (doubtful > 1 and hybrids > 0))
        may.append((whole, part))
    return may[0], may[1]


def _pod_of_relative(solver: ReadingSolver, plain: Floats, panel: Panel, places: tuple[Ints, ...]) -> bool:
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
    crossed = plain[:, 0] >= ODD
    by_pod = np.bincount(solver.pods[crossed], gain[crossed], solver.n_pods)
    return bool(by_pod.max(initial=0.0) > POD_GAIN)


def _outcross(solver: ReadingSolver, solution: Solution) -> Floats:
    """Posterior (n,) of the mother's seed by pollen of any donor but the father, or of a gamete that lacks
    some of the father's alleles, as a backcross to her has it."""
    priors, rows, total = solver.family.priors, solver.family.rows, solver.family.log_all(solution)
    hers = [PAIR_RELATIONS[row][0] is Relation.BACKCROSS_MOTHER for row in rows.tolist()]
    by_donor = np.exp(priors.donor[:, None] + solution.donor - total)
    by_pair = np.exp(priors.pair[hers, None] + solution.pair[rows[hers]] - total)
    return np.asarray(by_donor.sum(axis=0) + by_pair.sum(axis=0))


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
