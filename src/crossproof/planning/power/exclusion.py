"""How often a plant rules out the wrong parents by genotype alone, and fits no other cross than its own.

    q       allele frequencies of one marker; F inbreeding of the parents
    Q_1     P(a random plant is no child of a random other father, its mother being known)
    Q_2     P(a random plant is no child of a random other pair)
    S, D    mothers and fathers on the list

No typing errors are allowed for here, so these numbers compare panels; verdicts rest on likelihoods. With
F = 0 they are the exclusion probabilities of Jamieson and Taylor (1997, Anim Genet 28:397-400, `memory`); a
plant of one of S x D crosses fits its own alone with probability

    Q_2^(S D - 1)                                 all other pairs taken as strangers (Vandeputte 2012, eq. 2)
    Q_2^((S - 1)(D - 1)) Q_1^(S + D - 2)          pairs that share a parent counted as such (eq. 7)

(Vandeputte 2012, Genet Sel Evol 44:36.)
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import hybrid_table, pool_genotypes
from crossproof.model.arrays import Floats


def marker_exclusion(q: Floats, inbreeding: float) -> tuple[Floats, Floats]:
    """Q_1 and Q_2 of every marker, (marker,) each; q (marker, allele) with rows that sum to 1."""
    table = hybrid_table(q.shape[1])  # mother, father, child
    possible = (table > 0).astype(np.float64)
    parent = pool_genotypes(q, inbreeding)
    child_of = np.einsum("mi,mj,ijc->mic", parent, parent, table)  # joint of mother and child
    fits_pair = np.einsum("mi,mj,ijc->mc", parent, parent, possible)
    fits_father = np.einsum("mj,ijc->mic", parent, possible)
    q_pair = 1 - np.einsum("mic,mc->m", child_of, fits_pair)
    q_one = 1 - np.einsum("mic,mic->m", child_of, fits_father)
    return q_one, q_pair


def combined(per_marker: Floats) -> float:
    """Exclusion by at least one of independent markers, 1 - prod(1 - Q)."""
    return float(1 - np.prod(1 - per_marker))


def fits_own_alone(
    q_one: float, q_pair: float, mothers: int, fathers: int, *, shared_parents: bool = True
) -> float:
    """Probability that a plant fits no other of mothers x fathers crosses; see the module's head."""
    if not shared_parents:
        return float(q_pair ** (mothers * fathers - 1))
    return float(q_pair ** ((mothers - 1) * (fathers - 1)) * q_one ** (mothers + fathers - 2))
