"""Strict bounds of the chance that a plant of one class gets a right and determined verdict, no randomness.

Symbols as in `cross_power`. Three looks, each dearer and sharper than the one before:

1. Markov's inequality for the sum of all R (`tails.sum_bound`).
2. Exact tails of the few relations that matter, by convolution, with b shared out among the relations in the
   best way: a lower bound. Any one R above b spoils the verdict: an upper bound.
3. On panels of few markers the outcomes themselves: of up to 24 markers before the second look, in pairs of
   halves (`halves`); of up to 40, where the first two leave the wanted chance open, as a tree (`outcomes`).
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power import tails
from crossproof.planning.power.evidence import CrossEvidence
from crossproof.planning.power.halves import MOST_MARKERS, right_by_halves
from crossproof.planning.power.outcomes import MOST_BRANCHES, right_by_outcomes

CLEAR_WIDTH = 0.002
"""Bounds that lie closer than this are as good as the value itself."""

_COARSE = 1 << 13
_CONVOLVED = 6
_SHARES = 40
_RELATIONS = 48
_NEAREST = 12
"""Relations that decide most crosses; looked at first where only the decision is asked for."""
_ASIDE = 0.04
_ENUMERATED_MARKERS = 40
FEW_BRANCHES = 150
"""Enough to decide most crosses."""

_PAIRS_A_BRANCH = 700
"""Pairs of half outcomes that take the time of one branch."""


def too_few_contrasts(contrast: int, least: int) -> bool:
    """Whether so few markers tell the parents apart that no plant is called hybrid or self."""
    return contrast < max(least, 1)


def class_bounds(
    evidence: CrossEvidence,
    true: int,
    settings: PlanSettings,
    branches: int = MOST_BRANCHES,
    *,
    decide: bool = False,
) -> tuple[float, float]:
    """Strict bounds of P(right and determined) of the plants of one relation, against all other classes.

    true: a relation that is a class by itself (hybrid or self). branches: how many the third look may follow;
    fewer cost less and leave wider bounds. decide: stop as soon as the wanted probability is reached.
    """
    alone = evidence.class_of == evidence.class_of[true]
    assert alone.sum() == 1, "bounds hold for a class of one relation"
    if too_few_contrasts(int(evidence.contrast.sum()), settings.min_markers_scored):
        return 0.0, 0.0
    others = np.flatnonzero(~alone)
    prob = evidence.prob[:, true]
    enough = tails.scored_enough(1 - prob[:, -1], settings.min_markers_scored)
    log_b = np.log(1 - settings.min_posterior) - np.log(settings.min_posterior)
    log_weight = evidence.log_prior[others] - evidence.log_prior[true]
    difference = evidence.score[:, true, None, :] - evidence.score[:, others, :]  # marker, relation, outcome
    by_marker = tails.chernoff_exponent(difference, prob[:, None, :])  # marker, relation, tilt
    exponent = by_marker.sum(axis=0)
    low = max(0.0, enough - float(tails.sum_bound(exponent, log_weight, log_b)))
    if enough - low < CLEAR_WIDTH / 4 or (decide and low >= settings.wanted):
        return low, enough
    bounds = (low, enough)
    if evidence.n_markers <= MOST_MARKERS:
        # Of so few markers most outcomes are soon gone through, sooner than a convolution takes.
        stop = (settings.wanted, settings.wanted) if decide else (np.inf, -np.inf)
        for most in sorted({min(branches, FEW_BRANCHES), branches}):
            found = right_by_halves(
                -difference, prob, log_weight, log_b, settings.min_markers_scored,
                _PAIRS_A_BRANCH * most, *stop,
            )  # fmt: skip
            bounds = max(low, found.low), min(enough, found.high)
            told = decide and not bounds[0] < settings.wanted <= bounds[1]
            if told or bounds[1] - bounds[0] < CLEAR_WIDTH:
                return bounds[0], max(bounds)
    spread = tails.failure_bound(exponent, log_weight - log_b)
    order = np.argsort(-spread, kind="stable")
    # Chernoff is enough for most relations; the few it leaves open are convolved.
    worst, rest = order[:_CONVOLVED], order[_CONVOLVED:]
    limits = log_b + np.log(np.arange(1, _SHARES + 1) / _SHARES)  # share
    low, high = bounds
    spoilt = []  # relation of `worst`: P(R > share of b), at most, (share,)
    for i in worst:
        rows = np.flatnonzero(np.abs(difference[:, i]).max(axis=1) > 1e-9)
        at_least, at_most = tails.below(difference[rows, i], prob[rows], log_weight[i] - limits, _COARSE)
        high = min(high, 1 - float(at_least[-1]))
        spoilt.append(at_most)
    if len(rest):
        spoilt.append(tails.sum_bound(exponent[rest], log_weight[rest], limits))
    low = max(low, enough - _least_total(spoilt))
    few = MOST_MARKERS < evidence.n_markers <= _ENUMERATED_MARKERS
    if few and low < settings.wanted <= high:
        low, high = _by_outcomes(
            (low, high), difference, prob, by_marker, log_weight, log_b, order, settings, branches, decide
        )
    return low, max(low, high)


def _by_outcomes(
    known: tuple[float, float],
    difference: Floats,
    prob: Floats,
    by_marker: Floats,
    log_weight: Floats,
    log_b: float,
    order: Ints,
    settings: PlanSettings,
    most: int,
    decide: bool,
) -> tuple[float, float]:
    """Sharper bounds from the outcomes themselves, gone through only as far as the wanted chance asks for.

    The relations of `order` after the first few can hardly matter: for the lower bound they get a small share
    of b, for the upper one they are left out.
    """
    low, high = known
    steps = [(branches, _RELATIONS) for branches in sorted({min(most, FEW_BRANCHES), most})]
    if decide and most > FEW_BRANCHES:
        steps = [(FEW_BRANCHES, _NEAREST), (most, _NEAREST), (most, _RELATIONS)]
    for branches, n in steps:
        near, far = order[:n], order[n:]
        attempts = [(1.0, 0.0)]
        if len(far):
            exponent = by_marker[:, far].sum(axis=0)
            spoilt = float(tails.sum_bound(exponent, log_weight[far], log_b + np.log(_ASIDE)))
            attempts = [(1 - _ASIDE, spoilt), (1.0, 1.0)]
        for share, spoilt in attempts:
            enough, too_little = settings.wanted + spoilt, settings.wanted if share == 1 else -np.inf
            if decide and enough > 1 and share < 1:
                continue  # nothing could be told
            found = right_by_outcomes(
                -difference[:, near], prob, by_marker[:, near], log_weight[near], log_b + np.log(share),
                settings.min_markers_scored, branches,
                enough if decide else np.inf, too_little if decide else -np.inf,
            )  # fmt: skip
            low = max(low, found.low - spoilt)
            high = min(high, found.high) if share == 1 else high
            if not low < settings.wanted <= high:
                return low, high
    return low, high


def _least_total(spoilt: list[Floats]) -> float:
    """Least sum of chances, one per relation, over all ways to share out b; each is (share,)."""
    best = np.concatenate([[0.0], np.full(_SHARES, np.inf)])  # shares used so far
    for chance in spoilt:
        each = np.concatenate([[np.inf], chance])
        used = np.add.outer(np.arange(_SHARES + 1), np.arange(_SHARES + 1))
        total = np.where(used <= _SHARES, best[:, None] + each[None, :], np.inf)
        best = np.full(_SHARES + 1, np.inf)
        np.minimum.at(best, np.minimum(used, _SHARES), total)
    return float(best.min())
