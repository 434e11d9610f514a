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
from crossproof.inference.plates.score_matrix import ODD
from crossproof.inference.plates.tag_explanations import KNOWN_SHARE, Examined, ask_all, called_plants
from crossproof.model.arrays import Bools, Floats
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_samples

PRIOR_REVERSED = 3e-3
"""Share of tags that name the parents the wrong way round. No source."""
PROPOSED = 2.0
"""log10 odds from which a row is proposed. Reversed tags mostly have 4 and more;
one of a faultless season had 1.1 (seed 180010 of benchmarks/plate_seasons.py), and its row went wrong. None
is proposed where all that seed is of one pod: one that came into the bag has odds as high."""
WAITS = -1.28
"""log10 odds from which selfed seed of the father waits: 1 in 20, what a verdict of 95 % leaves open."""
POD_FATE = 0.5
"""Chance that all plants of a pod have one fate. No source."""
OFF_LEAST, OFF_WORTH = 0.01, 50.0
"""Least share of seed off pedigree that tags are compared with, and plants that it is worth. No source."""
LEAST_SELFS, LEAST_WITHOUT_PODS = 2, 3
"""Fewest selfed plants of the recorded father; plants of which no pod is recorded may be of one."""
FEW, SOME = 0.1, 0.5
"""Selfed seed of the recorded mother beside each of the father's up to which a row may turn a tag round, and
its plants may wait: either line's is stray seed under one direction. No source."""
SELF, OUTCROSS, FATHER_SELFED, FIXED = 1, 2, 3, 5
"""Places among the relations of `PlateScores.relation_scores`."""
TURNED = [0, 3, 2, 1, 4, 5]
"""The relation that each one is where mother and father change places, but for outcrosses."""
CLEAR = 3.0
"""A plant is counted as selfed seed of a parent where that is likelier than all else by this many nats."""


@dataclass(frozen=True)
class Directions:
    """Relation scores (plant, relation) of the called plants of a tag as recorded and turned round, with the
    pod of each plant, "" where none is recorded; P(seed off pedigree | data) of each (plant,), which are
    selfed seed of the mother and of the father beyond doubt (plant, 2), and which of these and of seed off
    pedigree fit better turned round (plant,)."""

    as_is: Floats
    turned: Floats
    pods: tuple[str, ...]
    off: Floats
    selfed: Bools
    hang: Bools

    @property
    def least(self) -> int:
        """Fewest selfed plants of the recorded father that say anything."""
        return LEAST_SELFS if any(self.pods) else LEAST_WITHOUT_PODS

    def row_at(self, odds: float) -> bool:
        """Whether a row is proposed at these log10 odds."""
        of_mother, of_father = self.selfed.sum(axis=0).tolist()
        return odds >= PROPOSED and not self.one_pod and of_mother <= FEW * of_father

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
        np.concatenate([d.hang for d in parts]),
    )


def _pod_likelihood(scores: Floats, prior: Floats, pods: Sequence[str]) -> float:
    """L of one direction from relation scores (plant, relation) and their log prior (relation,)."""
    total = 0.0
    names = [pod or f"\0{i}" for i, pod in enumerate(pods)]
    for pod in dict.fromkeys(names):
        mine = scores[np.array([name == pod for name in names])]
        each = log_sum(mine + prior, axis=1).sum()
        one = prior + mine.sum(axis=0)
        off = log_sum(prior[None, FATHER_SELFED:], axis=1)[0]
        mixed = off + (log_sum((mine + prior - off)[:, FATHER_SELFED:], axis=1)).sum()
        one[FATHER_SELFED:] -= np.log(2)
        alike = np.logaddexp.reduce([*one, mixed - np.log(2)])
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
    """Which plants are selfed seed of one parent beyond doubt, (plant,).

    Fixed seed of the cross that is as close to the parent as this is told from it by nobody: a parent plant
    that departs from its line at a marker or two bears such seed.
    """
    others = np.delete(scores, [relation, FIXED], axis=1).max(axis=1)
    return np.asarray(
        (scores[:, relation] - others > CLEAR) & (scores[:, relation] > scores[:, FIXED] - CLEAR)
    )


def _prior(x: Examined) -> Floats:
    """log prior of the relations of `PlateScores.relation_scores`, and of anything else."""
    return np.append(x.scores.relation_prior(), np.log(ODD))


def directions(x: Examined) -> dict[int, Directions]:
    """The crosses of one plate that can be compared."""
    season, identity = x.scores.season, x.search.identity
    state, own = x.scores.lines_under(identity), x.scores.own_relations(identity)
    plants = np.flatnonzero(identity >= season.n_lines)
    fathers, of = np.unique(season.father[identity[plants] - season.n_lines], return_inverse=True)
    turned = own[:, TURNED]
    turned[plants, OUTCROSS] = x.scores.outcross_scores(fathers, plants, state)[np.arange(len(plants)), of]
    selfed = np.stack([_selfed(own, relation) for relation in (SELF, FATHER_SELFED)], axis=1)
    better = np.subtract(*(log_sum(s + x.scores.relation_prior(), axis=1) for s in (turned, own)))
    own, turned = (np.column_stack([scores, x.search.matrix.anything]) for scores in (own, turned))
    off = _off_pedigree(own, _prior(x))
    hang = selfed[:, 1] | ((off > 0.5) & (better > CLEAR))
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
            hang[called],
        )
    return out


