"""Tags: who crossed what, when, with what result, and the fate of every pod and plant."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from scipy.special import expit, logit

from crossproof.model.arrays import Bools, Floats, Ints, Objects
from crossproof.simulate.plan import FaultKind, OffKind, SeasonPlan

HYBRID, SELF, OUTCROSS, OFF = range(4)
ANTHERS = 10
OFF_KINDS = tuple(OffKind)


@dataclass(frozen=True)
class Tags:
    """One entry per tag; lines are places in the panel.

    `father_plant` is the line that gave the pollen: the father on the tag except where a wrong plant was
    used. `p_self` is the chance that a pod of this tag is selfed, given that its seed belongs here.
    """

    cross_id: Objects
    mother: Ints
    father: Ints
    father_plant: Ints
    operator: Ints
    date: Objects
    minute: Ints  # of the day
    temperature: Floats
    anthers_removed: Ints
    flowers: Ints
    pods: Ints
    seeds: Ints
    plants: Ints
    p_self: Floats


@dataclass(frozen=True)
class Fates:
    """One entry per plant.

    `made` is the tag whose parent plants made it, `tag` the tag it carries (different where tags were
    swapped). `donor` is the pollen donor of an outcross or the line of an `other line`, `source` the other
    tag of an `other cross`, -1 elsewhere; donors count through the panel and on into the hidden lines.
    `variant` 0 to 3: which generation an advanced plant is of, or (even, odd) to which parent a backcross
    went.
    """

    made: Ints
    tag: Ints
    pod: Ints
    fate: Ints
    off_kind: Ints
    donor: Ints
    source: Ints
    variant: Ints


def other_than(n: int, taken: Ints, rng: np.random.Generator) -> Ints:
    """A number below n for each row of `taken` (row, t), none of which it may equal."""
    drawn = rng.integers(0, n, len(taken))
    while True:
        again = np.flatnonzero((drawn[:, None] == taken).any(axis=1))
        if not len(again):
            return drawn
        drawn[again] = rng.integers(0, n, len(again))


def draw_tags(plan: SeasonPlan, group: Ints, rng: np.random.Generator) -> Tags:
    """Crosses between panel lines, made by operators over the days of the season."""
    n, n_panel = plan.n_crosses, len(group)
    if plan.fathers_have_sisters:
        father = rng.integers(0, plan.sister_groups, n)
    else:
        father = rng.integers(0, plan.n_lines, n)
    mother = other_than(plan.n_lines, father[:, None], rng)
    while True:  # a mother out of the father's own sister group would be no cross
        same = np.flatnonzero((group[mother] == group[father]) & (group[mother] >= 0))
        if not len(same):
            break
        mother[same] = other_than(plan.n_lines, father[same, None], rng)
    father_plant = father.copy()
    wrong = np.flatnonzero(rng.random(n) < plan.wrong_fathers)
    father_plant[wrong] = other_than(n_panel, np.stack([mother[wrong], father[wrong]], axis=1), rng)

    operator = rng.integers(0, len(plan.operators), n)
    day = np.sort(rng.integers(0, plan.days, n))
    first = date.fromisoformat(plan.first_day)
    days = np.array([(first + timedelta(days=int(d))).isoformat() for d in day], dtype=object)
    minute = 7 * 60 + 5 * rng.integers(0, 108, n)
    hour = minute / 60
    temperature = np.round(24 + 4 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 2.5, n), 1)
    missed = np.array([p.anthers_left for p in plan.operators])[operator]
    removed = ANTHERS - np.minimum(rng.poisson(missed), ANTHERS)

    effect = np.array([p.effect for p in plan.operators])
    mother_effect = rng.normal(0, plan.mother_spread, n_panel)
    p_self = expit(
        logit(plan.base_self)
        + effect[operator]
        + plan.hour_effect * (hour - 9)
        + plan.temperature_effect * (temperature - 24)
        + plan.anther_effect * (ANTHERS - removed)
        + mother_effect[mother]
    )
    empty = rng.random(n) < plan.empty_tags
    pods = np.maximum(rng.binomial(plan.flowers_per_tag, plan.pod_set, n), 1)
    seeds = pods + rng.poisson((plan.seeds_per_pod - 1) * pods)
    plants = np.full(n, plan.plants_per_cross)
    seeds = np.maximum(seeds, plants)
    pods, seeds, plants = (np.where(empty, 0, x) for x in (pods, seeds, plants))
    width = max(3, len(str(n)))
    cross_id = np.array([f"C{i + 1:0{width}d}" for i in range(n)], dtype=object)
    return Tags(
        cross_id, mother, father, father_plant, operator, days, minute, temperature, removed,
        np.full(n, plan.flowers_per_tag), pods, seeds, plants, p_self,
    )  # fmt: skip


def draw_fates(plan: SeasonPlan, tags: Tags, group: Ints, rng: np.random.Generator) -> Fates:
    """What became of every pod, and of every plant grown from it."""
    made = np.repeat(np.arange(plan.n_crosses), tags.plants)
    within = np.arange(len(made)) - np.repeat(np.cumsum(tags.plants) - tags.plants, tags.plants)
    pod = within % np.maximum(tags.pods[made], 1)
    pod_start = np.cumsum(tags.pods) - tags.pods
    pod_tag = np.repeat(np.arange(plan.n_crosses), tags.pods)

    by_pod = _draw(plan, tags, group, pod_tag, rng)
    alone = _draw(plan, tags, group, made, rng)
    u = rng.random(len(made))
    follows, shares = u < plan.pod_correlation, u < plan.pod_correlation * plan.pod_donors
    own = pod_start[made] + pod
    fate = np.where(follows, by_pod.fate[own], alone.fate)
    off_kind, donor, hidden, unknown, source, variant = (
        np.where(shares, p[own], a) for p, a in zip(by_pod.rest, alone.rest, strict=True)
    )
    line = (fate == OFF) & (off_kind == OFF_KINDS.index(OffKind.OTHER_LINE))
    nobody = (fate == OFF) & (off_kind == OFF_KINDS.index(OffKind.UNKNOWN))
    if plan.hidden_lines:
        donor = np.where(nobody | ((fate == OUTCROSS) & unknown), hidden, donor)
    donor = np.where((fate == OUTCROSS) | line | nobody, donor, -1)
    other_cross = (fate == OFF) & (off_kind == OFF_KINDS.index(OffKind.OTHER_CROSS))
    source = np.where(other_cross, source, -1)
    return Fates(made, borne_tags(plan, tags)[made], pod + 1, fate, off_kind, donor, source, variant)


@dataclass(frozen=True)
class _Draws:
    """One draw for each of many plants or pods: `fate`, and what it would be of under each fate.

    `rest`: off-pedigree kind, panel donor, hidden donor, whether an outcross is by a hidden donor, source
    tag, variant.
    """

    fate: Ints
    rest: tuple[Ints | Bools, ...]


def _draw(plan: SeasonPlan, tags: Tags, group: Ints, tag: Ints, rng: np.random.Generator) -> _Draws:
    """One draw for each entry of `tag`."""
    n, n_panel = len(tag), len(group)
    u = rng.random(n)
    stays = u >= plan.off_pedigree + plan.outcross
    selfed = rng.random(n) < tags.p_self[tag]
    fate = np.where(u < plan.off_pedigree, OFF, np.where(~stays, OUTCROSS, np.where(selfed, SELF, HYBRID)))

    weights = np.array([dict(plan.off_kinds).get(kind, 0.0) for kind in OFF_KINDS])
    off_kind = rng.choice(len(OFF_KINDS), size=n, p=weights / weights.sum())
    taken = np.stack([tags.mother[tag], tags.father[tag], tags.father_plant[tag]], axis=1)
    donor = other_than(n_panel, taken, rng)
    hidden = n_panel + rng.integers(0, max(1, plan.hidden_lines), n)
    unknown = rng.random(n) < plan.unknown_donors
    if plan.sister_donors:
        wanted = (rng.random(n) < plan.sister_donors) & (group[tags.father[tag]] >= 0)
        unknown &= ~wanted
        for i in np.flatnonzero(wanted):
            kin = np.flatnonzero(group == group[tags.father[tag[i]]])
            kin = kin[(kin != tags.father[tag[i]]) & (kin != tags.mother[tag[i]])]
            donor[i] = kin[rng.integers(len(kin))]
    source = rng.integers(0, plan.n_crosses, n)
    variant = rng.integers(0, 4, n)
    return _Draws(fate, (off_kind, donor, hidden, unknown, source, variant))


def borne_tags(plan: SeasonPlan, tags: Tags) -> Ints:
    """For every cross the tag its pods bear, after SWAP_TAGS faults; an exchange, so its own inverse."""
    place = {name: i for i, name in enumerate(tags.cross_id)}
    tag = np.arange(len(tags.cross_id))
    for fault in plan.faults:
        if fault.kind is FaultKind.SWAP_TAGS:
            a, b = place[fault.target], place[fault.other]
            tag[[a, b]] = tag[[b, a]]
    return tag
