"""What the genotyping saw of the true genotypes.

f_j, d_j, e   false heterozygote, dropout and swap rates of marker j (model.md, section 1)
genotypes     (well, 2, marker) int8, what is in each well; allele -1 where there is no DNA
calls         (marker, well, 2) int8, what was called; MISSING where nothing was
depths        (marker, well, 2) uint16, reads of the two alleles of a biallelic marker
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Int8s, Ints, UInt8s, UInt16s
from crossproof.model.sentinels import MISSING
from crossproof.simulate.genome import Genome
from crossproof.simulate.plan import SeasonPlan

CHUNK = 256  # wells at a time
MISSING_SPREAD = 20.0  # beta concentration of the missing rate over markers
FAILED_CALL_RATE = (0.0, 0.25)
FAILED_DROPOUT = 0.3
BLANK_DEPTH_SHARE = 0.002
MIXED_SEEN = 0.2  # an allele with this share of the DNA is called half the time


@dataclass(frozen=True)
class Assays:
    """Rates of every marker, (marker,) float each; `null_allele` int8, -1 where no allele drops out."""

    false_heterozygote: Floats
    dropout: Floats
    missing: Floats
    depth_factor: Floats
    null_allele: Int8s
    bad: Bools


def draw_assays(plan: SeasonPlan, genome: Genome, rng: np.random.Generator) -> Assays:
    """Give every marker its rates."""
    n = len(genome.markers)
    bad = np.zeros(n, dtype=bool)
    bad[rng.choice(n, round(plan.bad_assays * n), replace=False)] = True
    f = np.where(bad, rng.uniform(*plan.bad_false_heterozygote, n), plan.false_heterozygote)
    d = np.where(bad, rng.uniform(*plan.bad_dropout, n), plan.dropout)
    if 0 < plan.missing < 1:
        missing = rng.beta(plan.missing * MISSING_SPREAD, (1 - plan.missing) * MISSING_SPREAD, n)
    else:
        missing = np.full(n, plan.missing)
    factor = rng.gamma(plan.depth_marker_shape, 1 / plan.depth_marker_shape, n)
    null = np.full(n, -1, dtype=np.int8)
    where = rng.choice(n, round(plan.null_markers * n), replace=False)
    null[where] = rng.integers(0, 2, len(where))
    return Assays(f, d, missing, factor, null, bad)


def call_error(
    genotypes: Int8s,
    n_alleles: Ints,
    f: Floats,
    d: Floats,
    e: float,
    rng: np.random.Generator,
) -> Int8s:
    """Genotypes (well, 2, marker) after the call error matrix; f, d broadcast against (well, marker)."""
    low, high = genotypes.min(axis=1), genotypes.max(axis=1)
    u = rng.random(low.shape)
    other = ((low + 1 + rng.integers(0, n_alleles - 1, size=low.shape)) % n_alleles).astype(np.int8)
    hom = low == high
    to_het, to_other = hom & (u < f), hom & (u >= f) & (u < f + e)
    drop_high, drop_low = ~hom & (u < d / 2), ~hom & (u >= d / 2) & (u < d)
    first = np.where(to_other, other, np.where(drop_low, high, low))
    second = np.where(to_het | to_other, other, np.where(drop_high, low, high))
    no_dna = low < 0
    return np.stack([np.where(no_dna, low, first), np.where(no_dna, low, second)], axis=1)


def drop_null_alleles(
    genotypes: Int8s, null: Int8s, rate: float, rng: np.random.Generator
) -> tuple[Int8s, Bools]:
    """Genotypes after dropout of each marker's null allele, and (well, marker) where nothing amplified."""
    if not (null >= 0).any():
        return genotypes, np.zeros((len(genotypes), len(null)), dtype=bool)
    lost = (genotypes == null) & (null >= 0) & (rng.random(genotypes.shape) < rate)
    first = np.where(lost[:, 0], genotypes[:, 1], genotypes[:, 0])
    second = np.where(lost[:, 1], genotypes[:, 0], genotypes[:, 1])
    return np.stack([first, second], axis=1), lost.all(axis=1)


def observe_calls(
    plan: SeasonPlan,
    genome: Genome,
    assays: Assays,
    genotypes: Int8s,
    partner: Int8s,
    share: Floats,
    failed: Bools,
    rng: np.random.Generator,
) -> Int8s:
    """Calls (marker, well, 2) of wells typed by an assay that gives calls only.

    `partner` (well, 2, marker): second DNA of a mixed well, `share` (well,) its part, 0 where pure.
    `failed` (well,): wells where most assays fail and the rest lose alleles.
    """
    n_well, _, n_marker = genotypes.shape
    n_alleles = genome.markers.n_alleles
    seen = _mix_calls(genotypes, partner, share, rng)
    seen, silent = drop_null_alleles(seen, assays.null_allele, plan.null_dropout, rng)
    d = np.where(failed[:, None], np.maximum(assays.dropout, FAILED_DROPOUT), assays.dropout)
    seen = call_error(seen, n_alleles, assays.false_heterozygote[None, :], d, plan.swap, rng)
    well_factor = np.asarray(rng.lognormal(-0.125, 0.5, n_well))
    lost = np.minimum(assays.missing * well_factor[:, None], 0.95)
    failed_loss = 1 - np.asarray(rng.uniform(*FAILED_CALL_RATE, n_well))
    lost = np.where(failed[:, None], failed_loss[:, None], lost)
    gone = silent | (rng.random((n_well, n_marker)) < lost)

    blank = genotypes[:, 0] < 0
    stray = blank & (rng.random((n_well, n_marker)) < plan.blank_call_rate)
    anything = rng.integers(0, n_alleles, size=(2, n_well, n_marker)).transpose(1, 0, 2).astype(np.int8)
    seen = np.where(stray[:, None], np.sort(anything, axis=1), seen)
    gone = np.where(blank, ~stray, gone)
    calls = np.where(gone[:, None], np.int8(MISSING), np.sort(seen, axis=1))
    return np.ascontiguousarray(calls.transpose(2, 0, 1).astype(np.int8))


