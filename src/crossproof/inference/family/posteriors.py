"""Posteriors of the relations of a family's plants, from log likelihoods and priors.

Also which relations are worth a place in the messages, and what plants are taken for in the first of them.
Symbols as in `family_model`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from crossproof.model.arrays import Floats, Ints

FADED = 1e-6
"""Posterior below which, for all plants, a relation sends no messages; all are weighed at the end."""
ACTIVE_DONORS = 12
"""Most pollen donors that take part in the messages; all of them are weighed before and after."""

Posterior = tuple[Floats, Floats, Floats]
"""Of the pair relations (live, n), the donors (donor, n), and all other relations together (n,)."""


class Start(Enum):
    """What plants are taken for in the first message: what each is by the priors of the parents alone; a
    hybrid or a self, whichever is likelier; or all of them hybrids."""

    ALONE = 0
    HYBRID_OR_SELF = 1
    HYBRIDS = 2


@dataclass(frozen=True)
class Priors:
    """Natural-log priors of the relations: `pair` (R,), `donor` (D,), and `flat` (n,), the log of the summed
    prior x likelihood of all relations that do not involve this mother and father."""

    pair: Floats
    donor: Floats
    flat: Floats


def hybrids_or_selfs(pair: Floats, priors: Priors, n_donors: int, start: Start) -> Posterior:
    """Posteriors with every plant a hybrid or a self (the first two pair relations)."""
    n = pair.shape[1]
    scores = priors.pair[:2, None] + pair[:2]
    if start is Start.HYBRIDS:
        scores[1] = -np.inf
    weights = np.exp(scores - scores.max(axis=0))
    both = np.zeros_like(pair)
    both[:2] = weights / weights.sum(axis=0)
    return both, np.zeros((n_donors, n)), np.zeros(n)


def weighed(pair: Floats, donor: Floats, live: Ints, which: Ints, priors: Priors) -> tuple[Posterior, Floats]:
    """Posteriors of the pair relations (live, n), donors (donor, n) and all other relations together (n,);
    and the log of the summed prior x likelihood (n,)."""
    scores = np.concatenate(
        [priors.pair[live][:, None] + pair, priors.donor[which][:, None] + donor, priors.flat[None]]
    )
    top = scores.max(axis=0)
    weights = np.exp(scores - top)
    total = weights.sum(axis=0)
    weights /= total
    r = len(pair)
    return (weights[:r], weights[r:-1], weights[-1]), top + np.log(total)


def worth_a_message(live: Ints, posterior: Posterior) -> tuple[Ints, Ints]:
    """Places of the relations and donors that are worth a place in the messages.

    Hybrid and self always are, and so is the last donor, the pool; of the others the ACTIVE_DONORS likeliest
    at most.
    """
    pair, donor, _ = posterior
    best = donor.max(axis=1)
    best[-1] = np.inf
    top = np.argsort(-best, kind="stable")[:ACTIVE_DONORS]
    return np.flatnonzero((pair.max(axis=1) >= FADED) | (live < 2)), np.sort(top[best[top] >= FADED])


def likeliest_left_out(posterior: Floats, rows: Ints, kept: Ints) -> float:
    """Highest posterior among the rows (increasing, as those kept are) that are not kept."""
    if len(rows) == len(kept):
        return 0.0
    out = np.ones(len(rows), dtype=bool)
    out[np.searchsorted(rows, kept)] = False
    return float(posterior[out].max(initial=0.0))


def summed_by(number: Ints, values: Floats, size: int) -> Floats:
    """Rows of `values` (row, n) with the same number (row,) added up, one after the other, (size, n)."""
    n = values.shape[1]
    cell = number[:, None] * n + np.arange(n)
    return np.asarray(np.bincount(cell.ravel(), values.ravel(), size * n).reshape(size, n), dtype=np.float64)


def likelihood_ratio(post: Floats, prior: Floats) -> Floats:
    """Likelihood ratio from a posterior; 0 where the pool lacks a genotype altogether."""
    return np.divide(post, prior, out=np.zeros_like(post), where=prior > 1e-12)
