"""Tags that name mother and father the wrong way round: selfed seed is of the plant that bore it.

For a cross m x p, pods (or plants, where none are recorded) are compared under both directions:

    L(m x p) = sum over pods of log [ (1 - k) prod_w sum_r prior(r) P(D_w | r, m x p)
                                      + k sum_r prior(r) prod_w P(D_w | r, m x p) ]
    lod      = (L(p x m) - L(m x p)) / ln 10 + log10 PRIOR_REVERSED

The plants of a pod share its fate with probability k = POD_FATE: a pod of the father's own seed under the
tag is one event, and so is one of selfed seed of the mother. The prior of seed off pedigree is what the
*other* tags of the season show: a reversed tag of selfs would else explain itself. Hybrids are the same
either way and say nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.each import AskedOnce
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.tag_explanations import KNOWN_SHARE, Examined, ask_all, called_plants
from crossproof.model.arrays import Bools, Floats
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_REVERSED = 3e-3
"""Share of tags that name the parents the wrong way round. No source."""
PROPOSED = 2.0
"""log10 odds from which a row is proposed; below them the tag waits. Reversed tags mostly have 4 and more;
one of a faultless season had 1.1 (seed 180010 of benchmarks/plate_seasons.py), and its row went wrong. None
is proposed where all that seed is of one pod: one that came into the bag has odds as high."""
POD_FATE = 0.5
"""Chance that all plants of a pod have one fate. No source."""
OFF_LEAST, OFF_WORTH = 0.01, 50.0
"""Least share of seed off pedigree that tags are compared with, and plants that it is worth. No source."""
LEAST_SELFS, LEAST_WITHOUT_PODS = 2, 3
"""Fewest selfed plants of the recorded father; plants of which no pod is recorded may be of one."""
SELF, OUTCROSS, FATHER_SELFED = 1, 2, 3
"""Places among the relations of `PlateScores.relation_scores`."""
TURNED = [0, 3, 2, 1, 4, 5]
"""The relation that each one is where mother and father change places, but for outcrosses."""
CLEAR = 3.0
"""A plant is counted as selfed seed of a parent where that is likelier than all else by this many nats."""


@dataclass(frozen=True)
class Directions:
    """Relation scores (plant, relation) of the called plants of a tag as recorded and turned round, with the
    pod of each plant, "" where none is recorded; P(seed off pedigree | data) of each (plant,), and which are
    selfed seed of the mother and of the father beyond doubt (plant, 2)."""

    as_is: Floats
    turned: Floats
    pods: tuple[str, ...]
    off: Floats
    selfed: Bools

    @property
    def one_pod(self) -> bool:
        """Whether all selfed seed of the father is of one recorded pod."""
        return len({self.pods[i] for i in np.flatnonzero(self.selfed[:, 1])}) == 1 and any(self.pods)


def _joined(parts: Sequence[Directions]) -> Directions:
    """The plants of one tag on several plates."""
    if len(parts) == 1:
        return parts[0]
    return Directions(
        np.concatenate([d.as_is for d in parts]),
        np.concatenate([d.turned for d in parts]),
        tuple(pod for d in parts for pod in d.pods),
        np.concatenate([d.off for d in parts]),
        np.concatenate([d.selfed for d in parts]),
    )


def _pod_likelihood(scores: Floats, prior: Floats, pods: Sequence[str]) -> float:
    """L of one direction from relation scores (plant, relation) and their log prior (relation,)."""
    total = 0.0
    names = [pod or f"\0{i}" for i, pod in enumerate(pods)]
    for pod in dict.fromkeys(names):
        mine = scores[np.array([name == pod for name in names])]
        each = log_sum(mine + prior, axis=1).sum()
        alike = np.logaddexp.reduce(prior + mine.sum(axis=0))
        total += float(np.logaddexp(np.log1p(-POD_FATE) + each, np.log(POD_FATE) + alike))
    return total


def _off_pedigree(scores: Floats, prior: Floats) -> Floats:
    """P(seed off pedigree | data) from relation scores (plant, relation), (plant,)."""
    joint = scores + prior
    return np.asarray(np.exp(log_sum(joint[:, FATHER_SELFED:], axis=1) - log_sum(joint, axis=1)))


def _off_share(tags: Mapping[int, tuple[float, int]], without: int) -> float:
    """Share of seed off pedigree among the plants of all tags but one, never below OFF_LEAST.

    A reversed tag is itself the seed off pedigree that would explain it. `tags`: expected number of such
    seed, and plants.
    """
    off, plants = OFF_LEAST * OFF_WORTH, OFF_WORTH
    for c, (its_off, its_plants) in tags.items():
        if c != without:
            off += its_off
            plants += its_plants
    return max(off / plants, OFF_LEAST)


def _gain(tag: Directions, off_share: float, prior: Floats) -> float:
    """log10 odds of the other direction without its prior, with the share of seed off pedigree elsewhere."""
    usual = float(np.exp(log_sum(prior[None, FATHER_SELFED:], axis=1)[0]))
    here = prior.copy()
    here[FATHER_SELFED:] += np.log(min(off_share, usual) / usual)
    nats = _pod_likelihood(tag.turned, here, tag.pods) - _pod_likelihood(tag.as_is, here, tag.pods)
    return float(nats / np.log(10))


def _selfed(scores: Floats, relation: int) -> Bools:
    """Which plants are selfed seed of one parent beyond doubt, (plant,)."""
    others = np.delete(scores, relation, axis=1).max(axis=1)
    return np.asarray(scores[:, relation] - others > CLEAR)


def directions(x: Examined) -> dict[int, Directions]:
    """The crosses of one plate that can be compared."""
    season, identity = x.scores.season, x.search.identity
    state, own = x.scores.lines_under(identity), x.scores.own_relations(identity)
    plants = np.flatnonzero(identity >= season.n_lines)
    fathers, of = np.unique(season.father[identity[plants] - season.n_lines], return_inverse=True)
    turned = own[:, TURNED]
    turned[plants, OUTCROSS] = x.scores.outcross_scores(fathers, plants, state)[np.arange(len(plants)), of]
    off = _off_pedigree(own, x.scores.relation_prior())
    selfed = np.stack([_selfed(own, relation) for relation in (SELF, FATHER_SELFED)], axis=1)
    out = {}
    for i in np.unique(x.search.identity[x.search.identity >= season.n_lines]).tolist():
        c, called = i - season.n_lines, called_plants(x, i)
        m, p = int(season.mother[c]), int(season.father[c])
        if m < 0 or p < 0 or m == p or not len(called):
            continue
        if min(state.known_share(m), state.known_share(p)) < KNOWN_SHARE:
            continue
        out[c] = Directions(
            own[called],
            turned[called],
            tuple(x.plate.pods[w] if x.plate.pods else "" for w in called),
            off[called],
            selfed[called],
        )
    return out


def _places(c: int, plates: Sequence[Examined], season: SeasonTables) -> list[tuple[str, str]]:
    """Place and sample of every well of a cross."""
    return [
        (x.plate.place(int(w)), x.plate.samples[w])
        for x in plates
        for w in np.flatnonzero(x.search.identity == season.n_lines + c)
    ]


def reversed_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, asked: AskedOnce
) -> dict[int, Finding]:
    """By cross, the finding that it was made the other way round."""
    parts: dict[int, list[Directions]] = {}
    for found in ask_all(directions, plates, asked.of_same):
        for c, its in found.items():
            parts.setdefault(c, []).append(its)
    tags = {c: _joined(mine) for c, mine in parts.items()}
    off = {c: (float(tag.off.sum()), len(tag.off)) for c, tag in tags.items()}
    out = {}
    for c, tag in tags.items():
        of_mother, of_father = tag.selfed.sum(axis=0).tolist()
        if of_father < (LEAST_SELFS if any(tag.pods) else LEAST_WITHOUT_PODS) or of_mother > 0.1 * of_father:
            continue
        odds = _gain(tag, _off_share(off, c), plates[0].scores.relation_prior())
        odds += float(np.log10(PRIOR_REVERSED))
        if odds < threshold:
            continue
        wells, samples = zip(*_places(c, plates, season), strict=True)
        name, m_name, p_name = (
            season.crosses[c],
            season.lines[season.mother[c]],
            season.lines[season.father[c]],
        )
        on = sorted({w.rpartition(":")[0] for w in wells})
        sure = odds >= PROPOSED and not tag.one_pod
        out[c] = Finding(
            FindingKind.RECIPROCAL,
            Scope.CROSS,
            on[0] if len(on) == 1 else "",
            name,
            f"{of_father} plants of {name} are selfed seed of {p_name}, the recorded father, and "
            f"{of_mother or 'none'} of {m_name}, the recorded mother: selfed seed comes from the plant that "
            f"bore it, so the cross was made the other way round.",
            "Compare with the crossing book. If mother and father changed places, add the proposed row to "
            "corrections.csv and run again."
            if sure
            else "Compare with the crossing book: seed of the father line's own, a pod of it, may have come "
            "into the bag.",
            wells=wells,
            samples=samples,
            log10_odds=odds,
            hold=Hold.SAMPLES,
            corrections=(Correction(CorrectionKind.REVERSE_CROSS, name),) if sure else (),
        )
    return out
