"""What each relation would show at each marker, and what a verdict would make of it.

    m        marker of one cross's choice
    r        relation of a plant to the planned mother and father (model.md section 3)
    o        outcome at a marker: one of the n_g genotypes called, or (last) no call
    P(o|r)   probability of the outcome: the call error matrix times the call rate
    s(o|r)   natural log of the likelihood the verdict uses: the same with the floor, 0 for no call

The parents of one plant judged alone are known up to `h`: P(M) = (1 - h) consensus + h pool, and every
relation is summed over them, as in the family model with a family of one. Truth and likelihood differ by the
floor only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.evidence.error_model import apply_floor, call_error_matrix
from crossproof.inference.lines.panel_block import DEPARTURE_POOL_INBREEDING
from crossproof.inference.pedigree import (
    PAIR_RELATIONS,
    child_of_gametes,
    gamete_table,
    pair_tables,
    pool_genotypes,
)
from crossproof.model.arrays import Bools, Floats, Int8s, Ints
from crossproof.model.genotypes import genotype_alleles, n_genotypes
from crossproof.model.results import CLASSES, Relation
from crossproof.model.settings import RELATION_WEIGHTS
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlanSettings

MIXED_POOL = (0.98, 0.0)
"""Inbreeding of an unknown plant: a fixed line or the offspring of two, as likely."""

PAIR_ROWS = [i for i, (kind, _) in enumerate(PAIR_RELATIONS) if kind is not Relation.RECIPROCAL]
"""The reciprocal cross is left out: nuclear markers cannot tell it from the cross itself."""

PARENT_RELATIONS: tuple[Relation, ...] = (
    *(PAIR_RELATIONS[i][0] for i in PAIR_ROWS),
    Relation.OUTCROSS_UNKNOWN,
    Relation.UNKNOWN,
    Relation.UNKNOWN,
)
"""Relations every cross has; each other panel line adds an outcross and a line by itself. The F1 of another
cross is left out: which crosses a season will hold is not known when it is planned."""


@dataclass(frozen=True)
class CrossEvidence:
    """What one planned cross would show, marker by marker and relation by relation.

    `score`, `prob` (marker, relation, outcome); the last outcome is "no call"; outcomes a marker does not
    have carry probability 0. `log_prior` (relation,): natural log of class prior times share. `class_of`
    (relation,): place in CLASSES. `kinds`, `donors`: relation and the other line's name, or "". `rows`
    (marker,): places in the panel's markers. `contrast` (marker,) bool: the parents are fixed for different
    alleles there.
    """

    score: Floats
    prob: Floats
    log_prior: Floats
    class_of: Ints
    kinds: tuple[Relation, ...]
    donors: tuple[str, ...]
    rows: Ints
    contrast: Bools

    @property
    def n_markers(self) -> int:
        """Number of markers."""
        return len(self.rows)

    def index(self, kind: Relation) -> int:
        """Place of a relation that occurs once."""
        return self.kinds.index(kind)


def fixed_allele(block: PanelBlock, clear_share: float) -> Ints:
    """Allele each line is fixed for, (marker, line); -1 where it is not clearly fixed or was not typed."""
    pairs = genotype_alleles(block.k)
    homozygous = np.flatnonzero(pairs[:, 0] == pairs[:, 1])
    best = block.consensus[:, :, homozygous]
    clear = (best.max(axis=2) >= clear_share) & block.typed
    return np.where(clear, pairs[homozygous, 0][best.argmax(axis=2)], -1)


def contrast_table(panel: PanelGenotypes, clear_share: float) -> Int8s:
    """Fixed allele of every line at every marker, (marker, line); -1 unclear, and at markers not usable."""
    out = np.full((len(panel.markers), len(panel.lines)), -1, dtype=np.int8)
    for block in panel.blocks:
        out[block.rows] = fixed_allele(block, clear_share)
    out[~panel.usable] = -1
    return out


def choose_markers(contrast: Bools, shared: Bools, limit: int) -> Ints:
    """At most `limit` marker rows: all contrast markers up to half the limit, the rest shared, evenly spaced.

    Shared markers are kept because only those expose foreign pollen (model.md section 5).
    """

    def evenly(rows: Ints, n: int) -> Ints:
        if len(rows) <= n:
            return rows
        return rows[np.linspace(0, len(rows) - 1, n).round().astype(np.int64)]

    first, second = np.flatnonzero(contrast), np.flatnonzero(shared)
    room = max(limit // 2, limit - len(second))
    first = evenly(first, room)
    return np.sort(np.concatenate([first, evenly(second, limit - len(first))]))


def cross_evidence(
    panel: PanelGenotypes,
    fixed: Int8s,
    mother: int,
    father: int,
    settings: PlanSettings,
    rows: Ints | None = None,
) -> CrossEvidence:
    """Evidence of one planned cross.

    fixed (marker, line): from `contrast_table`. mother, father: places in `panel.lines`. rows: the markers
    to use; None: all contrast markers and shared ones, up to `max_markers_per_cross`.
    """
    a, b = fixed[:, mother], fixed[:, father]
    known = (a >= 0) & (b >= 0)
    if rows is None:
        rows = choose_markers(known & (a != b), known & (a == b), settings.max_markers_per_cross)
    donors = [i for i in range(len(panel.lines)) if i not in (mother, father)]
    kinds = (
        *PARENT_RELATIONS,
        *(Relation.OUTCROSS_LINE for _ in donors),
        *(Relation.OTHER_LINE for _ in donors),
    )
    names = [panel.lines[i] for i in donors]
    n_rel, n_don = len(kinds), len(donors)
    n_out = 1 + max((n_genotypes(block.k) for block in panel.blocks), default=1)
    score = np.zeros((len(rows), n_rel, n_out))
    prob = np.zeros((len(rows), n_rel, n_out))
    place = np.full(len(panel.markers), -1)
    place[rows] = np.arange(len(rows))
    for block in panel.blocks:
        inside = np.flatnonzero(place[block.rows] >= 0)
        if not len(inside):
            continue
        n_g, at = n_genotypes(block.k), place[block.rows[inside]]
        child = _children(block, inside, mother, father, donors, settings)  # marker, relation, genotype
        errors = call_error_matrix(  # marker, true, called
            block.k, panel.false_heterozygote[rows[at]], panel.dropout[rows[at]], settings.swap
        )
        floored = apply_floor(errors.swapaxes(1, 2), settings.floor).swapaxes(1, 2)
        rate = panel.call_rate[rows[at]][:, None, None]
        part_prob = np.zeros((len(at), n_rel, n_out))
        part_prob[:, :, :n_g] = rate * (child @ errors)
        part_prob[:, :, -1] = 1 - rate[:, :, 0]
        part_score = np.zeros((len(at), n_rel, n_out))
        part_score[:, :, :n_g] = np.log(child @ floored)
        score[at], prob[at] = part_score, part_prob
    return CrossEvidence(
        score=score,
        prob=prob,
        log_prior=relation_priors(kinds, n_don, settings),
        class_of=np.array([CLASSES.index(kind.verdict) for kind in kinds]),
        kinds=kinds,
        donors=(*("" for _ in PARENT_RELATIONS), *names, *names),
        rows=rows,
        contrast=(known & (a != b))[rows],
    )


def parent_prior(block: PanelBlock, inside: Ints, line: int | Ints, settings: PlanSettings) -> Floats:
    """P(actual parent plant's genotype), (marker, genotype): (1 - h) consensus + h pool.

    For many lines: `inside` (marker, 1), `line` (line,); (marker, line, genotype).
    """
    h = settings.parent_departure
    departed = pool_genotypes(block.pool[inside], DEPARTURE_POOL_INBREEDING)
    return np.asarray((1 - h) * block.consensus[inside, line] + h * departed)


def _children(
    block: PanelBlock,
    inside: Ints,
    mother: int,
    father: int,
    donors: list[int],
    settings: PlanSettings,
) -> Floats:
    k, n_g = block.k, n_genotypes(block.k)
    m_prior = parent_prior(block, inside, mother, settings)
    p_prior = parent_prior(block, inside, father, settings)
    pairs = (m_prior[:, :, None] * p_prior[:, None, :]).reshape(len(inside), n_g * n_g)
    gamete_m = m_prior @ gamete_table(k)  # marker, allele
    by_pair = np.einsum("mq,rqg->mrg", pairs, pair_tables(k)[PAIR_ROWS])
    unknown_pollen = child_of_gametes(gamete_m, block.pool[inside])
    unknown = np.stack([pool_genotypes(block.pool[inside], f) for f in MIXED_POOL], axis=1)
    plain = np.concatenate([by_pair, unknown_pollen[:, None], unknown], axis=1)
    if not donors:
        return plain
    lines = block.consensus[inside][:, donors]  # marker, donor, genotype
    outcross = child_of_gametes(gamete_m[:, None, :], lines @ gamete_table(k))
    return np.concatenate([plain, outcross, lines], axis=1)


def relation_priors(kinds: tuple[Relation, ...], n_donors: int, settings: PlanSettings) -> Floats:
    prior = np.asarray(settings.class_prior, dtype=np.float64)
    prior = prior / prior.sum()
    on_panel = settings.panel_donor_share if n_donors else 0.0
    # Relations that cannot be looked at here leave their weight to the rest, as in the family model.
    possible = sum(w for kind, w in RELATION_WEIGHTS.items() if kind in kinds)
    share = {kind: w / possible for kind, w in RELATION_WEIGHTS.items()}
    share |= {
        Relation.HYBRID: 1.0,
        Relation.SELF: 1.0,
        Relation.OUTCROSS_UNKNOWN: 1 - on_panel,
        Relation.OUTCROSS_LINE: on_panel / max(n_donors, 1),
        Relation.OTHER_LINE: share[Relation.OTHER_LINE] / max(n_donors, 1),
        Relation.UNKNOWN: share[Relation.UNKNOWN] / len(MIXED_POOL),
    }
    of_row = [PAIR_RELATIONS[i][1] for i in PAIR_ROWS]
    of_row += [1.0] * (len(kinds) - len(of_row))
    weights = np.array(
        [
            prior[CLASSES.index(kind.verdict)] * share[kind] * row
            for kind, row in zip(kinds, of_row, strict=True)
        ]
    )
    assert np.isclose(weights.sum(), 1.0)
    return np.asarray(np.log(weights))
