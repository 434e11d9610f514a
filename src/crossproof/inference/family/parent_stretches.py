"""Stretches of a chromosome in which a parent plant is not as its line.

A plant of a line departs from another where the line is still heterozygous: not at one marker but over a
stretch. Taken marker by marker, a plant crossed with an F1 would need a dozen departures, each as unlikely
as the first, to be heterozygous over one stretch, and its seed with the other allele there would pass for
selfs of the F1. So what a marker lies in, as the line or within a stretch, is a hidden Markov chain:

    P(what the plants say) = sum over states prod_j sum_{M,P} P(M, P | state_j) prod_i m_ij(M, P)

and W_-ij has the prior at marker j by what the plants other than i say of all other markers.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.family.emissions import MarkerChunk
from crossproof.inference.linkage import Chains, Stretches

STRETCHES = Stretches(0.03, 0.2)
"""Share and length (Morgan) of stretches in which the plant crossed with an F1 is not as its line, still
heterozygous or of another plant; no source."""
LEAST_EMISSION = 1e-12
"""Least likelihood ratio that one marker may bear on whether it lies in a stretch."""


def along_stretches(chain: Chains, chunks: Sequence[MarkerChunk]) -> None:
    """New W_-ij, and evidence in `log_total`, of the nuclear markers of a family that have just had their
    messages."""
    n = chunks[0].n + 1
    emission = np.empty((len(chain.route.r), 2, n))
    for chunk in chunks:
        emission[chunk.at], chunk.log_total = chunk.stretch_emissions()
    top = emission.max(axis=1, keepdims=True)
    emission = np.maximum(emission / top, LEAST_EMISSION)
    fit, done = chain.fit(emission)
    weights = chain.cavity(emission, np.ones((1, n)), done)
    weights /= weights.sum(axis=1, keepdims=True)
    for chunk in chunks:
        chunk.log_total = chunk.log_total + np.log(top[chunk.at, 0, -1])
        chunk.mix(weights[chunk.at])
    chunks[0].log_total[0] += fit[0, -1]
