"""From an observation to the likelihood of every genotype, L(g) = P(D | g).

Glossary (symbols of docs/model): `k` alleles, `n_g = k(k+1)/2` genotypes in VCF order, `f` false
heterozygote, `d` allelic dropout, `e` anything else (for calls: swap; for reads: error per read),
`rho` overdispersion of allele draws, `eps` floor.

A likelihood is known up to a factor that does not depend on g, so every function here returns it scaled to
sum 1 over the genotype axis, which is always the last one. Nothing seen means a flat row.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crossproof.model.arrays import Floats, Ints, UInt8s
from crossproof.model.genotypes import allele_dosage, genotype_alleles, n_genotypes
from crossproof.model.sentinels import NO_CALL_CODE


@cache
def _moves(k: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares (true, observed) in which f, d and e of a true genotype spread over observed ones.

    Returns (stay, by_f, by_d, by_e): the error matrix is stay + f by_f + d by_d + e by_e.
    """
    pairs = genotype_alleles(k)
    n = len(pairs)
    by_f, by_d, by_e = np.zeros((n, n)), np.zeros((n, n)), np.zeros((n, n))
    for true, (a, b) in enumerate(pairs):
        others = [o for o in range(n) if o != true]
        if a == b:
            near = [o for o in others if pairs[o, 0] != pairs[o, 1] and a in pairs[o]]
            by_near = by_f
        else:
            near = [o for o in others if pairs[o, 0] == pairs[o, 1] and pairs[o, 0] in (a, b)]
            by_near = by_d
        far = [o for o in others if o not in near]
        for share, places in ((by_near, near), (by_e, far)):
            if places:
                share[true, places] = 1 / len(places)
                share[true, true] -= 1
    return np.eye(n), by_f, by_d, by_e


def call_error_matrix(k: int, f: ArrayLike, d: ArrayLike, e: float) -> Floats:
    """P(observed | true) of called genotypes, (..., true, observed); every row sums to 1.

    A homozygote a/a is seen as one of its heterozygotes a/b with probability `f` in all (shared evenly), a
    heterozygote as either of its homozygotes with `d`/2 each, and either as any other genotype with `e` in
    all. `f`, `d`: probabilities, scalars or (marker,) arrays; `e`: probability.
    """
    stay, by_f, by_d, by_e = _moves(k)
    f = np.asarray(f, dtype=np.float64)[..., None, None]
    d = np.asarray(d, dtype=np.float64)[..., None, None]
    return np.asarray(stay + f * by_f + d * by_d + e * by_e)


def observation_table(k: int, f: ArrayLike, d: ArrayLike, e: float) -> Floats:
    """P(observation code | genotype), (..., code, genotype), codes as `observation_codes` numbers them.

    Codes 0 .. n_g-1 are genotypes; n_g + a is a single seen allele, drawn at random from the two copies and
    misread with probability `e`; the last row, for no call, is 1.
    """
    matrix = np.swapaxes(call_error_matrix(k, f, d, e), -1, -2)
    dosage = allele_dosage(k).T  # allele, genotype
    single = (1 - e) * dosage + (e / max(k - 1, 1)) * (1 - dosage)
    shape = matrix.shape[:-2]
    n_g = n_genotypes(k)
    return np.concatenate(
        [matrix, np.broadcast_to(single, (*shape, k, n_g)), np.ones((*shape, 1, n_g))], axis=-2
    )


def likelihood_from_calls(codes: UInt8s, k: int, f: ArrayLike, d: ArrayLike, e: float) -> Floats:
    """Likelihoods (marker, well, genotype) of observation codes (marker, well).

    `f`, `d`: scalars or one per marker; `e`: scalar. Model.md section 1, error matrix E_j.
    """
    m = codes.shape[0]
    f, d = (np.broadcast_to(np.asarray(x, float), (m,)) for x in (f, d))
    return likelihood_by_table(codes, likelihood_table(k, f, d, e))


def likelihood_table(k: int, f: Floats, d: Floats, e: float) -> Floats:
    """Likelihoods (marker, code, genotype) of every observation code at markers with these error rates."""
    table = observation_table(k, f, d, e)
    return np.asarray(table / table.sum(axis=-1, keepdims=True))


def likelihood_by_table(codes: UInt8s, table: Floats, places: tuple[Ints, ...] | None = None) -> Floats:
    """Likelihoods (marker, well, genotype) of observation codes (marker, well), from `likelihood_table`.

    `places`: indices of the table's other axes, as wide as the codes together; None where it has the same
    markers as these.
    """
    code = np.where(codes == NO_CALL_CODE, table.shape[-2] - 1, codes)
    return np.asarray(table[(*(places or (np.arange(len(codes))[:, None],)), code)])


def likelihood_from_depths(depths: NDArray[np.integer], e: float, rho: float) -> Floats:
    """Likelihoods (..., genotype) of read depths (..., allele).

    A read shows one of the two copies at random and is misread with probability `e`; allele shares vary
    between wells with overdispersion `rho` (Dirichlet-multinomial with concentration (1-rho)/rho; rho = 0 is
    the multinomial). Depth 0 everywhere gives a flat row.
    """
    k = depths.shape[-1]
    dosage = allele_dosage(k)  # genotype, allele
    share = (1 - e) * dosage + (e / max(k - 1, 1)) * (1 - dosage)
    top = int(depths.max(initial=0))
    n = np.arange(top + 1, dtype=np.float64)
    values, which = np.unique(share, return_inverse=True)
    which = which.reshape(share.shape)
    # log of the rising factorial of each distinct Dirichlet parameter, (value, reads)
    if rho > 0:
        alpha = values * (1 - rho) / rho
        steps = np.log(np.maximum(alpha[:, None] + n[:-1], 1e-300))
        rising = np.concatenate([np.zeros((len(values), 1)), np.cumsum(steps, axis=1)], axis=1)
    else:
        rising = n * np.log(np.maximum(values, 1e-300))[:, None]
    log_l = np.zeros((*depths.shape[:-1], len(share)))
    for g in range(len(share)):
        for a in range(k):
            log_l[..., g] += rising[which[g, a]][depths[..., a]]
    log_l -= log_l.max(axis=-1, keepdims=True)
    likelihood = np.exp(log_l)
    return np.asarray(likelihood / likelihood.sum(axis=-1, keepdims=True))


_PHRED = 10.0 ** (-np.arange(256) / 10)


def likelihood_from_phred(phred: UInt8s) -> Floats:
    """Likelihoods (..., genotype) of phred-scaled ones, L = 10^(-PL/10) (VCF 4.3, field PL)."""
    likelihood = _PHRED[phred]
    return np.asarray(likelihood / likelihood.sum(axis=-1, keepdims=True))


def apply_floor(likelihood: Floats, eps: float) -> Floats:
    """L <- (1-eps) L + eps mean(L) over the genotype axis, so that no single marker can decide a plant."""
    return np.asarray((1 - eps) * likelihood + eps * likelihood.mean(axis=-1, keepdims=True))
