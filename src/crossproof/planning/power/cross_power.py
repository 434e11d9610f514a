"""How surely a cross can be proven before it is made (model.md section 7).

    right      the verdict of the plant's true class, its posterior at least `min_posterior`
    b          (1 - min_posterior) / min_posterior: the most all other classes together may weigh against it
    R(r)       prior(r) P(D | r) / (prior(t) P(D | t)), relation r against the true relation t

A verdict for class t is right and determined when the sum of R over all relations of other classes is at
most b.

- A verdict of hybrid or self asks for at least `min_markers_scored` contrast markers in the cross
  (`provable`).
- Against one other relation this is a tail of a sum over markers: exact, by convolution (`tails`).
- Against all of them there are strict bounds for hybrid and self (`bounds`); they alone decide whether the
  cross can be proven.
- The value between the bounds, and the classes outcross and off_pedigree, which are mixtures over as many
  relations as the panel has lines, are out of reach of convolution: Monte Carlo with a seed, its standard
  error beside it.
- In a family the others tell about the parents: `family_tail` is exact for two classes, given the classes of
the
  other plants, by enumerating what they can show at each marker.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.results import CLASSES, Provable, Relation, Verdict
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power import tails
from crossproof.planning.power.bounds import CLEAR_WIDTH, class_bounds, too_few_contrasts
from crossproof.planning.power.evidence import CrossEvidence
from crossproof.planning.power.provable import state_of
from crossproof.planning.power.tails import Tail, evidence_tail


@dataclass(frozen=True)
class CrossPower:
    """What one plant of a cross would be found to be, class by class in the order of CLASSES.

    `right` (4,): probability of a correct verdict; `low`, `high` (4,): strict bounds for hybrid
    and self, the 95 % Monte Carlo limits for the others; `exact` (4,) bool: no Monte Carlo in it.
    `wrong` (4,): probability of a determined verdict of another class (Monte Carlo; NaN where none was run).
    `against_self`: a hybrid against self alone, exact; `against_hybrid`: a self against hybrid alone, exact.
    `contrast`: contrast markers; `expected_scored`: of these, scored in a plant on average.
    `provable`: whether the cross can be proven, from the bounds alone.
    """

    right: Floats
    low: Floats
    high: Floats
    exact: Bools
    wrong: Floats
    against_self: float
    against_hybrid: float
    contrast: int
    expected_scored: float
    provable: Provable


def pair_threshold(evidence: CrossEvidence, true: int, other: int, min_posterior: float) -> float:
    """Least log likelihood ratio at which relation `true` outweighs `other` at `min_posterior`, natural
    log."""
    odds = np.log(min_posterior / (1 - min_posterior))
    return float(odds - evidence.log_prior[true] + evidence.log_prior[other])


def two_class_tail(evidence: CrossEvidence, true: int, other: int, settings: PlanSettings) -> Tail:
    """P(verdict of `true` is right and determined), were `other` the only alternative; exact with bounds.

    Markers at which the parents agree say nothing of self and hybrid; they only help a plant to be scored at
    `min_markers_scored` markers in all.
    """
    if too_few_contrasts(int(evidence.contrast.sum()), settings.min_markers_scored):
        return Tail(0.0, 0.0, 0.0)
    rows, least = informative(evidence, settings)
    scored = np.zeros((len(rows), evidence.score.shape[2]), dtype=bool)
    scored[:, :-1] = True
    return evidence_tail(
        evidence.score[rows, true] - evidence.score[rows, other],
        evidence.prob[rows, true],
        pair_threshold(evidence, true, other, settings.min_posterior),
        scored,
        least,
    )


def informative(evidence: CrossEvidence, settings: PlanSettings) -> tuple[Ints, int]:
    """Markers to count and how many of them must be scored: shared ones only where they may fall short."""
    shared = 1 - evidence.prob[~evidence.contrast, 0, -1]
    sure = tails.scored_enough(np.sort(shared)[-50:], settings.min_markers_scored)
    if sure > 1 - tails.NEGLIGIBLE:
        return np.flatnonzero(evidence.contrast), 0
    return np.arange(evidence.n_markers), settings.min_markers_scored


def simulate(
    evidence: CrossEvidence, true_class: int, settings: PlanSettings, draws: int, rng: np.random.Generator
) -> Floats:
    """Share of simulated plants of a class that get each verdict, (class + 1,); the last is undetermined.

    The class's relations come up in the proportion of their prior, markers are independent given the
    relation.
    """
    members = np.flatnonzero(evidence.class_of == true_class)
    share = np.exp(evidence.log_prior[members])
    relation = rng.choice(members, size=draws, p=share / share.sum())
    n_m, n_r, n_o = evidence.score.shape
    out = np.zeros(len(CLASSES) + 1)
    table = np.ascontiguousarray(evidence.score.transpose(0, 2, 1).reshape(n_m * n_o, n_r))
    ladder = evidence.prob.cumsum(axis=2)
    chunk = max(1, int(4e6 / max(1, n_m * n_o)))
    for start in range(0, draws, chunk):
        which = relation[start : start + chunk]
        u = rng.random((len(which), n_m))
        outcome = (u[:, :, None] > ladder[:, which].transpose(1, 0, 2)[:, :, :-1]).sum(axis=2)
        hot = np.zeros((len(which), n_m * n_o))
        hot[np.arange(len(which))[:, None], np.arange(n_m) * n_o + outcome] = 1.0
        log_post = hot @ table + evidence.log_prior
        scored = (outcome < n_o - 1).sum(axis=1)
        out += _verdict_counts(log_post, evidence.class_of, scored, settings)
    if too_few_contrasts(int(evidence.contrast.sum()), settings.min_markers_scored):
        out[-1] += out[:2].sum()
        out[:2] = 0.0
    return out / draws


def _verdict_counts(
    log_post: Floats,
    class_of: Ints,
    scored: Ints,
    settings: PlanSettings,
) -> Floats:
    top = log_post.max(axis=1, keepdims=True)
    weight = np.exp(log_post - top)
    by_class = np.stack([weight[:, class_of == c].sum(axis=1) for c in range(len(CLASSES))], axis=1)
    by_class /= by_class.sum(axis=1, keepdims=True)
    clear = (by_class.max(axis=1) >= settings.min_posterior) & (scored >= settings.min_markers_scored)
    verdict = np.where(clear, by_class.argmax(axis=1), len(CLASSES))
    return np.bincount(verdict, minlength=len(CLASSES) + 1).astype(np.float64)


def cross_power(
    evidence: CrossEvidence,
    settings: PlanSettings,
    draws: int,
    rng: np.random.Generator,
    *,
    only: tuple[Verdict, ...] = CLASSES,
) -> CrossPower:
    """Everything one plant of a cross can be proven to be; see the module's head for what is exact.

    draws: Monte Carlo draws per class that needs them, 0 for none. only: classes to work out, NaN for the
    others.
    """
    hybrid, selfed = evidence.index(Relation.HYBRID), evidence.index(Relation.SELF)
    contrast = int(evidence.contrast.sum())
    n = len(CLASSES)
    right, low, high = np.zeros(n), np.zeros(n), np.zeros(n)
    wrong, exact = np.full(n, np.nan), np.zeros(n, dtype=bool)
    few = too_few_contrasts(contrast, settings.min_markers_scored)
    for place, verdict in enumerate(CLASSES):
        if not contrast or (few and verdict in (Verdict.HYBRID, Verdict.SELF)):
            exact[place] = True
            continue
        if verdict in (Verdict.HYBRID, Verdict.SELF) and verdict in only:
            low[place], high[place] = class_bounds(
                evidence, hybrid if verdict is Verdict.HYBRID else selfed, settings
            )
            if high[place] - low[place] < CLEAR_WIDTH or draws == 0:
                right[place], exact[place] = (low[place] + high[place]) / 2, True
                continue
        if draws == 0 or verdict not in only:
            right[place], low[place], high[place] = np.nan, 0.0, 1.0
            continue
        found = simulate(evidence, place, settings, draws, rng)
        right[place], wrong[place] = found[place], found[:n].sum() - found[place]
        if verdict in (Verdict.HYBRID, Verdict.SELF):
            right[place] = np.clip(right[place], low[place], high[place])
        else:
            error = 1.96 * np.sqrt(max(found[place] * (1 - found[place]), 1 / draws) / draws)
            low[place], high[place] = max(0.0, found[place] - error), min(1.0, found[place] + error)
    return CrossPower(
        right=right,
        low=low,
        high=high,
        exact=exact,
        wrong=wrong,
        against_self=two_class_tail(evidence, hybrid, selfed, settings).value,
        against_hybrid=two_class_tail(evidence, selfed, hybrid, settings).value,
        contrast=contrast,
        expected_scored=float((1 - evidence.prob[evidence.contrast, hybrid, -1]).sum()),
        provable=state_of(contrast, low[:2], high[:2], settings),
    )


def proven_by(power: CrossPower, settings: PlanSettings) -> bool:
    """The cross counts as proven: hybrid and self, or every class where the settings ask for it."""
    proven = power.provable is Provable.YES
    if settings.prove_all_classes:
        return proven and bool(np.nan_to_num(power.right).min() >= settings.wanted)
    return proven
