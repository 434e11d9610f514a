"""Panel lines: genotype posteriors over a line's replicates, pool frequencies, conflicting tubes.

Glossary: `q` allele frequencies of the pool, every line weighing the same; `F` inbreeding; `h` share of
markers at which a parent plant departs from its line.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.short_axes import most_of_last, range_of_last, sum_of_last
from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import allele_dosage

POOL_PSEUDO_COUNT = 0.5
"""Pseudo-lines per allele behind every pool frequency, so that an allele no line shows stays possible."""

EARLIER_MARKERS, EARLIER_DIFFERENCES = 10.0, 0.2
"""Beta prior of the share of markers at which two wells of a line differ; no source."""


def line_prior(q: Floats, inbreeding: Floats) -> Floats:
    """Genotype prior (marker, line, genotype) of lines with `inbreeding` (line,) and pool q (marker, allele).

    (1-F) HWE(q) + F homozygous(q).
    """
    outbred = pool_genotypes(q, 0.0)[:, None]
    inbred = pool_genotypes(q, 1.0)[:, None]
    share = inbreeding[None, :, None]
    return np.asarray((1 - share) * outbred + share * inbred)


def normalised(weights: Floats) -> Floats:
    """Weights scaled to sum 1 over the last axis."""
    return np.asarray(weights / sum_of_last(weights, keepdims=True))


def fit_pool(
    likelihood: Floats, inbreeding: Floats, weight: Floats, *, tolerance: float = 1e-6, rounds: int = 200
) -> tuple[Floats, Floats]:
    """Pool frequencies and line posteriors by EM.

    `likelihood` (marker, line, genotype): product over each line's replicates; `inbreeding` (line,); `weight`
    (line,): weight of each line in the pool. Returns q (marker, allele) and posterior (marker, line,
    genotype). Lines without data at a marker contribute what the pool says of them, which leaves q where it
    is.
    """
    m, _, n_g = likelihood.shape
    k = int((np.sqrt(8 * n_g + 1) - 1) / 2)
    q = np.full((m, k), 1 / k)
    known = weight[None, :] * (range_of_last(likelihood) > 1e-9)
    dosage = allele_dosage(k)
    active = np.arange(m)
    for _ in range(rounds):
        like, mass = likelihood[active], known[active]
        posterior = normalised(line_prior(q[active], inbreeding) * like)
        counts = np.einsum("mlg,ga,ml->ma", posterior, dosage, mass) + POOL_PSEUDO_COUNT
        new = normalised(counts)
        moved = np.abs(new - q[active]).max(axis=1)
        q[active] = new
        active = active[moved >= tolerance]
        if not len(active):
            break
    posterior = normalised(line_prior(q, inbreeding) * likelihood)
    return q, posterior


def discordance(likelihoods: list[Floats], *, cautious: bool = False) -> Floats:
    """Expected share (well, well) of markers at which two wells differ, from flat-prior genotype posteriors.

    `likelihoods`: one (marker, well, genotype) array per number of alleles. Only markers that both wells tell
    something of count (best genotype at least 0.9); NaN where there are fewer than one. `cautious`: with
    EARLIER_MARKERS more, of which EARLIER_DIFFERENCES differ: one miscall among the few markers that a poor
    well shows is no contradiction.
    """
    w = likelihoods[0].shape[1]
    same, scored = np.zeros((w, w)), np.zeros((w, w))
    for like in likelihoods:
        clear = most_of_last(like) >= 0.9
        best = like.argmax(axis=2)
        scored += clear.T.astype(np.float64) @ clear
        for g in range(like.shape[2]):
            hit = (clear & (best == g)).astype(np.float64)
            same += hit.T @ hit
    with np.errstate(invalid="ignore"):
        apart, among = scored - same, np.where(scored > 0, scored, np.nan)
        if cautious:
            apart, among = apart + EARLIER_DIFFERENCES, among + EARLIER_MARKERS
        return np.asarray(apart / among)


def cluster_wells(differ: Floats, limit: float) -> Ints:
    """Cluster numbers (well,) by average linkage: wells that differ at more than `limit` of markers part.

    Numbered by size, largest first, ties by the first well. Unknown pairs count as agreeing.
    """
    w = len(differ)
    groups = [[i] for i in range(w)]
    distance = np.nan_to_num(differ, nan=0.0)
    while len(groups) > 1:
        pairs = [
            (float(np.mean([distance[i, j] for i in a for j in b])), x, y)
            for x, a in enumerate(groups)
            for y, b in enumerate(groups)
            if x < y
        ]
        best, x, y = min(pairs)
        if best > limit:
            break
        groups[x] += groups.pop(y)
    groups.sort(key=lambda g: (-len(g), min(g)))
    labels = np.zeros(w, dtype=np.int64)
    for number, group in enumerate(groups):
        labels[group] = number
    return labels
