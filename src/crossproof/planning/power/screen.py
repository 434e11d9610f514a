"""Crosses that are proven beyond doubt, told cheaply: for seasons with thousands of pairs of lines.

The first and cheapest look of `bounds` at a single tilt t = 1/2, without building the evidence that the other
looks need. Symbols as there; with true relation u and other relations r

    P(sum of R > b)  <=  sum_r (prior_r / prior_u)^t prod_m sum_o P(o|u) (s(o|r) / s(o|u))^t  /  b^t

It says yes only where `bounds` would: half is among the tilts looked at there. Everything else is left open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.evidence.error_model import apply_floor, call_error_matrix
from crossproof.inference.pedigree import child_of_gametes, gamete_table, pair_tables, pool_genotypes
from crossproof.model.arrays import Floats, Int8s, Ints
from crossproof.model.genotypes import genotype_alleles, n_genotypes
from crossproof.model.results import Provable, Relation
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlanSettings
from crossproof.planning.power.bounds import too_few_contrasts
from crossproof.planning.power.evidence import (
    MIXED_POOL,
    PAIR_ROWS,
    PARENT_RELATIONS,
    choose_markers,
    cross_evidence,
    parent_prior,
    relation_priors,
)
from crossproof.planning.power.outcomes import MOST_BRANCHES
from crossproof.planning.power.provable import provable
from crossproof.planning.power.tails import scored_enough

_HALF = 0.5
_MOST_SCORED = 50
_TRUE = (Relation.HYBRID, Relation.SELF)


@dataclass(frozen=True)
class _Tables:
    """What every pair of lines shares at the markers of one block.

    `errors`, `floored` (marker, true, called): call error matrix, without and with the floor. `gametes`
    (marker, line, allele). `root_lines` (marker, line, called): root of the likelihood of each line itself.
    `prior` (marker, line, genotype) of a parent plant of each line; `unknown` (marker, pool, genotype).
    """

    block: PanelBlock
    place: Ints
    errors: Floats
    floored: Floats
    gametes: Floats
    root_lines: Floats
    prior: Floats
    unknown: Floats


class PairScreen:
    """Tells of pairs of lines whether they can be proven, the easy ones cheaply."""

    def __init__(self, panel: PanelGenotypes, fixed: Int8s, settings: PlanSettings) -> None:
        """fixed (marker, line): from `contrast_table`, -1 throughout at markers that do not count."""
        self._panel, self._fixed, self._settings = panel, fixed, settings
        self._tables = [self._table(block) for block in panel.blocks]
        donors = max(len(panel.lines) - 2, 0)
        kinds = (*PARENT_RELATIONS, *(Relation.OUTCROSS_LINE,) * donors, *(Relation.OTHER_LINE,) * donors)
        log_prior = relation_priors(kinds, donors, settings)
        classes = [kind.verdict for kind in kinds]
        log_b = np.log(1 - settings.min_posterior) - np.log(settings.min_posterior)
        self._true = [kinds.index(kind) for kind in _TRUE]
        self._weight = [
            np.where(
                [c != classes[true] for c in classes],
                np.exp(_HALF * (log_prior - log_prior[true] - log_b)),
                0.0,
            )
            for true in self._true
        ]

    def _table(self, block: PanelBlock) -> _Tables:
        rows = np.flatnonzero((self._fixed[block.rows] >= 0).any(axis=1))
        place = np.full(len(self._panel.markers), -1)
        place[block.rows[rows]] = np.arange(len(rows))
        at = block.rows[rows]
        errors = call_error_matrix(
            block.k, self._panel.false_heterozygote[at], self._panel.dropout[at], self._settings.swap
        )
        floored = apply_floor(errors.swapaxes(1, 2), self._settings.floor).swapaxes(1, 2)
        used = PanelBlock(block.k, at, block.consensus[rows], block.pool[rows], block.typed[rows])
        every = np.arange(len(rows))[:, None], np.arange(len(self._panel.lines))
        return _Tables(
            used, place, errors, floored, used.consensus @ gamete_table(block.k),
            np.sqrt(used.consensus @ floored),
            parent_prior(used, *every, self._settings),
            np.stack([pool_genotypes(used.pool, f) for f in MIXED_POOL], axis=1),
        )  # fmt: skip

    def surely(self, mother: int, father: int) -> bool:
        """Whether the cross of these two lines is proven by the cheapest bound; places in `panel.lines`."""
        a, b = self._fixed[:, mother], self._fixed[:, father]
        known = (a >= 0) & (b >= 0)
        contrast, shared = known & (a != b), known & (a == b)
        settings = self._settings
        if too_few_contrasts(int(contrast.sum()), settings.min_markers_scored):
            return False
        rows = choose_markers(contrast, shared, settings.max_markers_per_cross)
        enough = scored_enough(
            np.sort(self._panel.call_rate[rows])[-_MOST_SCORED:], settings.min_markers_scored
        )
        if enough < settings.wanted:
            return False
        donors = np.array(
            [i for i in range(len(self._panel.lines)) if i not in (mother, father)], dtype=np.int64
        )
        product = np.ones((len(_TRUE), len(PARENT_RELATIONS) + 2 * len(donors)))
        for tables in self._tables:
            inside = tables.place[rows]
            inside = inside[inside >= 0]
            if len(inside):
                product *= self._factors(tables, inside, mother, father, donors)
        spoilt = [float(weight @ factor) for weight, factor in zip(self._weight, product, strict=True)]
        return enough - max(spoilt) >= settings.wanted

    def _factors(self, tables: _Tables, inside: Ints, mother: int, father: int, donors: Ints) -> Floats:
        """prod_m sum_o P(o|u) (s(o|r) / s(o|u))^t over the block's markers, (true relation, relation)."""
        block, k = tables.block, tables.block.k
        n_g = n_genotypes(k)
        floored, errors = tables.floored[inside], tables.errors[inside]
        m_prior, p_prior = tables.prior[inside, mother], tables.prior[inside, father]
        pairs = (m_prior[:, :, None] * p_prior[:, None, :]).reshape(len(inside), n_g * n_g)
        by_pair = np.einsum("mq,rqg->mrg", pairs, pair_tables(k)[PAIR_ROWS])
        gamete = m_prior @ gamete_table(k)
        pollen = child_of_gametes(gamete, block.pool[inside])
        plain = np.concatenate(
            [by_pair, pollen[:, None], tables.unknown[inside]], axis=1
        )  # marker, relation, genotype
        # The likelihood of an outcross is linear in the donor's gametes: one table per allele of these.
        alleles = genotype_alleles(k)
        each = np.zeros((len(inside), k, n_g))
        for g, (i, j) in enumerate(alleles):
            each[:, j, g] += gamete[:, i]
            if i != j:
                each[:, i, g] += gamete[:, j]
        root_out = np.sqrt(tables.gametes[inside][:, donors] @ (each @ floored))
        root_plain = np.sqrt(plain @ floored)
        root_lines = tables.root_lines[inside][:, donors]
        rate = self._panel.call_rate[block.rows[inside]][:, None]
        out = []
        for true in self._true:
            shown = rate * (plain[:, true][:, None, :] @ errors)[:, 0] / root_plain[:, true]  # marker, called
            sums = [np.einsum("mo,mro->mr", shown, root) for root in (root_plain, root_out, root_lines)]
            out.append(np.multiply.reduce(np.concatenate(sums, axis=1) + (1 - rate), axis=0))
        return np.array(out)

    def state(self, mother: int, father: int, branches: int = MOST_BRANCHES) -> Provable:
        """Whether the cross can be proven, the same as `provable` of its evidence."""
        if self.surely(mother, father):
            return Provable.YES
        evidence = cross_evidence(self._panel, self._fixed, mother, father, self._settings)
        return provable(evidence, self._settings, branches)
