"""The least number of contrast markers that proves a cross, for markers that all work alike.

With markers of one kind the evidence depends only on how many of them show each outcome, so the probability
of a correct verdict against *all* relations at once is a finite sum over multinomial counts:
exact, without bounds. Only the relations between the two parents count here, as foreign pollen is told by
the markers that the parents share.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln

from crossproof.inference.pedigree import PAIR_RELATIONS
from crossproof.model.arrays import Floats
from crossproof.model.genotypes import Markers
from crossproof.model.results import CLASSES, Relation
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlanSettings
from crossproof.planning.power.evidence import CrossEvidence, contrast_table, cross_evidence

MOST_MARKERS = 60
_HOLDS_FOR = 3


@dataclass(frozen=True)
class LeastMarkers:
    """Contrast markers needed: to tell hybrids from selfs, and from F2, backcrosses and father selfs as well.

    None where MOST_MARKERS are not enough.
    """

    hybrid_and_self: int | None
    all_of_the_parents: int | None


def typical_panel(
    false_heterozygote: Floats, dropout: Floats, call_rate: Floats, settings: PlanSettings
) -> PanelGenotypes:
    """Two lines that differ at every marker, both alleles as common in the pool; for markers' own worth."""
    m = len(call_rate)
    sure = settings.inbreeding
    first = np.tile([sure, (1 - sure) / 2, (1 - sure) / 2], (m, 1))
    consensus = np.stack([first, first[:, ::-1]], axis=1)
    markers = Markers(
        np.array([str(j) for j in range(m)], dtype=object),
        np.full(m, "", dtype=object),
        np.zeros(m, dtype=np.int64),
        (("A", "B"),) * m,
        np.zeros(m, dtype=bool),
    )
    block = PanelBlock(2, np.arange(m), consensus, np.full((m, 2), 0.5), np.ones((m, 2), dtype=bool))
    on = np.ones(m, dtype=bool)
    return PanelGenotypes(
        ("A", "B"), markers, (block,), false_heterozygote, dropout, call_rate, on, on, np.ones(m)
    )


def pair_only(evidence: CrossEvidence) -> CrossEvidence:
    """The same evidence with the relations between the two parents alone, priors scaled to sum 1."""
    keep = np.array([kind in dict(PAIR_RELATIONS) for kind in evidence.kinds])
    log_prior = evidence.log_prior[keep]
    return CrossEvidence(
        score=evidence.score[:, keep],
        prob=evidence.prob[:, keep],
        log_prior=log_prior - np.logaddexp.reduce(log_prior),
        class_of=evidence.class_of[keep],
        kinds=tuple(k for k, kept in zip(evidence.kinds, keep, strict=True) if kept),
        donors=tuple(d for d, kept in zip(evidence.donors, keep, strict=True) if kept),
        rows=evidence.rows,
        contrast=evidence.contrast,
    )


def right_by_counts(evidence: CrossEvidence, n: int, settings: PlanSettings) -> Floats:
    """P(right and determined) per class, (class,), NaN for classes without a relation, with n markers like
    the first.

    Exact: the sum over all counts of outcomes.
    """
    n_out = evidence.score.shape[2]
    counts = _counts(n, n_out)
    log_ways = gammaln(n + 1) - gammaln(counts + 1).sum(axis=1)
    log_post = counts @ evidence.score[0].T + evidence.log_prior  # count, relation
    weight = np.exp(log_post - log_post.max(axis=1, keepdims=True))
    by_class = np.stack([weight[:, evidence.class_of == c].sum(axis=1) for c in range(len(CLASSES))], axis=1)
    clear = by_class.max(axis=1) >= settings.min_posterior * by_class.sum(axis=1)
    verdict = np.where(clear, by_class.argmax(axis=1), -1)
    with np.errstate(divide="ignore"):
        log_prob = np.maximum(np.log(evidence.prob[0]), -700.0)
    chance = np.exp(log_ways[:, None] + counts @ log_prob.T)
    out = np.full(len(CLASSES), np.nan)
    for c in range(len(CLASSES)):
        members = np.flatnonzero(evidence.class_of == c)
        if len(members):
            share = np.exp(evidence.log_prior[members])
            right = chance[verdict == c][:, members].sum(axis=0)
            out[c] = float(right @ share / share.sum())
    return out


@lru_cache(maxsize=64)
def least_markers(
    false_heterozygote: float, dropout: float, call_rate: float, settings: PlanSettings
) -> LeastMarkers:
    """The least numbers for markers with these rates; each holds for the next two numbers as well.

    (The chance is not quite rising in the number of markers: a threshold between two counts can be missed.)
    """
    one = [np.array([x]) for x in (false_heterozygote, dropout, call_rate)]
    panel = typical_panel(one[0], one[1], one[2], settings)
    evidence = pair_only(cross_evidence(panel, contrast_table(panel, settings.clear_share), 0, 1, settings))
    of_class = [CLASSES.index(kind.verdict) for kind in (Relation.HYBRID, Relation.SELF)]
    reached: list[tuple[bool, bool]] = []
    for n in range(1, MOST_MARKERS + _HOLDS_FOR):
        right = right_by_counts(evidence, n, settings)
        both = n >= settings.min_markers_scored and bool(np.all(right[of_class] >= settings.wanted))
        reached.append((both, both and bool(np.nanmin(right) >= settings.wanted)))
        if len(reached) >= _HOLDS_FOR and all(r[1] for r in reached[-_HOLDS_FOR:]):
            break
    return LeastMarkers(_first([r[0] for r in reached]), _first([r[1] for r in reached]))


def _first(reached: list[bool]) -> int | None:
    for i in range(len(reached) - _HOLDS_FOR + 1):
        if all(reached[i : i + _HOLDS_FOR]):
            return i + 1
    return None


def marker_worth(panel: PanelGenotypes, settings: PlanSettings) -> Floats:
    """Evidence of each marker where two parents differ, in units of the panel's median marker, (marker,).

    The least, over the relations a hybrid may be mistaken for, of Bhattacharyya's exponent
    -log sum_o sqrt(P(o|hybrid) P(o|r)) (Bhattacharyya 1943, `memory`) as a ratio to the median marker's, at
    most 1: a marker better than the median does not stand for more than one.
    """
    middle = [np.array([np.median(x[panel.usable])]) if panel.usable.any() else np.array([0.01])
              for x in (panel.false_heterozygote, panel.dropout, panel.call_rate)]  # fmt: skip
    rates = [
        np.concatenate([x, m])
        for x, m in zip((panel.false_heterozygote, panel.dropout, panel.call_rate), middle, strict=True)
    ]
    two = typical_panel(rates[0], rates[1], rates[2], settings)
    fixed = contrast_table(two, settings.clear_share)
    evidence = pair_only(cross_evidence(two, fixed, 0, 1, settings, np.arange(len(rates[0]))))
    root = np.sqrt(evidence.prob)
    hybrid = evidence.index(Relation.HYBRID)
    others = [i for i in range(len(evidence.kinds)) if i != hybrid]
    exponent = -np.log(np.einsum("mo,mro->mr", root[:, hybrid], root[:, others]))
    ratio = (exponent[:-1] / exponent[-1]).min(axis=1)
    return np.where(panel.usable, np.clip(ratio, 0.0, 1.0), 0.0)


@lru_cache(maxsize=512)
def _counts(n: int, parts: int) -> Floats:
    if parts == 1:
        return np.array([[n]], dtype=np.float64)
    rows = []
    for head in range(n + 1):
        tail = _counts(n - head, parts - 1)
        rows.append(np.hstack([np.full((len(tail), 1), float(head)), tail]))
    return np.vstack(rows)
