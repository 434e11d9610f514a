"""Mixed DNA: wells that hold two plants, and the neighbour whose DNA explains it best.

Glossary: `g1` the plant that should be there, `g2` the contaminant, `c` its share of the DNA.

    calls    P(D | g1, g2) = sum_g L(g) U(g | g1, g2): a heterozygote wherever the two have two alleles
    depths   reads of each allele, share (1 - c) dosage(g1) + c dosage(g2); c = 0 is one plant

`g1` follows the well's identity (every relation of its cross), `g2` the neighbour's own data or, for a source
elsewhere, the pool. "One plant" includes: any relation of the cross, segregating ones along their
chromosomes (`segregating`), any identity of the plate, a plant of the pool, and its mother crossed with any
line or with the neighbour: an outcross is no mixture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.pedigree import child_of_gametes, gamete_table, pool_genotypes
from crossproof.inference.plates.arrays import EMPTY, heterozygous_codes
from crossproof.inference.plates.family_tables import FamilyTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.mixed_families import families_to_compare
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.plates.segregating import log_segregating
from crossproof.inference.plates.two_allele_calls import has_reads, own_about
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.genotypes import allele_dosage, genotype_alleles, genotype_index, n_genotypes
from crossproof.text import percent

SELF, OUTCROSS = 1, 2
"""Places among the relations of `PlateScores.relation_scores`."""
UNLIKE = 0.02
"""Share of markers at which a plant like its neighbour may differ from it."""
PRIOR_MIXED = 1e-7
"""Prior that one given well holds two plants: low, since parents and assays err in more ways than are
modelled."""
SLACK = 0.01
"""Nats by which a well must stay below the odds to be passed over: what is bounded is rounded too."""
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


def neighbours(scores: PlateScores, well: int) -> Ints:
    """Up to eight wells that touch this one, (n,)."""
    plate = scores.plate
    near = (abs(plate.rows - plate.rows[well]) <= 1) & (abs(plate.columns - plate.columns[well]) <= 1)
    near[well] = False
    near &= plate.placed
    return np.flatnonzero(near & (plate.n_called > 0.2 * plate.n_markers))


def _contaminants(scores: PlateScores, wells: Ints) -> list[Floats]:
    """Genotype distributions of the neighbours and, last, of an unknown plant, per block (source, marker,
    g)."""
    out = []
    for b, x in enumerate(scores.likelihood):
        prior = pool_genotypes(scores.pool_of[b] * 0.98 + 0.02 / x.shape[2], 0.5)
        data = x[:, wells].transpose(1, 0, 2) * prior
        data = data / sum_of_last(data, keepdims=True)
        out.append(np.concatenate([data, prior[None]]))
    return out


def _foreign(
    scores: PlateScores, identity: int, b: int, first: Floats, sources: Floats, state: LineState
) -> Floats:
    """What one plant of foreign pollen may be, block `b`, (kind, marker, genotype).

    The mother, as her line's tubes and as her selfed seed in this family show her, crossed with every line
    and every neighbour; and a plant like a neighbour: one foreign donor often made a whole pod, and such a
    sib covers all that a mixture with the sib would show.
    """
    k = scores.season.blocks[b].k
    gametes = gamete_table(k)
    mother = scores.parent_table(b, scores.season.mother[identity - scores.season.n_lines][None], state)[0]
    donors = np.concatenate([scores.parent_table(b, state.lines, state), sources]) @ gametes
    of_mother = [np.broadcast_to(t @ gametes, donors.shape) for t in (mother, first[SELF])]
    like = (1 - UNLIKE) * sources[:-1] + UNLIKE * sources[-1:]
    return np.concatenate([*(child_of_gametes(m, donors) for m in of_mother), like])


def _one_plant(
    scores: PlateScores,
    matrix: Matrix,
    identity: int,
    well: int,
    first: list[Floats],
    sources: list[Floats],
    state: LineState,
    own: float,
) -> float:
    """log P(calls | one plant, whatever it is): own, anything, or of foreign pollen."""
    best = [own, float(matrix.anything[well])]
    n = scores.season.n_lines
    if identity >= n and scores.season.mother[identity - n] >= 0:
        total: Floats | float = 0.0
        for b, x in enumerate(scores.likelihood):
            child = _foreign(scores, identity, b, first[b], sources[b], state)
            total = total + np.log(sum_of_last(child * x[:, well])).sum(axis=1)
        assert isinstance(total, np.ndarray)
        best.append(float(total.max() + np.log(0.08 / len(total))))
    return float(np.logaddexp.reduce(best))


def _log10_odds(mixed: Floats | float, one: Floats | float) -> Floats:
    """log10 odds of two plants in a well, prior and all, from log P(data | two) and log P(data | one)."""
    return np.asarray((mixed - one) / np.log(10) + np.log10(PRIOR_MIXED))


def _surprising(
    scores: PlateScores, wells: Ints, tables: list[Floats], prior: Floats
) -> tuple[Floats, Bools]:
    """log P(data | one plant of what should be there), and whether to make the full comparison, (well,) each.

    `tables` per block (relation, marker, well, genotype). It is made where a well is heterozygous at 3
    markers or more, and 4 % of those called, at which the likeliest relation expects none; not an outcross,
    as unknown pollen would excuse any heterozygote.
    """
    total: Floats | float = 0.0
    for table, x in zip(tables, scores.likelihood, strict=True):
        total = total + np.log(sum_of_last(table * x[:, wells])).sum(axis=1)
    by_relation = np.asarray(total + prior[:, None])  # relation, well
    kept = by_relation.copy()
    if len(kept) > OUTCROSS:
        kept[OUTCROSS] = -np.inf
    relation = kept.argmax(axis=0)
    surprising = called = np.zeros(len(wells), dtype=np.int64)
    for b, block in enumerate(scores.plate.blocks):
        flags = heterozygous_codes(block.k)
        codes = block.codes[np.ix_(scores.nuclear[b], wells)].astype(np.int64)
        seen = codes < len(flags)
        het = seen & flags[np.minimum(codes, len(flags) - 1)]
        expected = sum_of_last(tables[b][relation, :, np.arange(len(wells))][..., flags]).T
        surprising = surprising + (het & (expected < 0.1)).sum(axis=0)
        called = called + seen.sum(axis=0)
    return log_sum(by_relation, axis=0), surprising >= np.maximum(3, 0.04 * called)


def _reads_ask(scores: PlateScores, well: int, first: list[Floats], prior: Floats) -> bool:
    """Whether some share of an unknown plant explains the reads better than none."""
    unknown = [pool_genotypes(q * 0.98 + 0.02 / q.shape[1], 0.5)[None] for q in scores.pool_of]
    shares = _mixed_depths(scores, well, first, prior, unknown)
    return shares is not None and float(shares[0, 1:].max() - shares[0, 0]) > 2.0


def _mixed_calls(
    scores: PlateScores, well: int, first: list[Floats], prior: Floats, sources: list[Floats]
) -> Floats:
    """log P(calls | own plant and a contaminant), (source,)."""
    total: Floats | float = 0.0
    for b, x in enumerate(scores.likelihood):
        u = np.tensordot(x[:, well].astype(np.float64), union_calls(scores.season.blocks[b].k), axes=(1, 2))
        own = np.matmul(first[b].transpose(1, 0, 2), u)  # marker, relation, genotype of the source
        part = np.matmul(sources[b].transpose(1, 0, 2), own.transpose(0, 2, 1)).transpose(1, 2, 0)
        total = total + np.log(part).sum(axis=2)
    return np.asarray(log_sum(total + prior, axis=1))


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
    return np.asarray(log_sum(total + prior, axis=2))


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


def mixture_findings(scores: PlateScores, matrix: Matrix, identity: Ints, threshold: float) -> list[Finding]:
    """Wells whose data two plants explain and one does not."""
    plate = scores.plate
    has_depths = has_reads(scores)
    ask = called = plate.n_called >= 0.3 * plate.n_markers
    families = None
    if not has_depths:
        at_hand = np.maximum(own_about(scores, matrix, identity), matrix.anything)
        may_be = ask & (_log10_odds(scores.best_fit + 2 * SLACK, at_hand) >= threshold)
        limit = (threshold - np.log10(PRIOR_MIXED)) * np.log(10) - SLACK
        families = families_to_compare(scores, matrix, identity, called, may_be, limit, OUTCROSS)
        if families is not None and not len(families):
            return []
    state = scores.lines_under(identity)
    own_scores = scores.own_plain(identity)
    if not has_depths:
        one = np.maximum(own_scores, matrix.anything)
        ask = ask & (_log10_odds(scores.best_fit + SLACK, one) >= threshold)
    if families is not None:
        ask = ask & np.isin(identity, families)
    out = []
    for w, first, prior, kinds, surprising in _own_tables(scores, identity, state, ask):
        own = float(np.logaddexp(own_scores[w], kinds))
        if not (_reads_ask(scores, w, first(), prior) if has_depths else surprising):
            continue
        out += _mixture(scores, matrix, identity, w, first(), prior, own, state, threshold)
    return out


def _own_tables(
    scores: PlateScores, identity: Ints, state: LineState, ask: Bools
) -> Iterator[tuple[int, Callable[[], list[Floats]], Floats, float, bool]]:
    """Called wells of which it is asked, in order: well, its tables (relation, marker, genotype) when asked,
    their log prior, log P(data), and whether its calls surprise."""
    called = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    by_relation = scores.own_relations(identity)
    found: dict[int, tuple[Callable[[], list[Floats]], Floats, float, bool]] = {}
    for i in np.unique(identity[(identity >= 0) & ask]):
        wells = np.flatnonzero((identity == i) & called)
        if i < scores.season.n_lines:
            for w in wells[ask[wells]]:
                own, prior = scores.identity_tables(int(i), int(w), state)
                kinds, odd = _surprising(scores, np.array([w]), [t[:, :, None] for t in own], prior)
                found[int(w)] = partial(list, own), prior, float(kinds[0]), bool(odd[0])
            continue
        family = FamilyTables(scores, int(i) - scores.season.n_lines, wells, state, by_relation)
        asked = np.flatnonzero(ask[wells])
        theirs = [t[:, :, asked] for t in family.all_tables()]
        kinds, odd = _surprising(scores, wells[asked], theirs, family.prior)
        for place, one, it_is in zip(asked.tolist(), kinds.tolist(), odd.tolist(), strict=True):
            found[int(wells[place])] = partial(family.tables, place), family.prior, one, it_is
    return ((w, *found[w]) for w in sorted(found))


def _mixture(
    scores: PlateScores,
    matrix: Matrix,
    identity: Ints,
    w: int,
    first: list[Floats],
    prior: Floats,
    own: float,
    state: LineState,
    threshold: float,
) -> list[Finding]:
    """The finding about one well, if two plants explain its data and one does not."""
    plate = scores.plate
    has_depths = any(b.depths is not None for b in plate.blocks)
    near = neighbours(scores, int(w))
    sources = _contaminants(scores, near)
    names = [*near.tolist(), -1]
    log_split = np.log(len(names))
    depths = _mixed_depths(scores, int(w), first, prior, sources) if has_depths else None
    share_text = ""
    if depths is not None:
        odd = _mixed_depths(scores, int(w), [s[-1:] for s in sources], np.zeros(1), sources)
        assert odd is not None
        one = float(np.logaddexp(depths[-1, 0], odd[-1, 0]))
        donor = _one_plant_reads(scores, int(identity[w]), int(w), first, sources, state)
        one = float(np.logaddexp(one, donor)) if donor is not None else one
        one = float(np.logaddexp(one, _segregating_reads(scores, int(identity[w]), int(w), first, state)))
        mixed = log_sum(depths[:, 1:], axis=1) - np.log(len(SHARES) - 1)
        best = int(np.argmax(mixed))
        share = SHARES[1 + int(np.argmax(depths[best, 1:]))]
        share_text = f" at a share of about {percent(share)}"
    else:
        mixed = _mixed_calls(scores, int(w), first, prior, sources)
        best = int(np.argmax(mixed))
        least = float(np.logaddexp(own, matrix.anything[w])) - SLACK
        if _log10_odds(mixed[best] - log_split, least) < threshold:  # nor are plants of foreign pollen
            return []
        one = _one_plant(scores, matrix, int(identity[w]), int(w), first, sources, state, own)
        if _log10_odds(mixed[best] - log_split, one) >= threshold:  # else more that explains it is not asked
            likelihood = [x[:, int(w)].astype(np.float64) for x in scores.likelihood]
            segregating = log_segregating(scores, int(identity[w]), state, first, likelihood)
            one = float(np.logaddexp(one, segregating))
    odds = float(_log10_odds(mixed[best] - log_split, one))
    if odds < threshold:
        return []
    het, seen = _heterozygotes(scores, int(w))
    if names[best] >= 0:
        v = names[best]
        source = f"the neighbour {plate.well_name(v)} ({plate.samples[v]})"
    else:
        source = "a plant that is none of its neighbours"
    return [
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
    ]


def _segregating_reads(
    scores: PlateScores, identity: int, well: int, first: list[Floats], state: LineState
) -> float:
    """log P(reads | one segregating plant of the cross), see `log_segregating`."""
    likelihood = []
    for b, block in enumerate(scores.plate.blocks):
        n = scores.nuclear[b]
        if block.depths is None:
            likelihood.append(np.ones((len(n), n_genotypes(block.k))))
        else:
            likelihood.append(depth_table(block.depths[n, well].astype(np.float64))[:, 0, :, 0])
    return log_segregating(scores, identity, state, first, likelihood)


def _one_plant_reads(
    scores: PlateScores,
    identity: int,
    well: int,
    first: list[Floats],
    sources: list[Floats],
    state: LineState,
) -> float | None:
    """log P(reads | one plant of foreign pollen), None where the mother is unknown."""
    n = scores.season.n_lines
    if identity < n or identity == EMPTY or scores.season.mother[identity - n] < 0:
        return None
    total: Floats | float = 0.0
    for b, block in enumerate(scores.plate.blocks):
        if block.depths is None:
            continue
        child = _foreign(scores, identity, b, first[b], sources[b], state)
        table = depth_table(block.depths[scores.nuclear[b], well].astype(np.float64))[:, 0, :, 0]
        total = total + np.log(sum_of_last(child * table)).sum(axis=1)
    assert isinstance(total, np.ndarray)
    return float(total.max() + np.log(0.08 / len(total)))
