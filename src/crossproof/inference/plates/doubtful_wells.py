"""Wells that may lie otherwise: too little speaks for it to say so, too much to cull plants by them.

Wells moved within a family fit their tag wherever they stand; only at its border a well or two speak, or the
place that was left empty. Over all layouts T of parts of its plate that were not taken, with
P(T) = odds(T) / (1 + sum of odds),

    P(well w moved)       = sum over T that move w of P(T)
    P(plant u is culled,
      and is a hybrid)    = sum over T that move u of P(T) P(hybrid | well that holds u under T)
    P(u is another class
      than its well says) = the same with that class: 1 - P(class | well that holds u under T)

Plants are held where the first reaches LEAST_SHARE: then no verdict on them is as sure as it has to be; those
that their own well says are no hybrids where the second reaches LEAST_LOSS, or LEAST_PART where its sum over
the plate, the hybrids to be expected among them, reaches LEAST_LOSSES; and, where such a plant is held, those
of which the third reaches LEAST_OTHER. Wells of which another finding says what they hold do not speak for a
layout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.copied_strips import relation_posteriors
from crossproof.inference.plates.few_wells import weighed
from crossproof.inference.plates.proposals import Proposal
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.model.arrays import Bools, Floats
from crossproof.model.declaration import default
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import count_of, percent

LEAST_SHARE = 1 - default("min_posterior")
"""Chance to be moved from which a plant is held, whatever its verdict."""
LEAST_LOSS = 2e-3
"""Chance from which a plant that would be culled is held, because it may be a hybrid in another well. A
sample that failed at the end of a column looks like a column that was shifted, and the column is the rarer by
far; but it is a hybrid thrown away against a look at the robot log. A choice, not a measurement;
docs/plate_accuracy.md has what it costs on faultless plates."""
LEAST_LOSSES = 3e-3
"""Hybrids to be expected among the plants of a plate that would be culled, from which these are held: three
of a column that moved together are thrown away together. A choice; docs/plate_accuracy.md has its cost."""
LEAST_PART = 2e-4
"""Chance from which such a plant is held then. A choice."""
LEAST_OTHER = 1e-3
"""Chance from which a plant is held since its verdict would be another, where such a plant is held anyway."""
TUBE_SAYS = 1.0
"""Most that a parent tube may say for a doubt, in log10: a tube of another line is looked for by itself."""


@dataclass(frozen=True)
class Doubt:
    """What the doubts say of the plants of each well of the sheet, (well,) each.

    `moved`: the chance that the plant's DNA is not in its well; `lost`: that the plant is a hybrid that would
    be culled; `other`: that it is of another class than its well says.
    """

    moved: Floats
    lost: Floats
    other: Floats


def class_posteriors(x: Examined) -> tuple[Floats, Floats]:
    """P(class | data) of every well under every cross of its plate, (well, cross, class), and P(class)."""
    ends = [0, 1, 2, 3]  # hybrid, self, outcross, and all that is off pedigree
    posterior = np.exp(relation_posteriors(x.scores, x.search.identity))
    prior = np.exp(x.scores.relation_prior())
    return np.add.reduceat(posterior, ends, axis=2), np.add.reduceat(prior, ends) / prior.sum()


def doubt_of(x: Examined, doubts: tuple[Proposal, ...]) -> Doubt:
    """The sums of the heading over `doubts`."""
    plate, identity, n = x.plate, x.search.identity, x.scores.season.n_lines
    classes, unknown = class_posteriors(x)
    crosses = np.unique(identity[identity >= n])
    plant = identity >= n
    cross = np.searchsorted(crosses, np.where(plant, identity, crosses[0]))
    own = classes[np.arange(len(plate)), cross]  # (well, class)
    called = plant & (plate.n_called >= 0.3 * plate.n_markers)
    culled, said = called & (own[:, 0] < 0.5), own.argmax(axis=1)
    moved, lost, other = (np.zeros(len(plate)) for _ in range(3))
    total = 1.0
    for proposal in doubts:
        assert proposal.layout is not None
        source = proposal.layout.source[plate.position]
        odds = 10.0**proposal.log10_odds
        away = source != plate.position
        described = np.where(source >= 0, plate.well_of_position[source], -1)
        there = np.tile(unknown, (len(plate), 1))
        holds = np.flatnonzero(away & (described >= 0))
        there[described[holds]] = classes[holds, cross[described[holds]]]
        moved += odds * away
        lost += odds * there[:, 0] * (away & culled)
        other += odds * (1 - there[np.arange(len(plate)), said]) * (away & called)
        total += odds
    return Doubt(moved / total, lost / total, other / total)


def _weighed(x: Examined, doubts: tuple[Proposal, ...]) -> tuple[Proposal, ...]:
    """The doubts against all that the plants may be under their own tags, the likeliest first."""
    found = weighed(x.scores, x.search.matrix, x.search.identity, doubts)
    return tuple(sorted(found, key=lambda p: -p.log10_odds))


def _without(doubts: tuple[Proposal, ...], x: Examined, explained: frozenset[str]) -> tuple[Proposal, ...]:
    """The doubts less what explained wells say for them, and what a parent tube says beyond TUBE_SAYS."""
    told = np.array([s in explained for s in x.plate.samples], dtype=bool)
    most = np.where(told, 0.0, np.where(x.scores.tube, TUBE_SAYS, np.inf))
    out = []
    for p in doubts:
        less = np.maximum(p.gain - most, 0.0)
        out.append(replace(p, log10_odds=p.log10_odds - float(less.sum()), gain=p.gain - less))
    return tuple(out)


def _rescued(doubt: Doubt, plants: Bools) -> Bools:
    """Those of some plants that would be culled and are too likely to be hybrids, (well,)."""
    least = LEAST_PART if doubt.lost.sum() >= LEAST_LOSSES else LEAST_LOSS
    return np.asarray(plants & (doubt.lost >= least))


def open_plants(x: Examined, explained: frozenset[str] = frozenset()) -> Bools:
    """Plants of a plate that lies otherwise that may have been moved beside that, (well,).

    `explained` as in `doubt_findings`.
    """
    plants = x.search.identity >= x.scores.season.n_lines
    if not x.search.doubts or not plants.any():
        return np.zeros(len(plants), dtype=bool)
    doubt = doubt_of(x, _weighed(x, _without(x.search.doubts, x, explained)))
    return np.asarray(plants & ((doubt.moved >= LEAST_SHARE) | _rescued(doubt, plants)))


def doubt_findings(x: Examined, explained: frozenset[str] = frozenset()) -> list[Finding]:
    """One finding for the plate if some of its wells may have been moved; none otherwise.

    `explained`: samples that other findings speak of.
    """
    plate = x.plate
    some = x.search.doubts or x.search.beside_pairs
    if not some or not (plate.identity >= x.scores.season.n_lines).any():
        return []
    doubts = _weighed(x, _without(x.search.doubts, x, explained))
    doubts = tuple(sorted((*doubts, *x.search.beside_pairs), key=lambda p: -p.log10_odds))
    doubt = doubt_of(x, doubts)
    plants = plate.identity >= x.scores.season.n_lines
    unsure = plants & (doubt.moved >= LEAST_SHARE)
    rescued = _rescued(doubt, plants & ~unsure)
    if not (unsure | rescued).any():
        return []
    changed = plants & ~unsure & ~rescued & (doubt.other >= LEAST_OTHER)
    wells = np.flatnonzero(unsure | rescued | changed)
    most = float(doubt.moved.max())
    return [
        Finding(
            FindingKind.IN_DOUBT,
            Scope.PLATE,
            plate.name,
            plate.name,
            f"Plate {plate.name} may be {doubts[0].words}: {_signs(x, doubts[0])}. That is "
            f"little, and chance may be behind it ({percent(most)} likely to be so), but plants of one cross "
            f"that changed places show it nowhere else. Held: {_held(unsure, rescued, changed)}.",
            "Look at the robot log and the list that the plate was filled from. If all is in place, dismiss "
            "this finding; else correct the sheet, or genotype these wells again.",
            wells=tuple(plate.place(int(w)) for w in wells),
            samples=tuple(plate.samples[w] for w in wells),
            log10_odds=float(np.log10(most / (1 - most))) if most < 1 else float("inf"),
            hold=Hold.SAMPLES,
        )
    ]


def _signs(x: Examined, best: Proposal) -> str:
    """The wells that speak for a layout: those that would fit better, and the one that it leaves empty."""
    for_it = np.flatnonzero(best.gain > 0.5)
    silent = x.scores.blank[for_it] > x.scores.called[for_it]
    fit, empty = (
        ", ".join([x.plate.well_name(int(w)) for w in part][:6]) for part in (for_it[~silent], for_it[silent])
    )
    said = [f"{fit} would fit better that way"] if fit else []
    said += [f"{empty} calls nothing, as if it had been left empty"] if empty else []
    return ", and ".join(said)


def _held(unsure: Bools, rescued: Bools, changed: Bools) -> str:
    """How many plants are held, and why."""
    parts = []
    if unsure.any():
        parts.append(f"{count_of(int(unsure.sum()), 'plant')} of the wells it would move")
    if rescued.any():
        number = int(rescued.sum())
        rest = "another " if parts else ""
        who = (
            "that would be culled and may be a hybrid"
            if number == 1
            else "that would be culled and may be hybrids"
        )
        parts.append(f"{rest}{count_of(number, 'plant')} {who} if it is so")
    if changed.any():
        parts.append(f"another {count_of(int(changed.sum()), 'plant')} whose verdict would be another")
    return "; ".join(parts)
