"""The proposal taken of those that a plate's search compared, and what its choice leaves open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.plates.proposals import NEVER, Proposal

TIE = 1.0
"""Proposals whose likelihoods differ by less than this (log10) cannot be told apart."""
SETTLED = 2.0
"""A layout within these log10 odds of the best leaves open, if it is of the same kind, the wells where they
differ; of another kind, how the plate lay: a row would move every plant on it."""
FAINT = -5.0
"""log10 odds from which a proposal that is not taken is kept as a doubt."""


def best_of(candidates: list[Proposal], threshold: float) -> Proposal | None:
    """The best proposal of those that reach their threshold, with the names of those that fit as well."""
    enough = [p for p in candidates if p.log10_odds >= (threshold if p.least is None else p.least)]
    if not enough:
        return None
    first = max(enough, key=lambda p: p.log10_odds)
    best = _before_pairs(first, enough)
    ties = as_likely(best, candidates)
    others = [p for p in candidates if p.layout is not None and p.words != best.words]
    near = nearly_as_likely(best, others)
    tied = [*ties, *(p for p in near if p.kind is best.kind)]
    told = {p.words for p in ties}
    rivals = [p.words for p in near if p.words not in told and p.kind is not best.kind]
    rivals += [first.words] if first is not best else []
    rivals += [p.words for p in others if p.between and p.log10_odds > best.log10_odds]
    rival = max((p for p in others if not p.between), key=lambda p: p.log10_odds, default=None)
    return replace(
        best,
        next_best=None if rival is None else (rival.words, rival.log10_odds),
        rivals=tuple(dict.fromkeys(rivals)),
        same_as=tuple(dict.fromkeys(p.words for p in ties)),
        tied=tuple(p.layout for p in tied if p.layout is not None),
    )


def _before_pairs(best: Proposal, enough: list[Proposal]) -> Proposal:
    """The likeliest layout that leaves it open whether two wells changed places, if these fit best.

    Two plants typed again would not show that a row lies otherwise, and the others of it would be judged.
    """
    layouts = [p for p in enough if p.layout is not None and p.log10_odds > best.log10_odds - SETTLED]
    return max(layouts, key=lambda p: p.log10_odds) if best.wells is not None and layouts else best


def as_likely(best: Proposal, candidates: list[Proposal]) -> list[Proposal]:
    """Those that may be taken, say another thing than the best, and cannot be told from it by the data."""
    return [
        p
        for p in candidates
        if p is not best
        and p.least is not NEVER
        and abs(p.likelihood - best.likelihood) < TIE
        and p.words != best.words
    ]


def nearly_as_likely(best: Proposal, layouts: list[Proposal]) -> list[Proposal]:
    """Other layouts near enough to leave it open how the plate lay, if the best is a layout itself."""
    if best.layout is None:
        return []
    return [p for p in layouts if p.least is not NEVER and p.log10_odds > best.log10_odds - SETTLED]


def open_doubts(candidates: list[Proposal]) -> tuple[Proposal, ...]:
    """Proposals to move a part of the plate that are too weak to be made, the likeliest first.

    Wells that are moved within a family show it at the family's border alone, where one well or two speak.
    """
    weak = [p for p in candidates if p.layout is not None and p.log10_odds >= FAINT]
    return tuple(sorted(weak, key=lambda p: -p.log10_odds))


def beside_pair(best: Proposal, candidates: list[Proposal]) -> tuple[Proposal, ...]:
    """Doubts for which the wells of a pair speak that is taken, with their odds beside those of the pair.

    What the pair explains says nothing for them any more once it is taken; but it may be the wrong story.
    """
    if best.wells is None:
        return ()
    rivals = [p for p in open_doubts(candidates) if (p.gain[list(best.wells)] > 0).any()]
    less = float(np.log10(1.0 + 10.0**best.log10_odds))
    return tuple(replace(p, log10_odds=p.log10_odds - less) for p in rivals)