Parts = list[tuple[Examined, Directions]]
"""A cross on each of the plates where its directions can be compared."""


def _weighed(plates: Sequence[Examined], asked: AskedOnce) -> dict[int, tuple[float, Directions, Parts]]:
    """By cross with selfed seed of its father, and less of its mother: log10 odds that it was made the other
    way round, its plants, and the plates they are on."""
    parts: dict[int, Parts] = {}
    for x, found in zip(plates, ask_all(directions, plates, asked.of_same), strict=True):
        for c, its in found.items():
            parts.setdefault(c, []).append((x, its))
    tags = {c: _joined([its for _, its in mine]) for c, mine in parts.items()}
    off = {c: (float(tag.off.sum()), len(tag.off)) for c, tag in tags.items()}
    out = {}
    for c, tag in tags.items():
        of_mother, of_father = tag.selfed.sum(axis=0).tolist()
        if of_father >= tag.least and of_mother <= SOME * of_father:
            odds = _gain(tag, _off_share(off, c), _prior(plates[0])) + float(np.log10(PRIOR_REVERSED))
            out[c] = odds, tag, parts[c]
    return out


def _places(c: int, plates: Sequence[Examined], season: SeasonTables) -> list[tuple[str, str]]:
    """Place and sample of every well of a cross."""
    return [
        (x.plate.place(int(w)), x.plate.samples[w])
        for x in plates
        for w in np.flatnonzero(x.search.identity == season.n_lines + c)
    ]


def _in_doubt(c: int, parts: Parts, season: SeasonTables) -> list[tuple[str, str]]:
    """Place and sample of the plants of a cross that are culled and fit better if it was made otherwise."""
    return [
        (x.plate.place(int(w)), x.plate.samples[w])
        for x, tag in parts
        for w in called_plants(x, season.n_lines + c)[tag.hang]
    ]


def _finding(
    c: int, odds: float, tag: Directions, places: Sequence[tuple[str, str]], season: SeasonTables
) -> Finding:
    """That a cross was made the other way round, or may have been, where `places` (place, sample) wait."""
    of_mother, of_father = tag.selfed.sum(axis=0).tolist()
    wells, samples = zip(*places, strict=True)
    name, m_name, p_name = (season.crosses[c], *(season.lines[p[c]] for p in (season.mother, season.father)))
    on = sorted({w.rpartition(":")[0] for w in wells})
    evidence = (
        f"{of_father} plants of {name} are selfed seed of {p_name}, the recorded father, and "
        f"{of_mother or 'none'} of {m_name}, the recorded mother"
    )
    ending, remedy = (
        ": selfed seed comes from the plant that bore it, so the cross was made the other way round.",
        "Compare with the crossing book. If mother and father changed places, add the proposed row to "
        "corrections.csv and run again.",
    )
    if not tag.row_at(odds):
        ending = (
            f": selfed seed comes from the plant that bore it. The cross was made the other way round "
            f"({min(100 / (1 + 10**-odds), 99):.0f} % likely), or seed of {p_name} came into the bag. "
            "The plants that hang on it wait; hybrids are the same either way."
        )
        remedy = (
            f"Compare with the crossing book and the tag: which line bore the pods of {name}? If it was "
            f"{p_name}, write the row {CorrectionKind.REVERSE_CROSS},{name} into corrections.csv and run "
            f"again; if it was {m_name}, the plants that wait are seed of another bag or pod."
        )
    return Finding(
        FindingKind.RECIPROCAL,
        Scope.CROSS,
        on[0] if len(on) == 1 else "",
        name,
        evidence + ending,
        remedy,
        wells=wells,
        samples=samples,
        log10_odds=odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(CorrectionKind.REVERSE_CROSS, name),) if tag.row_at(odds) else (),
    )


def reversed_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, asked: AskedOnce
) -> dict[int, Finding]:
    """By cross, the finding that it was made the other way round; all its plants wait where a row says so."""
    return {
        c: _finding(
            c,
            odds,
            tag,
            _places(c, plates, season) if tag.row_at(odds) else _in_doubt(c, parts, season),
            season,
        )
        for c, (odds, tag, parts) in _weighed(plates, asked).items()
        if odds >= threshold
    }


def open_directions(
    plates: Sequence[Examined],
    season: SeasonTables,
    threshold: float,
    found: Sequence[Finding],
    asked: AskedOnce,
) -> list[Finding]:
    """Crosses that may have been made the other way round, likely as WAITS but below the threshold, with the
    plants that wait; none of which another finding speaks, nor plants that others hold."""
    told = {name for f in found if f.scope is Scope.CROSS and f.critical for name in (f.subject, f.other)}
    held, out = held_samples(tuple(found)), []
    for c, (odds, tag, parts) in _weighed(plates, asked).items():
        if not WAITS <= odds < threshold or season.crosses[c] in told:
            continue
        places = [place for place in _in_doubt(c, parts, season) if place[1] not in held]
        if len(places) >= tag.least:
            out.append(_finding(c, odds, tag, places, season))
    return out
