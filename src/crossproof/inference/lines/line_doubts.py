"""Is a line's typing wrong? One latent genotype of the line, shared by its tubes and by all tags that use it.

If the tube held something else, the line has another genotype `b'`, and every tag that used a plant of the
line must show that same genotype. If instead each doubtful tag had another pollen donor of its own, they
need not agree. With D_t the data of tag t, w the rate of other parent plants, and the pool as prior of b',

    P(D | tube wrong) = sum_b' P(b') prod_t [ (1-w) P(D_t | b') + w P(D_t | other plant) ]
    P(D | tube right) =              prod_t [ (1-w) P(D_t | b)  + w P(D_t | other plant) ]

The sum over an untyped b' goes tag by tag: each one's messages on its parent's genotype update what is
believed of b', in the measure in which the tag is of the line. Tags that contradict each other therefore pay
for it instead of adding up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.lines.doubt import MOST_LINES, Doubt
from crossproof.inference.lines.panel import CONFIRMED, SECOND_TUBE, Panel
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.model.arrays import Floats, Ints
from crossproof.model.settings import Settings

UNTYPED_SHARE = 0.3
"""* Share of other parents, or tubes, that are of a line never typed; as for unknown pollen. No source."""
WRONG_IN_FIELD = 0.001
"""* Prior probability that all tags of a line were made with one other plant: a wrong label in the nursery.
Its tags then agree on another genotype, as if the tube were wrong, but their seed is not of the line. No
source."""
MOST_DOUBTS = 12
"""Most tags of a line that are heard; more say no more than these."""
OWN_TAGS = 2.0
"""Tags of a line that weigh as much as the whole run on how much its plants differ."""
STARTS = 4
"""Tags that are each taken for one of the line first, at most."""
WORTH_A_MODE = 12.0
"""Natural-log distance from the likeliest within which a reading of the tags is kept."""
LOWEST = -1e6
"""Log evidence of a line that a tag, naming every line there is, does not name."""


@dataclass(frozen=True)
class Mode:
    """One thing that an untyped line may be: `log_share` among all such, and its genotype as the tags that
    are of it demand it, `learned` per panel block (m, n_g); empty where no tag is."""

    log_share: float
    learned: tuple[Floats, ...]


@dataclass(frozen=True)
class TubeBelief:
    """What is believed of a line's typing before a family of its own is looked at.

    `log_odds` of a wrong tube, `log_odds_field` of another plant in all tags; given either, `log_untyped`
    and `log_lines` (by name) share out what the line is instead, `log_unnamed` being the share of each line
    that no tag names; `modes`: an untyped line as other tags demand it, the likeliest first, none where no
    tag says anything.
    """

    log_odds: float
    log_odds_field: float
    log_untyped: float
    log_lines: dict[str, float]
    modes: tuple[Mode, ...] = ()
    log_unnamed: float = LOWEST

    @property
    def wrong_tube(self) -> float:
        """Probability that the tube is wrong."""
        scores = np.array([0.0, self.log_odds, self.log_odds_field])
        return float(np.exp(scores[1] - np.logaddexp.reduce(scores)))

    def log_line(self, name: str, n_lines: int) -> float:
        """Log share of one of `n_lines` other lines, given that the tube is wrong."""
        if self.modes:
            return self.log_lines.get(name, self.log_unnamed)
        return float(np.log((1 - UNTYPED_SHARE) / max(n_lines, 1)))


def tube_belief(
    log_odds: float,
    log_odds_field: float,
    doubts: Sequence[Doubt],
    blocks: Sequence[PanelBlock],
    h: float,
    inbreeding: float,
    wrong_plant: float,
    n_lines: int,
) -> TubeBelief:
    """The belief that a line's prior odds and the doubts of its tags lead to.

    `log_odds`, `log_odds_field`: natural log odds of a wrong tube, and of another plant in all tags, before
    any tag is heard; `h`: departure of a plant from its
    line; `n_lines`: panel lines that the tube may be instead.
    """
    log_own_line = np.log((1 - UNTYPED_SHARE) / max(n_lines, 1))
    if not doubts:
        return TubeBelief(log_odds, log_odds_field, float(np.log(UNTYPED_SHARE)), {})
    heard = sorted(doubts, key=lambda d: (d.log_typed - d.log_tube, d.cross_id))[:MOST_DOUBTS]
    right = sum(float(np.logaddexp(d.log_typed, d.log_plant)) for d in heard)
    modes = _modes(heard, blocks, h, inbreeding, wrong_plant)
    untyped = float(np.logaddexp.reduce([mode.log_share for mode in modes]))

    def shared(name: str) -> float:
        score = sum(np.logaddexp(np.log1p(-wrong_plant) + _at(d, name), d.log_plant) for d in heard)
        return float(score + log_own_line)

    names = sorted({name for d in heard for name in d.lines})
    by_line = {name: shared(name) for name in names}
    unnamed = shared("")
    n_unnamed = max(n_lines - len(names), 0)
    scores = np.array([untyped + np.log(UNTYPED_SHARE), *by_line.values(), *[unnamed] * n_unnamed])
    wrong = float(np.logaddexp.reduce(scores))
    return TubeBelief(
        log_odds + wrong - right,
        log_odds_field + wrong - right,
        float(scores[0] - wrong),
        {name: value - wrong for name, value in by_line.items()},
        tuple(Mode(mode.log_share - untyped, mode.learned) for mode in modes),
        unnamed - wrong,
    )


def _at(doubt: Doubt, name: str) -> float:
    """Log evidence of a tag with this line in the doubted one's place; a tag names its best lines only, and
    any other is at most as good as the last of these."""
    if name in doubt.lines:
        return doubt.log_lines[doubt.lines.index(name)]
    return doubt.log_lines[-1] if len(doubt.lines) >= MOST_LINES else LOWEST


def _modes(
    heard: Sequence[Doubt],
    blocks: Sequence[PanelBlock],
    h: float,
    inbreeding: float,
    wrong_plant: float,
) -> list[Mode]:
    """What an untyped line may be, by which of its tags are of it; log evidence in place of a share.

    Each of the first STARTS tags in turn is taken for one of the line and heard first; those that make the
    same of all tags count once. Last, no tag is of it.
    """
    log_right = np.log1p(-wrong_plant)
    found: dict[tuple[bool, ...], Mode] = {}
    for start in range(min(len(heard), STARTS)):
        learned = [block.pool(inbreeding).copy() for block in blocks]
        evidence, shares = 0.0, np.zeros(len(heard))
        for i in (start, *(k for k in range(len(heard)) if k != start)):
            d = heard[i]
            fit, places, posterior = _heard(d, blocks, learned, h)
            of_line = log_right + d.log_tube + fit
            total = of_line if i == start else np.logaddexp(of_line, d.log_plant)
            shares[i] = np.exp(of_line - total)
            evidence += float(total)
            for belief, place, new in zip(learned, places, posterior, strict=True):
                belief[place] = shares[i] * new + (1 - shares[i]) * belief[place]
        key = tuple((shares > 0.5).tolist())
        if key not in found or evidence > found[key].log_share:
            found[key] = Mode(evidence, tuple(learned))
    none = Mode(float(sum(d.log_plant for d in heard)), ())
    modes = sorted([*found.values(), none], key=lambda mode: -mode.log_share)
    best = modes[0].log_share
    return [mode for mode in modes if mode.log_share > best - WORTH_A_MODE]


def belief_about(panel: Panel, line: str, cross_id: str, settings: Settings) -> TubeBelief:
    """What the tubes of a typed line and its other tags say of its typing.

    A second tube that agrees makes a wrong one SECOND_TUBE as likely, further ones add nothing (a wrong
    seed bag gives as many wrong tubes as are taken from it). A tag that fits the line as typed rules it out
    but for CONFIRMED. `cross_id`: the family that asks; it has no say in this.
    """
    replicates = max(len(panel.version_wells[v]) for v in panel.versions(line))
    wrong = panel.tag_rates.wrong_tube
    log_odds = float(np.log(wrong / (1 - wrong)) + np.log(SECOND_TUBE) * min(replicates - 1, 1))
    log_field = float(np.log(WRONG_IN_FIELD) - np.log1p(-WRONG_IN_FIELD))
    n_lines = max(len(panel.lines) - 1, 1)
    if any(says == 1 for says in panel.says_of(line, cross_id)):
        confirmed = float(np.log(CONFIRMED))
        return TubeBelief(log_odds + confirmed, log_field + confirmed, float(np.log(UNTYPED_SHARE)), {})
    doubts = [d for d in panel.doubts_of(line) if d.cross_id != cross_id]
    return tube_belief(
        log_odds,
        log_field,
        doubts,
        panel.blocks,
        panel.h,
        settings.inbreeding,
        panel.tag_rates.wrong_plant,
        n_lines,
    )


def heterogeneous_share(panel: Panel, line: str, cross_id: str) -> float:
    """Prior probability that a plant of this line departs from its reference more than the run's plants do.

    The run's share, moved by the line's other tags: OWN_TAGS of them weigh as much as the run.
    """
    seen = panel.departing_of(line, cross_id)
    return float((OWN_TAGS * panel.tag_rates.heterogeneous + seen.sum()) / (OWN_TAGS + len(seen)))


def _heard(
    doubt: Doubt, blocks: Sequence[PanelBlock], learned: Sequence[Floats], h: float
) -> tuple[float, list[Ints], list[Floats]]:
    """How much better (natural log) a tag fits the line as learned than the pool, and what it makes of it."""
    fit = 0.0
    places, posterior = [], []
    for block, belief in zip(blocks, learned, strict=True):
        place, ratio = doubt.at(block.k, block.maternal, block.rows)
        # a plant departs from its line to the pool, under which the ratio has mean 1
        weighed = belief[place] * ((1 - h) * ratio + h)
        total = np.maximum(weighed.sum(axis=1), 1e-300)
        fit += float(np.log(total).sum())
        places.append(place)
        posterior.append(weighed / total[:, None])
    return fit, places, posterior
