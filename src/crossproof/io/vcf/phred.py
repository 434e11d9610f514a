"""Likelihoods of genotypes on the phred scale: from logarithms, of haploid calls, of bare calls."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.io.vcf.grammar import Refused
from crossproof.model.arrays import Bools, Floats, Int8s, UInt8s
from crossproof.model.genotypes import genotype_alleles

NO_PHRED = 255
"""Stands at every genotype of a sample that has no likelihoods; where it has some the best is 0."""
NO_DEPTH = 65535
"""Stands at every allele of a sample that has no read depths; greater depths are written as one less."""


def haploid_to_diploid(scores: Floats, k: int) -> Floats:
    """Phred scores of single alleles (k,) as scores of diploid genotypes (n_g,).

    One allele drawn from genotype a/b is a or b with probability 1/2 each, so
    L(a/b) = (L(a) + L(b)) / 2.
    """
    likelihood = 10.0 ** (-(scores - scores.min()) / 10.0)
    pairs = genotype_alleles(k)
    mean = 0.5 * (likelihood[pairs[:, 0]] + likelihood[pairs[:, 1]])
    return np.asarray(-10.0 * np.log10(np.maximum(mean, 1e-30)))


def to_phred(scores: Floats) -> UInt8s:
    """Scores (..., genotype) with the best at 0, rounded, at most 255."""
    best = scores.min(axis=-1, keepdims=True)
    return np.asarray(np.minimum(np.rint(scores - best), 255), dtype=np.uint8)


def phred_of_calls(calls: Int8s, k: int, score: int = 20) -> UInt8s:
    """Likelihoods that say no more than a call does, for a record without PL: (..., 2) -> (..., n_g).

    The called genotype has 0 and every other `score` (20: wrong in 1 of 100); a half-missing or haploid call
    of allele a gives 0 to a/a, 3 to a/b (half as likely to show a) and `score` to the rest.
    """
    pairs = genotype_alleles(k)
    a, b = calls[..., 0, None], calls[..., 1, None]
    both = (a >= 0) & (b >= 0)
    low, high = np.minimum(a, b), np.maximum(a, b)
    exact = (pairs[:, 0] == low) & (pairs[:, 1] == high)
    seen = np.where(a >= 0, a, b)
    copies = (pairs[:, 0] == seen).astype(np.int8) + (pairs[:, 1] == seen)
    one = np.choose(copies, [score, 3, 0])
    out = np.where(both, np.where(exact, 0, score), np.where(seen >= 0, one, 0))
    return out.astype(np.uint8)


def all_are(values: NDArray[Any], what: int) -> Bools:
    """Whether every value along the last axis is `what`.

    Column by column, since a reduction over an axis of two or three is slow; the later columns are looked at
    where the first one says so.
    """
    out: Bools = np.equal(values[..., 0], what, order="C")
    if values.shape[-1] > 1:
        flat = out.reshape(-1)
        few = np.flatnonzero(flat)
        if len(few):
            flat[few] = (values.reshape(-1, values.shape[-1])[few, 1:] == what).all(axis=-1)
    return out


def with_calls(phred: UInt8s, calls: Int8s, k: int) -> tuple[UInt8s, Bools]:
    """Likelihoods where those of a sample that has none follow from its call, flat where it has none either.

    Returns them, and where (record, sample) a call stands in.
    """
    bare = all_are(phred, NO_PHRED)
    called = np.zeros_like(bare)
    if bare.any():
        own = calls[bare]
        called[bare] = (own >= 0).any(axis=-1)
        phred = phred.copy()
        phred[bare] = phred_of_calls(own, k)
    return phred, called


FILLED = 0.95
"""Share of homozygous reference calls among those at no read from which they are taken for filled in."""


def filled_in(unread: Sequence[tuple[Bools, Int8s]]) -> bool:
    """Whether calls at no read at all are a caller's filling, not calls that lost their reads in a merge.

    `unread`: per block where (record, sample) every depth is 0, and the calls (record, sample, 2). Some
    callers write 0/0 where they saw nothing; a merged file has all kinds of calls there.
    """
    total = reference = 0
    for cells, calls in unread:
        called = calls[cells]
        called = called[(called >= 0).any(axis=-1)]
        total += len(called)
        reference += int(((called == 0) | (called < 0)).all(axis=-1).sum())
    return total > 0 and reference >= FILLED * total


def two_ploidies(name: str, count: int, k: int) -> Refused:
    """What is wrong with likelihoods of diploid genotypes beside a haploid call."""
    return Refused(
        f"{name} has {count} values, those of diploid genotypes, beside a haploid genotype, which needs {k}.",
        "Export the file again with one ploidy for both, or set evidence: calls for this file in "
        "config.yaml.",
        record_only=True,
    )
