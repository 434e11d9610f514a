"""Tags that name mother and father the wrong way round: selfed seed is of the plant that bore it.

For a cross m x p, pods (or plants, where none are recorded) are compared under both directions:

    L(m x p) = sum over pods of log [ prod_w sum_r prior(r) P(D_w | r, m x p)
                                      + prior(p selfed) prod_w P(D_w | p selfed) ]
    lod      = (L(p x m) - L(m x p)) / ln 10 + log10 PRIOR_REVERSED

A pod of the father's own seed under the tag is one event, so that one such pod is no reversed tag. Hybrids
are the same either way and say nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.tag_explanations import KNOWN_SHARE, Examined, called_plants
from crossproof.model.arrays import Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_REVERSED = 3e-3
"""Share of tags that name the parents the wrong way round. No source."""
SELF, FATHER_SELFED = 1, 3
"""Places among the relations of `PlateScores.relation_scores`."""
CLEAR = 3.0
"""A plant is counted as selfed seed of a parent where that is likelier than all else by this many nats."""


def _pod_likelihood(scores: Floats, prior: Floats, pods: Sequence[str]) -> float:
    """L of one direction from relation scores (plant, relation) and their log prior (relation,)."""
    mixture = log_sum(scores + prior, axis=1)
    father = scores[:, FATHER_SELFED]
    total = 0.0
    names = [pod or f"\0{i}" for i, pod in enumerate(pods)]
    for pod in dict.fromkeys(names):
        mine = np.array([name == pod for name in names])
        total += float(np.logaddexp(mixture[mine].sum(), prior[FATHER_SELFED] + father[mine].sum()))
    return total


def _selfs(scores: Floats, relation: int) -> int:
    """Plants that are selfed seed of one parent beyond doubt."""
    others = np.delete(scores, relation, axis=1).max(axis=1)
    return int((scores[:, relation] - others > CLEAR).sum())


def _compare(cross: int, x: Examined, wells: Ints, season: SeasonTables) -> tuple[float, int, int] | None:
    """Gain of the other direction in nats, and selfs of the recorded mother and father, on one plate."""
    m, p = season.mother[[cross]], season.father[[cross]]
    state = x.scores.lines_under(x.search.identity)
    if min(x.scores.known_share(int(line), state) for line in (m[0], p[0])) < KNOWN_SHARE:
        return None
    prior = x.scores.relation_prior()
    as_is = x.scores.relation_scores(m, p, wells, state)[:, 0]
    turned = x.scores.relation_scores(p, m, wells, state)[:, 0]
    pods = [x.plate.pods[w] if x.plate.pods else "" for w in wells]
    gain = _pod_likelihood(turned, prior, pods) - _pod_likelihood(as_is, prior, pods)
    return gain, _selfs(as_is, SELF), _selfs(as_is, FATHER_SELFED)


def _compared(x: Examined, season: SeasonTables) -> dict[int, tuple[float, int, int]]:
    """What `_compare` makes of the crosses of one plate that can be compared."""
    out = {}
    for i in np.unique(x.search.identity[x.search.identity >= season.n_lines]).tolist():
        c, called = i - season.n_lines, called_plants(x, i)
        m, p = int(season.mother[c]), int(season.father[c])
        if m < 0 or p < 0 or m == p or not len(called):
            continue
        found = _compare(c, x, called, season)
        if found is not None:
            out[c] = found
    return out


def _places(c: int, plates: Sequence[Examined], season: SeasonTables) -> list[tuple[str, str]]:
    """Place and sample of every well of a cross."""
    return [
        (x.plate.place(int(w)), x.plate.samples[w])
        for x in plates
        for w in np.flatnonzero(x.search.identity == season.n_lines + c)
    ]


def reversed_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, each: Each = one_by_one
) -> dict[int, Finding]:
    """By cross, the finding that it was made the other way round."""
    total: dict[int, float] = {}
    selfs: dict[int, list[int]] = {}
    for compared in each(lambda x: _compared(x, season), plates):
        for c, found in compared.items():
            total[c] = total.get(c, 0.0) + found[0]
            counts = selfs.setdefault(c, [0, 0])
            counts[0], counts[1] = counts[0] + found[1], counts[1] + found[2]
    out = {}
    for c, gain in total.items():
        odds = float(gain / np.log(10) + np.log10(PRIOR_REVERSED))
        of_mother, of_father = selfs[c]
        if odds < threshold or of_father < 2 or of_mother > 0.1 * of_father:
            continue
        wells, samples = zip(*_places(c, plates, season), strict=True)
        name, m_name, p_name = (
            season.crosses[c],
            season.lines[season.mother[c]],
            season.lines[season.father[c]],
        )
        on = sorted({w.rpartition(":")[0] for w in wells})
        out[c] = Finding(
            FindingKind.RECIPROCAL,
            Scope.CROSS,
            on[0] if len(on) == 1 else "",
            name,
            f"{of_father} plants of {name} are selfed seed of {p_name}, the recorded father, and "
            f"{of_mother or 'none'} of {m_name}, the recorded mother: selfed seed comes from the plant that "
            f"bore it, so the cross was made the other way round.",
            "Compare with the crossing book. If mother and father changed places, add the proposed row to "
            "corrections.csv and run again.",
            wells=wells,
            samples=samples,
            log10_odds=odds,
            hold=Hold.SAMPLES,
            corrections=(Correction(CorrectionKind.REVERSE_CROSS, name),),
        )
    return out
