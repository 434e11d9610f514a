"""What a plant's family adds: the exact two-class power when the others tell about the parents.

    M, P       genotypes of the actual mother and father plant, shared by the family
    n_h, n_s   other plants of the family, hybrids and selfs
    v          what the others show at one marker: how many of each outcome, among hybrids and among selfs
    W(M,P|v)   what the others say of the parents, ~ P(M) P(P) P(v | M, P), as in step 2 of the family model

The family model converges to classes of the others that are nearly certain, so they are taken as known. Then
the pair (v, own outcome) has finitely many values at each marker; its probability is a sum over (M, P) and
its score

    log sum_{M,P} W(M,P|v) F(o | hybrid, M, P) - log sum_{M,P} W(M,P|v) F(o | self, M, P)

so that the tail over markers is exact by convolution, as for one plant. Markers with more than two alleles
have too many values of v; they are counted as for one plant, which is a lower bound.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.special import gammaln

from crossproof.inference.evidence.error_model import apply_floor, call_error_matrix
from crossproof.inference.pedigree import pair_tables
from crossproof.model.arrays import Bools, Floats
from crossproof.model.results import Relation
from crossproof.planning.inputs import PanelGenotypes, PlanSettings
from crossproof.planning.power.cross_power import informative, pair_threshold
from crossproof.planning.power.evidence import CrossEvidence, parent_prior
from crossproof.planning.power.tails import Tail, evidence_tail

_HYBRID_ROW, _SELF_ROW = 0, 1  # rows of pair_tables
_MOST_OTHERS = 11


def split_family(size: int, settings: PlanSettings) -> tuple[int, int]:
    """Hybrids and selfs among the `size` - 1 other plants, in the proportion of the class prior.

    More others than 11 are counted as 11: what they say of the parents is all but certain by then.
    """
    others = min(max(size - 1, 0), _MOST_OTHERS)
    hybrid, selfed = settings.class_prior[:2]
    n_self = round(others * selfed / (hybrid + selfed))
    return others - n_self, n_self


def family_tail(
    panel: PanelGenotypes,
    evidence: CrossEvidence,
    mother: int,
    father: int,
    settings: PlanSettings,
    size: int,
) -> tuple[Tail, Tail]:
    """A hybrid against self, and a self against hybrid, judged in a family of `size`; exact with bounds.

    mother, father: places in `panel.lines`. Returns (hybrid right, self right).
    """
    hybrid, selfed = evidence.index(Relation.HYBRID), evidence.index(Relation.SELF)
    n_h, n_s = split_family(size, settings)
    rows, least = informative(evidence, settings)
    place = {int(row): i for i, row in enumerate(evidence.rows)}
    scores: list[Floats] = []
    scored: list[Bools] = []
    probs: dict[int, list[Floats]] = {hybrid: [], selfed: []}
    rest = set(rows.tolist())
    told = set(np.flatnonzero(evidence.contrast).tolist())
    for block in panel.blocks:
        if block.k != 2:
            continue
        inside = np.array(
            [i for i, row in enumerate(block.rows) if place.get(int(row), -1) in told], dtype=np.int64
        )
        if not len(inside):
            continue
        m_prior = parent_prior(block, inside, mother, settings)
        p_prior = parent_prior(block, inside, father, settings)
        for i, b in enumerate(inside):
            j = int(block.rows[b])
            score, prob_h, prob_s = _marker_atoms(
                (m_prior[i][:, None] * p_prior[i][None, :]).ravel(),
                call_error_matrix(2, panel.false_heterozygote[j], panel.dropout[j], settings.swap),
                float(panel.call_rate[j]),
                settings.floor,
                n_h,
                n_s,
            )
            scores.append(score)
            scored.append(np.arange(len(score)) % 4 < 3)
            probs[hybrid].append(prob_h)
            probs[selfed].append(prob_s)
            rest.discard(place[j])
    for i in sorted(rest):
        scores.append(evidence.score[i, hybrid] - evidence.score[i, selfed])
        scored.append(np.arange(evidence.score.shape[2]) < evidence.score.shape[2] - 1)
        for kind in (hybrid, selfed):
            probs[kind].append(evidence.prob[i, kind])
    width = max((len(s) for s in scores), default=1)
    padded = np.array([np.pad(s, (0, width - len(s))) for s in scores]).reshape(len(scores), width)
    mask = np.array([np.pad(s, (0, width - len(s))) for s in scored]).reshape(len(scores), width)
    out = []
    for true, other, sign in ((hybrid, selfed, 1.0), (selfed, hybrid, -1.0)):
        prob = np.array([np.pad(p, (0, width - len(p))) for p in probs[true]]).reshape(len(scores), width)
        threshold = pair_threshold(evidence, true, other, settings.min_posterior)
        out.append(evidence_tail(sign * padded, prob, threshold, mask, least))
    return out[0], out[1]


def _marker_atoms(
    prior: Floats, errors: Floats, call_rate: float, floor: float, n_h: int, n_s: int
) -> tuple[Floats, Floats, Floats]:
    """Score and probability under hybrid and self of every (v, own outcome), each flattened."""
    tables = pair_tables(2)
    floored = apply_floor(errors.T, floor).T
    missing = np.ones((len(prior), 1))
    shown, likely = {}, {}
    for kind in (_HYBRID_ROW, _SELF_ROW):
        child = tables[kind]  # pair, genotype
        shown[kind] = np.hstack([call_rate * (child @ errors), (1 - call_rate) * missing])
        likely[kind] = np.hstack([child @ floored, missing])
    true_weight, model_weight = prior[None, :], prior[None, :]
    for kind, n in ((_HYBRID_ROW, n_h), (_SELF_ROW, n_s)):
        counts = _compositions(n, 4)
        ways = np.exp(gammaln(n + 1) - gammaln(counts + 1).sum(axis=1))
        with np.errstate(divide="ignore"):
            log_shown = np.maximum(np.log(shown[kind]), -700.0)
        p_true = ways[:, None] * np.exp(counts @ log_shown.T)  # v, pair
        p_model = np.exp(counts @ np.log(likely[kind]).T)
        true_weight = (true_weight[:, None, :] * p_true[None]).reshape(-1, len(prior))
        model_weight = (model_weight[:, None, :] * p_model[None]).reshape(-1, len(prior))
    model_weight = model_weight / model_weight.sum(axis=1, keepdims=True)
    score = np.log(model_weight @ likely[_HYBRID_ROW]) - np.log(model_weight @ likely[_SELF_ROW])
    probs = [(true_weight @ shown[kind]).ravel() for kind in (_HYBRID_ROW, _SELF_ROW)]
    return score.ravel(), probs[0] / probs[0].sum(), probs[1] / probs[1].sum()


def _compositions(n: int, parts: int) -> Floats:
    """All ways to write n as ordered whole numbers at least 0, (way, part)."""
    rows = [(*head, n - sum(head)) for head in product(range(n + 1), repeat=parts - 1) if sum(head) <= n]
    return np.array(rows, dtype=np.float64)