def _mix_calls(
    genotypes: Int8s,
    partner: Int8s,
    share: Floats,
    rng: np.random.Generator,
) -> Int8s:
    """Two DNAs in one well: the partner's allele shows when its share of the signal passes a soft limit."""
    mixed = np.flatnonzero(share > 0)
    out = genotypes.copy()
    for w in mixed:
        own, guest = genotypes[w], partner[w]
        for copy in range(2):
            foreign = (guest[copy] != own[0]) & (guest[copy] != own[1]) & (own[0] >= 0)
            copies = 1 + (guest[0] == guest[1])
            signal = share[w] * copies / 2
            shows = rng.random(len(foreign)) < 1 / (1 + np.exp(-(signal - MIXED_SEEN) / 0.05))
            takes = foreign & shows & (own[0] == own[1])
            out[w, 1] = np.where(takes, guest[copy], out[w, 1])
    return out


def observe_reads(
    plan: SeasonPlan,
    genome: Genome,
    assays: Assays,
    genotypes: Int8s,
    partner: Int8s,
    share: Floats,
    failed: Bools,
    rng: np.random.Generator,
) -> tuple[Int8s, UInt16s]:
    """Calls and reads per allele of wells that were sequenced; fragment-size markers stay missing.

    Depth is Poisson around mean x marker factor (gamma) x well factor (lognormal); reads of the second
    allele are beta-binomial. A bad assay's errors happen to the molecules, before reading.
    """
    n_well, _, n_marker = genotypes.shape
    f = np.where(assays.bad, assays.false_heterozygote, 0.0)
    d = np.where(assays.bad, assays.dropout, 0.0)
    two = np.full(n_marker, 2)
    seen, silent = drop_null_alleles(genotypes, assays.null_allele, plan.null_dropout, rng)
    seen = call_error(seen, two, f[None, :], d[None, :], 0.0, rng)
    dosage = (seen == 1).mean(axis=1)
    mixed = (share > 0)[:, None]
    dosage = np.where(
        mixed, (1 - share)[:, None] * dosage + share[:, None] * (partner == 1).mean(axis=1), dosage
    )

    well_factor = np.asarray(rng.lognormal(-(plan.depth_well_sd**2) / 2, plan.depth_well_sd, n_well))
    well_factor = np.where(failed, well_factor * rng.uniform(*FAILED_CALL_RATE, n_well) / 5, well_factor)
    mean = plan.depth * well_factor[:, None] * assays.depth_factor
    blank = genotypes[:, 0] < 0
    mean = np.where(blank, plan.depth * BLANK_DEPTH_SHARE, np.where(silent, 0.0, mean))
    dosage = np.where(blank, 0.5, dosage)
    lost = rng.random((n_well, n_marker)) < assays.missing
    reads = np.minimum(np.where(lost, 0, rng.poisson(mean)), 60000)
    p = dosage * (1 - plan.read_error) + (1 - dosage) * plan.read_error
    if plan.overdispersion > 0:
        size = (1 - plan.overdispersion) / plan.overdispersion
        p = np.asarray(rng.beta(p * size, (1 - p) * size))
    second = rng.binomial(reads, p)
    depths = np.stack([reads - second, second], axis=2).astype(np.uint16)
    depths[:, genome.fragment] = 0
    depths = np.ascontiguousarray(depths.transpose(1, 0, 2))
    return calls_from_depths(depths, plan.read_error), depths


def phred_from_depths(depths: UInt16s, read_error: float) -> UInt8s:
    """PL (..., 3) of reads (..., 2) as a caller without overdispersion gives it; all 0 at depth 0."""
    n0, n1 = depths[..., 0].astype(np.float64), depths[..., 1].astype(np.float64)
    right, wrong = np.log10(1 - read_error), np.log10(read_error)
    log = np.stack([n0 * right + n1 * wrong, (n0 + n1) * np.log10(0.5), n0 * wrong + n1 * right], axis=-1)
    phred: UInt8s = np.minimum(np.rint(-10 * (log - log.max(axis=-1, keepdims=True))), 255).astype(np.uint8)
    return phred


def calls_from_depths(depths: UInt16s, read_error: float) -> Int8s:
    """Most likely genotype (..., 2) of reads (..., 2); MISSING at depth 0."""
    best = phred_from_depths(depths, read_error).argmin(axis=-1)
    calls = np.stack([best == 2, best >= 1], axis=-1).astype(np.int8)
    calls[depths.sum(axis=-1) == 0] = MISSING
    return calls
