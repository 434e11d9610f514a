"""Another tag or another parent, or a line's DNA that ran over the wells: which of the two, before a row is
proposed.

Plants into whose wells line l ran look like children of l, as those of a cross that was made with l do. For a
cross that fits another pair of parents than its tag's, and every line l, over the wells w of the cross

    lod = sum_w clip( T(w) - S(w, l), -bound, bound ) / ln 10  +  log10 prior(T) - log10 prior(S)
    T(w)     log [ (1 - ODD) P(D_w | the other pair) + ODD P(D_w | one plant) ]
    S(w, l)  log [ P(D_w | r of the tag, and l) / 2 + P(D_w | one plant) / 2 ]

Another parent concerns its tag alone, DNA that runs does not stop at a tag. Wells v of other tags beside
these that show l as no single plant does, by WITNESS, speak for the spill, and at most make it certain:
sum_v S(v, l) - log P(D_v | one plant), up to - log prior(S). Their own rows are not proposed either: without
them the row about the parent would be.

A row is proposed from DECIDED over every line only, and then its wells speak for no spill. None is proposed
either where a plant is plainly a hybrid of the tag itself: not all of the tag was made otherwise.

A part of a plate that lies otherwise is told from a spill by the odds of both over the plate as labelled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import ODD
from crossproof.inference.plates.spill_findings import PRIOR_SPILL, near_wells, spill_findings
from crossproof.inference.plates.spills import plants_of, spill_scores, spill_state
from crossproof.inference.plates.tag_explanations import PRIOR_PARENT, Examined, called_plants
from crossproof.model.arrays import Floats, Ints
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold
from crossproof.text import first_of

DECIDED = 2.0
"""log10 odds of another parent over spilled DNA from which a row is proposed."""
PLAINLY = 10.0
"""A plant is plainly a hybrid of its tag from this many nats over the other pair, and any plant."""
WITNESS = 4.6
"""Nats, 100 to 1, from which a well of another tag speaks for a spill over those beside it."""
ASKED = (FindingKind.PARENT_WRONG, FindingKind.TAG_WRONG)


@dataclass(frozen=True)
class Told:
    """The findings, those about another tag, parent or layout without their rows where wells do not bear
    them.

    `borne`: samples of those about tags and parents that keep their rows; `witnesses`: samples of other tags
    that took a row away.
    """

    found: list[Finding]
    borne: frozenset[str]
    witnesses: frozenset[str]


def told_from_spills(found: Sequence[Finding], plates: Sequence[Examined], season: SeasonTables) -> Told:
    """The findings as told from spilled DNA."""
    out: list[Finding] = []
    borne: set[str] = set()
    witnesses: set[str] = set()
    by_name = {x.plate.name: x for x in plates}
    for f in found:
        if f.hold is Hold.PLATE and f.corrections and f.plate in by_name:
            f = _layout_told(f, by_name[f.plate])
        if f.kind in ASKED and f.corrections:
            f, beside = _told(f, plates, season)
            borne.update(f.samples if f.corrections else ())
            witnesses.update(beside)
        out.append(f)
    return Told(out, frozenset(borne), frozenset(witnesses))


def without_rows_of(witnesses: frozenset[str], found: Sequence[Finding]) -> list[Finding]:
    """The findings, those of mixed DNA in these wells without their rows."""
    out = []
    for f in found:
        if f.kind is FindingKind.MIXED_DNA and f.corrections and witnesses.intersection(f.samples):
            more = " Nothing is proposed for it before new samples of the wells beside it were typed."
            f = replace(f, corrections=(), evidence=f.evidence + more)
        out.append(f)
    return out


def _layout_told(f: Finding, x: Examined) -> Finding:
    """A finding that a plate lies otherwise, without its row where a spill on the plate is likelier."""
    spills = spill_findings(x.scores, x.search.labelled, x.plate.identity)
    likelier = [s.other for s in spills if s.log10_odds > f.log10_odds]
    if not likelier:
        return f
    more = (
        f" DNA of {likelier[0]} that ran over neighbouring wells explains the plate better. No row is "
        "proposed before new samples have told which it is."
    )
    return replace(f, corrections=(), evidence=f.evidence + more)


def _names(f: Finding, season: SeasonTables) -> tuple[str, ...]:
    return season.crosses if f.kind is FindingKind.TAG_WRONG else season.lines


def _other_pair(f: Finding, c: int, season: SeasonTables) -> tuple[int, int]:
    """Mother and father that the finding names for cross `c`."""
    other = _names(f, season).index(f.other)
    if f.kind is FindingKind.TAG_WRONG:
        return int(season.mother[other]), int(season.father[other])
    if f.corrections[0].kind is CorrectionKind.MOTHER_IS:
        return other, int(season.father[c])
    return int(season.mother[c]), other


def _told(f: Finding, plates: Sequence[Examined], season: SeasonTables) -> tuple[Finding, list[str]]:
    """The finding, and the samples beside its own that took its row away."""
    c = season.crosses.index(f.subject)
    pair = _other_pair(f, c, season)
    on = [(x, wells) for x in plates if len(wells := called_plants(x, season.n_lines + c))]
    hybrids = [x.plate.samples[w] for x, wells in on for w in _plain_hybrids(x, c, pair, wells)]
    if hybrids:
        more = (
            f" Hybrids of the tag as it is are among them ({first_of(hybrids, 6)}): not all of its plants "
            "were made otherwise, and no row is proposed."
        )
        return replace(f, corrections=(), reassigned=(), evidence=f.evidence + more), []
    parents, spill = _priors(on, season)
    beside = [_beside(x, wells) for x, wells in on]
    shown = np.sum([b.nats.sum(axis=0) for b in beside], axis=0) / np.log(10)
    odds = np.sum([_odds(x, pair, wells) for x, wells in on], axis=0) + parents
    odds = odds - np.minimum(spill + shown, 0.0)
    if odds.min(initial=np.inf) >= DECIDED:
        return f, []
    line = int(odds.argmin())
    shows = [s for b in beside for s, nats in zip(b.samples, b.nats[:, line], strict=True) if nats > 0]
    so = f", and that of {first_of(shows, 6)} beside them" if shows else ""
    more = (
        f" DNA of {season.name(line)} that ran over their wells{so} explains them as well. No row "
        "is proposed before new samples have told which it is."
    )
    return replace(f, corrections=(), reassigned=(), evidence=f.evidence + more), shows


@dataclass(frozen=True)
class _Beside:
    """Plants of other tags beside some wells, and what each says for a spill of each line, (well, line)."""

    samples: list[str]
    nats: Floats


def _beside(x: Examined, wells: Ints) -> _Beside:
    """Neighbours of these wells that show the DNA of a line that is no parent of theirs, as no plant does."""
    scores, identity = x.scores, x.search.identity
    called = x.plate.n_called >= 0.3 * x.plate.n_markers
    plants = (identity >= scores.season.n_lines) & called & ~np.isin(identity, identity[wells])
    others = np.flatnonzero(plants)
    near = near_wells(scores, np.concatenate([others, wells]))
    others = others[near[: len(others), len(others) :].any(axis=1)]
    found = spill_scores(scores, x.search.matrix, identity, others)
    nats = np.zeros((len(others), scores.season.n_lines))
    shows = (found.spilled > WITNESS) & ~found.like_outcross & ~found.own
    nats[:, found.lines] = np.where(shows, np.logaddexp(found.spilled, 0.0) - np.log(2), 0.0)
    return _Beside([x.plate.samples[w] for w in others], nats)


def _plain_hybrids(x: Examined, c: int, pair: tuple[int, int], wells: Ints) -> Ints:
    """Wells of plants that are plainly hybrids of the tag, and not of the other pair."""
    season, state = x.scores.season, spill_state(x.scores, x.search.identity)
    mothers, fathers = np.array([season.mother[c], pair[0]]), np.array([season.father[c], pair[1]])
    by = x.scores.relation_scores(mothers, fathers, wells, state) + x.scores.relation_prior()
    other = np.logaddexp(log_sum(by[:, 1], axis=1), x.scores.pool[wells])
    return np.asarray(wells[(by[:, 0].argmax(axis=1) == 0) & (by[:, 0, 0] > other + PLAINLY)])


def _priors(on: Sequence[tuple[Examined, Ints]], season: SeasonTables) -> tuple[float, float]:
    """log10 priors of another parent, and of a spill of one line over these wells."""
    wells = max(len(x.plate) for x, _ in on)
    parents, spill = PRIOR_PARENT / (2 * season.n_lines), PRIOR_SPILL / (wells * season.n_lines)
    return float(np.log10(parents)), float(np.log10(spill))


def _odds(x: Examined, pair: tuple[int, int], wells: Ints) -> Floats:
    """log10 likelihood of the other pair over a spill of each line of the season on one plate, (line,);
    infinite where a line is not known."""
    found = spill_scores(x.scores, x.search.matrix, x.search.identity, wells)
    state = spill_state(x.scores, x.search.identity)
    parents = np.array([pair[0]]), np.array([pair[1]])
    other = plants_of(x.scores, parents, wells, found.read, state) - found.one
    told = np.logaddexp(np.log1p(-ODD) + other, np.log(ODD))
    spilled = np.logaddexp(found.spilled, 0.0) - np.log(2)
    out = np.full(x.scores.season.n_lines, np.inf)
    out[found.lines] = clipped(told[:, None] - spilled, x.search.matrix).sum(axis=0) / np.log(10)
    return out
