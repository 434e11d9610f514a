"""Mixed DNA: wells that hold two plants, and the neighbour whose DNA explains it best.

Glossary: `g1` the plant that should be there, `g2` the contaminant, `c` its share of the DNA.

    calls    P(D | g1, g2) = sum_g L(g) U(g | g1, g2): a heterozygote wherever the two have two alleles
    depths   reads of each allele, share (1 - c) dosage(g1) + c dosage(g2); c = 0 is one plant

`g1` follows the well's identity (every relation of its cross), `g2` the neighbour's own data or, for a source
elsewhere, the pool. "One plant" includes: any relation of the cross, any identity of the plate, a plant of
the pool, and its mother crossed with any line or with the neighbour: an outcross is no mixture.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from crossproof.inference.family_tables import FamilyTables
from crossproof.inference.findings import Finding, FindingKind, Hold, Scope
from crossproof.inference.pedigree import child_of_gametes, gamete_table, pool_genotypes
from crossproof.inference.plate_arrays import EMPTY, Floats, heterozygous_codes
from crossproof.inference.plate_scores import LineState, Matrix, PlateScores
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.genotypes import allele_dosage, genotype_alleles, genotype_index, n_genotypes

OUTCROSS = 2
"""Place of the outcross among the relations of `PlateScores.relation_scores`."""
PRIOR_MIXED = 1e-7
"""Prior that one given well holds two plants: low, since parents and assays err in more ways than are
modelled."""
SHARES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5)
READ_ERROR = 0.01
OVERDISPERSION = 0.02


@cache
def union_calls(k: int) -> Floats:
    """P(call | two plants' genotypes), (g1, g2, g).

    One allele in all: its homozygote. More: one of the heterozygotes of two alleles present, each as likely.
    """
    alleles = genotype_alleles(k).astype(np.int64)
    n = n_genotypes(k)
    table = np.zeros((n, n, n))
    for g1 in range(n):
        for g2 in range(n):
            present = sorted({*alleles[g1].tolist(), *alleles[g2].tolist()})
            seen = [(a, b) for i, a in enumerate(present) for b in present[i + 1 :]] or [
                (present[0], present[0])
            ]
            for a, b in seen:
                table[g1, g2, int(genotype_index(a, b))] += 1 / len(seen)
    table.flags.writeable = False
    return table


def depth_table(depths: NDArray[np.integer]) -> Floats:
    """P(reads | g1, g2, c) up to a constant per marker, (marker, share, g1, g2), from depths (marker,
    allele).

    Multinomial with read error; the exponent is divided by 1 + (n - 1) rho for overdispersion
    (quasi-likelihood),
    and no marker counts for less than 1e-3 of its best explanation.
    """
    k = depths.shape[1]
    dosage = allele_dosage(k)
    c = np.array(SHARES)[:, None, None, None]
    share = (1 - c) * dosage[None, :, None] + c * dosage[None, None, :]  # c, g1, g2, allele
    share = (1 - READ_ERROR) * share + READ_ERROR / max(k - 1, 1) * (1 - share)
    n = depths.sum(axis=1)
    weight = 1 / (1 + np.maximum(n - 1, 0) * OVERDISPERSION)
    log_p = np.einsum("ma,cxya->mcxy", depths * weight[:, None], np.log(share))
    log_p -= log_p.max(axis=(1, 2, 3), keepdims=True)
    return np.asarray(np.exp(log_p) + 1e-3)


def neighbours(scores: PlateScores, well: int) -> NDArray[np.int64]:
    """Up to eight wells that touch this one, (n,)."""
    plate = scores.plate
    near = (abs(plate.rows - plate.rows[well]) <= 1) & (abs(plate.columns - plate.columns[well]) <= 1)
    near[well] = False
    near &= plate.placed
    return np.flatnonzero(near & (plate.n_called > 0.2 * plate.n_markers))


def _contaminants(scores: PlateScores, wells: NDArray[np.int64]) -> list[Floats]:
    """Genotype distributions of the neighbours and, last, of an unknown plant, per block (source, marker,
    g)."""
    out = []
    for b, x in enumerate(scores.likelihood):
        prior = pool_genotypes(scores.pool_of[b] * 0.98 + 0.02 / x.shape[2], 0.5)
        data = x[:, wells].transpose(1, 0, 2) * prior
        data = data / data.sum(axis=2, keepdims=True)
        out.append(np.concatenate([data, prior[None]]))
    return out


def _one_plant(
    scores: PlateScores,
    matrix: Matrix,
    identity: int,
    well: int,
    sources: list[Floats],
    state: LineState,
    own: float,
) -> float:
    """log P(data | one plant, whatever it is): own, anything, or its mother crossed with a line or a
    neighbour."""
    best = [own, float(matrix.anything[well])]
    n = scores.season.n_lines
    if identity >= n and scores.season.mother[identity - n] >= 0:
        total: Floats | float = 0.0
        for b, x in enumerate(scores.likelihood):
            k = scores.season.blocks[b].k
            mother = scores.parent_table(b, scores.season.mother[identity - n : identity - n + 1], state)
            lines = scores.parent_table(b, state.lines, state)
            donors = np.concatenate([lines, sources[b]])
            child = child_of_gametes(
                np.broadcast_to(mother @ gamete_table(k), (*donors.shape[:2], k)), donors @ gamete_table(k)
            )
            total = total + np.log((child * x[:, well]).sum(axis=2)).sum(axis=1)
        assert isinstance(total, np.ndarray)
        best.append(float(total.max() + np.log(0.08 / len(total))))
    return float(logsumexp(best))


def _own_kinds(scores: PlateScores, well: int, first: list[Floats], prior: Floats) -> Floats:
    """log P(data, relation | one plant of what should be there), (relation,)."""
    total: Floats | float = 0.0
    for table, x in zip(first, scores.likelihood, strict=True):
        total = total + np.log((table * x[:, well]).sum(axis=2)).sum(axis=1)
    return np.asarray(total + prior)


def _likeliest(by_relation: Floats) -> int:
    """The likeliest relation but outcross: unknown pollen would excuse any heterozygote."""
    kept = by_relation.copy()
    if len(kept) > OUTCROSS:
        kept[OUTCROSS] = -np.inf
    return int(kept.argmax())


def _suspicious(
    scores: PlateScores, well: int, first: list[Floats], prior: Floats, relation: int, has_depths: bool
) -> bool:
    """Whether a well is worth the full comparison.

    Calls: heterozygous at 3 markers or more, and 4 % of those called, where `relation` expects none.
    Reads: some share of an unknown plant explains them better than none.
    """
    if has_depths:
        unknown = [pool_genotypes(q * 0.98 + 0.02 / q.shape[1], 0.5)[None] for q in scores.pool_of]
        shares = _mixed_depths(scores, well, first, prior, unknown)
        return shares is not None and float(shares[0, 1:].max() - shares[0, 0]) > 2.0
    surprising = called = 0
    for b, block in enumerate(scores.plate.blocks):
        flags = heterozygous_codes(block.k)
        codes = block.codes[scores.nuclear[b], well]
        seen = codes < len(flags)
        het = np.zeros(len(codes), dtype=bool)
        het[seen] = flags[codes[seen]]
        expected = first[b][relation][:, flags].sum(axis=1)
        surprising += int((het & (expected < 0.1)).sum())
        called += int(seen.sum())
    return surprising >= max(3, 0.04 * called)


def _mixed_calls(
    scores: PlateScores, well: int, first: list[Floats], prior: Floats, sources: list[Floats]
) -> Floats:
    """log P(calls | own plant and a contaminant), (source,)."""
    total: Floats | float = 0.0
    for b, x in enumerate(scores.likelihood):
        u = np.tensordot(x[:, well].astype(np.float64), union_calls(scores.season.blocks[b].k), axes=(1, 2))
        part = np.einsum("rmx,smy,mxy->srm", first[b], sources[b], u, optimize=True)
        total = total + np.log(part).sum(axis=2)
    return np.asarray(logsumexp(total + prior, axis=1))


def _mixed_depths(
    scores: PlateScores, well: int, first: list[Floats], prior: Floats, sources: list[Floats]
) -> Floats | None:
    """log P(reads | own plant and a contaminant with share c), (source, share), None without depths."""
    if all(b.depths is None for b in scores.plate.blocks):
        return None
    total: Floats | float = 0.0
    for b, block in enumerate(scores.plate.blocks):
        if block.depths is None:
            continue
        table = depth_table(block.depths[scores.nuclear[b], well].astype(np.float64))
        part = np.einsum("rmx,smy,mcxy->scrm", first[b], sources[b], table, optimize=True)
        total = total + np.log(part).sum(axis=3)
    return np.asarray(logsumexp(total + prior, axis=2))


def _heterozygotes(scores: PlateScores, well: int) -> tuple[int, int]:
    """Heterozygous calls, and calls, of a well."""
    het = seen = 0
    for b, block in enumerate(scores.plate.blocks):
        flags = heterozygous_codes(block.k)
        codes = block.codes[scores.nuclear[b], well]
        codes = codes[codes < len(flags)]
        het += int(flags[codes].sum())
        seen += len(codes)
    return het, seen


def mixture_findings(
    scores: PlateScores, matrix: Matrix, identity: NDArray[np.int64], threshold: float
) -> list[Finding]:
    """Wells whose data two plants explain and one does not."""
    plate = scores.plate
    state = scores.lines_under(identity)
    own_scores = scores.plain(identity, state)
    families: dict[int, FamilyTables] = {}
    has_depths = any(b.depths is not None for b in plate.blocks)
    out = []
    for w in np.flatnonzero((identity >= 0) & (plate.n_called >= 0.3 * plate.n_markers)):
        if identity[w] >= scores.season.n_lines:
            family = families.get(int(identity[w]))
            if family is None:
                mine = np.flatnonzero((identity == identity[w]) & (plate.n_called >= 0.3 * plate.n_markers))
                family = FamilyTables(scores, int(identity[w]) - scores.season.n_lines, mine, state)
                families[int(identity[w])] = family
            first, prior = family.tables(int(np.searchsorted(family.wells, w))), family.prior
        else:
            first, prior = scores.identity_tables(int(identity[w]), int(w), state)
        by_relation = _own_kinds(scores, int(w), first, prior)
        own = float(np.logaddexp(own_scores[w], logsumexp(by_relation)))
        if not _suspicious(scores, int(w), first, prior, _likeliest(by_relation), has_depths):
            continue
        near = neighbours(scores, int(w))
        sources = _contaminants(scores, near)
        names = [*near.tolist(), -1]
        log_split = np.log(len(names))
        depths = _mixed_depths(scores, int(w), first, prior, sources) if has_depths else None
        share_text = ""
        if depths is not None:
            odd = _mixed_depths(scores, int(w), [s[-1:] for s in sources], np.zeros(1), sources)
            assert odd is not None
            one = float(logsumexp([depths[-1, 0], odd[-1, 0]]))
            donor = _one_plant_reads(scores, int(identity[w]), int(w), sources, state)
            one = float(np.logaddexp(one, donor)) if donor is not None else one
            mixed = logsumexp(depths[:, 1:], axis=1) - np.log(len(SHARES) - 1)
            best = int(np.argmax(mixed))
            share = SHARES[1 + int(np.argmax(depths[best, 1:]))]
            share_text = f" at a share of about {share:.0%}"
        else:
            one = _one_plant(scores, matrix, int(identity[w]), int(w), sources, state, own)
            mixed = _mixed_calls(scores, int(w), first, prior, sources)
            best = int(np.argmax(mixed))
        odds = float((mixed[best] - log_split - one) / np.log(10) + np.log10(PRIOR_MIXED))
        if odds < threshold:
            continue
        het, seen = _heterozygotes(scores, int(w))
        if names[best] >= 0:
            v = names[best]
            source = f"the neighbour {plate.well_name(v)} ({plate.samples[v]})"
        else:
            source = "a plant that is none of its neighbours"
        out.append(
            Finding(
                FindingKind.MIXED_DNA,
                Scope.SAMPLE,
                plate.name,
                plate.samples[w],
                f"{plate.samples[w]} ({plate.place(int(w))}) is heterozygous at {het} of {seen} markers; "
                f"no single "
                f"plant explains its data as well as its own DNA mixed with that of {source}{share_text}.",
                "Take a new sample of this plant; look for splashes, leaks or re-used tips at these wells.",
                wells=(plate.place(int(w)),),
                samples=(plate.samples[w],),
                other=plate.samples[names[best]] if names[best] >= 0 else "",
                log10_odds=odds,
                hold=Hold.SAMPLES,
                corrections=(Correction(CorrectionKind.EXCLUDE_WELL, plate.place(int(w))),),
            )
        )
    return out


def _one_plant_reads(
    scores: PlateScores, identity: int, well: int, sources: list[Floats], state: LineState
) -> float | None:
    """log P(reads | its mother crossed with a line or a neighbour), None where the mother is unknown."""
    n = scores.season.n_lines
    if identity < n or identity == EMPTY or scores.season.mother[identity - n] < 0:
        return None
    total: Floats | float = 0.0
    for b, block in enumerate(scores.plate.blocks):
        if block.depths is None:
            continue
        mother = scores.parent_table(b, scores.season.mother[identity - n : identity - n + 1], state)
        lines = scores.parent_table(b, state.lines, state)
        donors = np.concatenate([lines, sources[b]])
        gametes = gamete_table(block.k)
        child = child_of_gametes(
            np.broadcast_to(mother @ gametes, (*donors.shape[:2], block.k)), donors @ gametes
        )
        table = depth_table(block.depths[scores.nuclear[b], well].astype(np.float64))[:, 0, :, 0]
        total = total + np.log((child * table).sum(axis=2)).sum(axis=1)
    assert isinstance(total, np.ndarray)
    return float(total.max() + np.log(0.08 / len(total)))
