"""What the family model makes of a family under one reading of its parents."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.arrays import Floats, Ints


@dataclass(frozen=True)
class Solution:
    """`pair` (R, n) and `donor` (D, n): log P(D_i | r); `mother`, `father`: parent posteriors (m, n_g) per
    block; `outside` per block (pairs, m, n): W_-ij, kept only on request; `active`: the donors in the
    messages; `rival`: whether another solution, in which plants are of other relations, explains nearly as
    much."""

    pair: Floats
    donor: Floats
    active: Ints
    mother: tuple[Floats, ...]
    father: tuple[Floats, ...]
    log_evidence: float
    log_shared: float
    rounds: int
    converged: bool
    outside: tuple[Floats, ...]
    rival: bool = False
