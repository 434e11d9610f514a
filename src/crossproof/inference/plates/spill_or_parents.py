"""Another tag or another parent, or a line's DNA that ran over the wells: which of the two, before a row is
proposed.

Plants into whose wells line l ran look like children of l, as those of a cross that was made with l do. For a
cross that fits another pair of parents than its tag's, and every line l, over the wells w of the cross

    lod = sum_w clip( T(w) - S(w, l), -bound, bound ) / ln 10  +  log10 prior(T) - log10 prior(S)
    T(w)     log [ (1 - ODD) P(D_w | the other pair) + ODD P(D_w | one plant) ]
    S(w, l)  log [ P(D_w | r of the tag, and l) / 2 + P(D_w | one plant) / 2 ]

A row is proposed from DECIDED over every line only, and then its wells speak for no spill. None is proposed
either where a plant is plainly a hybrid of the tag itself: not all of the tag was made otherwise.

A part of a plate that lies otherwise is told from a spill by the odds of both over the plate as labelled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import ODD
from crossproof.inference.plates.spill_findings import PRIOR_SPILL, spill_findings
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
ASKED = (FindingKind.PARENT_WRONG, FindingKind.TAG_WRONG)


def told_from_spills(
    found: Sequence[Finding], plates: Sequence[Examined], season: SeasonTables
) -> tuple[list[Finding], frozenset[str]]:
    """The findings, those about another tag, parent or layout without their rows where wells do not bear
    them; and the samples of those about tags and parents that keep their rows."""
    out: list[Finding] = []
    borne: set[str] = set()
    by_name = {x.plate.name: x for x in plates}
    for f in found:
        if f.hold is Hold.PLATE and f.corrections and f.plate in by_name:
            f = _layout_told(f, by_name[f.plate])
        if f.kind in ASKED and f.corrections:
            f = _told(f, plates, season)
            borne.update(f.samples if f.corrections else ())
        out.append(f)
    return out, frozenset(borne)


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


def _told(f: Finding, plates: Sequence[Examined], season: SeasonTables) -> Finding:
    c = season.crosses.index(f.subject)
    pair = _other_pair(f, c, season)
    on = [(x, wells) for x in plates if len(wells := called_plants(x, season.n_lines + c))]
    hybrids = [x.plate.samples[w] for x, wells in on for w in _plain_hybrids(x, c, pair, wells)]
    if hybrids:
        more = (
            f" Hybrids of the tag as it is are among them ({first_of(hybrids, 6)}): not all of its plants "
            "were made otherwise, and no row is proposed."
        )
        return replace(f, corrections=(), reassigned=(), evidence=f.evidence + more)
    known = [_odds(x, pair, wells) for x, wells in on]
    odds = np.sum(known, axis=0) + _prior(on, season)
    if odds.min(initial=np.inf) >= DECIDED:
        return f
    more = (
        f" DNA of {season.name(int(odds.argmin()))} that ran over their wells explains them as well. No row "
        "is proposed before new samples have told which it is."
    )
    return replace(f, corrections=(), reassigned=(), evidence=f.evidence + more)


def _plain_hybrids(x: Examined, c: int, pair: tuple[int, int], wells: Ints) -> Ints:
    """Wells of plants that are plainly hybrids of the tag, and not of the other pair."""
    season, state = x.scores.season, spill_state(x.scores, x.search.identity)
    mothers, fathers = np.array([season.mother[c], pair[0]]), np.array([season.father[c], pair[1]])
    by = x.scores.relation_scores(mothers, fathers, wells, state) + x.scores.relation_prior()
    other = np.logaddexp(log_sum(by[:, 1], axis=1), x.scores.pool[wells])
    return np.asarray(wells[(by[:, 0].argmax(axis=1) == 0) & (by[:, 0, 0] > other + PLAINLY)])


def _prior(on: Sequence[tuple[Examined, Ints]], season: SeasonTables) -> float:
    """log10 prior of another parent over that of a spill of one line, over these wells."""
    wells = max(len(x.plate) for x, _ in on)
    parents, spill = PRIOR_PARENT / (2 * season.n_lines), PRIOR_SPILL / (wells * season.n_lines)
    return float(np.log10(parents) - np.log10(spill))


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
