"""Gathering a family's evidence: its markers, its plants' likelihoods, origins outside its tag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.evidence.marker_choice import choose_markers
from crossproof.inference.family.donors import OtherCrosses, log_mixture, screen_crosses
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.origins import Origins, list_origins
from crossproof.inference.family.replicate_wells import Replicates
from crossproof.inference.lines.f1_parents import copies_of, name_copies
from crossproof.inference.lines.panel import UNKNOWN_COPY, Panel
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.pedigree import child_of_gametes
from crossproof.inference.season_results import FamilyInput
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Bools, Floats, Floats32, Ints, UInt8s
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.sentinels import NO_CALL_CODE
from crossproof.model.settings import Settings


@dataclass(frozen=True)
class Prepared:
    """A family's evidence at its chosen markers."""

    family: FamilyInput
    order: Ints  # places of the plants sorted by name
    panel_blocks: tuple[PanelBlock, ...]
    places: tuple[Ints, ...]  # chosen places in each panel block
    blocks: tuple[FamilyBlock, ...]
    donors: Ints  # versions of the other lines
    origins: Origins
    flat: Floats  # row, n: log likelihoods of the relations without this mother and father
    counted: tuple[tuple[PanelBlock, Ints, Floats, UInt8s], ...]
    replicates: Replicates | None
    from_calls: Bools  # n


def plant_likelihood(
    wells: Wells, rows: Ints, k: int, family: FamilyInput, panel: Panel, settings: Settings
) -> tuple[Floats, Floats, Ints]:
    """Likelihoods (m, n, n_g) of the plants and (m, w, n_g) of their wells, and each well's plant (w,).

    Wells of one plant are multiplied and floored again, so that replicates do not lift the floor.
    """
    n = len(family.plants)
    well = np.array([w for p in family.plants for w in p.wells], dtype=np.int64)
    owner = np.repeat(np.arange(n), [len(p.wells) for p in family.plants])
    like = wells.likelihood(rows, well, k, panel.rates(settings))
    if len(well) == n and (owner == np.arange(n)).all():
        return like, like, owner
    total = np.zeros((len(rows), n, like.shape[2]))
    for w, plant in enumerate(owner):
        total[:, plant] += np.log(like[:, w])
    total -= most_of_last(total, keepdims=True)
    joint = np.exp(total)
    joint /= sum_of_last(joint, keepdims=True)
    several = np.bincount(owner, minlength=n) > 1
    eps = settings.floor
    joint[:, several] = (1 - eps) * joint[:, several] + eps / like.shape[2]
    return joint, like, owner


def choose_rows(
    family: FamilyInput, panel: Panel, settings: Settings, phase: float = 0.5
) -> tuple[Ints, ...]:
    """Chosen places per panel block: nuclear markers by `choose_markers`, all maternal ones."""
    usable = [panel.usable[b.rows] for b in panel.blocks]
    limit = settings.max_markers_per_cross
    nuclear = [i for i, b in enumerate(panel.blocks) if not b.maternal]
    total = sum(int(usable[i].sum()) for i in nuclear)
    if limit is None or total <= limit:
        return tuple(np.flatnonzero(u) for u in usable)
    mother, father = panel.versions(family.mother), panel.versions(family.father)
    rows = np.concatenate([panel.blocks[i].rows for i in nuclear])
    contrast = np.concatenate(
        [
            1
            - np.einsum(
                "ma,ma->m", panel.blocks[i].gametes[:, mother[0]], panel.blocks[i].gametes[:, father[0]]
            )
            if len(mother) and len(father)
            else np.zeros(len(panel.blocks[i].rows))
            for i in nuclear
        ]
    )
    order = np.argsort(rows, kind="stable")
    flags = np.concatenate([usable[i] for i in nuclear])
    taken = np.zeros(len(panel.set_aside), dtype=bool)
    taken[rows[order][choose_markers(contrast[order], flags[order], limit, phase)]] = True
    return tuple(
        np.flatnonzero(u) if b.maternal else np.flatnonzero(taken[b.rows])
        for u, b in zip(usable, panel.blocks, strict=True)
    )


def in_order(family: FamilyInput, wells: Wells) -> tuple[FamilyInput, Ints]:
    """A family with its plants in order of name, with the wells that have evidence; and that order."""
    names = [p.plant for p in family.plants]
    order = np.array(sorted(range(len(names)), key=names.__getitem__), dtype=np.int64)
    known = wells.with_evidence
    plants = tuple(
        p
        if len(p.wells) == 1 and p.wells[0] in known
        else type(p)(p.plant, tuple(sorted(w for w in p.wells if w in known)), p.pod)
        for p in (family.plants[i] for i in order.tolist())
    )
    return FamilyInput(family.cross_id, family.mother, family.father, plants), order


def prepare(
    family: FamilyInput,
    wells: Wells,
    panel: Panel,
    settings: Settings,
    others: OtherCrosses | None,
    *,
    phase: float = 0.5,
) -> Prepared:
    """Gather a family's evidence at its markers and weigh the origins that do not depend on its parents.

    `phase` (0 to 1) shifts the choice among markers that are more than the family needs.
    """
    family, order = in_order(family, wells)
    mothers, fathers = panel.versions(family.mother), panel.versions(family.father)
    is_donor = np.ones(len(panel.version_line), dtype=bool)
    is_donor[mothers], is_donor[fathers] = False, False
    donors = np.flatnonzero(is_donor)
    places = choose_rows(family, panel, settings, phase)
    blocks, counted, single = [], [], []
    sizes = np.array([len(p.wells) for p in family.plants], dtype=np.int64)
    several = np.flatnonzero(np.repeat(sizes > 1, sizes))
    n = len(family.plants)
    well = np.array([w for p in family.plants for w in p.wells], dtype=np.int64)
    lines = np.zeros((len(donors), n))
    unknown = np.zeros((2, n))
    chromosome, morgan = wells.genetic_map(settings)
    mother_copies, father_copies = (_copies(panel, places, v, chromosome) for v in (mothers, fathers))
    for b, (panel_block, place) in enumerate(zip(panel.blocks, places, strict=True)):
        rows = panel_block.rows[place]
        like, of_wells, owner = plant_likelihood(wells, rows, panel_block.k, family, panel, settings)
        single.append(of_wells[:, several])
        codes = wells.codes(rows, well)
        counted.append((panel_block, place, like, plant_codes(codes, owner, n)))
        gametes = _of_versions(panel_block.gametes, place, donors)
        blocks.append(
            FamilyBlock(
                panel_block.k,
                panel_block.maternal,
                like,
                np.concatenate([gametes, panel_block.q[place][:, None]], axis=1),
                chromosome[rows],
                morgan[rows],
                mother_copies[b],
                father_copies[b],
            )
        )
        consensus = _of_versions(panel_block.consensus, place, donors)
        pool = np.stack([panel_block.pool(f)[place] for f in (settings.inbreeding, 0.0)], axis=1)
        fit = log_mixture(like, np.concatenate([consensus, pool], axis=1))
        lines += fit[:, :-2].T
        unknown += fit[:, -2:].T
    chosen, n_others, crosses = _other_crosses(family, wells, panel, settings, others, places, blocks)
    names = tuple(others.ids[x] for x in chosen.tolist()) if others is not None else ()
    maternal = any(b.maternal and len(p) for b, p in zip(panel.blocks, places, strict=True))
    origins = list_origins(family, panel, settings, donors, names, n_others, maternal)
    flat = np.concatenate([lines, crosses, unknown])
    owners = np.repeat(np.arange(n), sizes)
    replicates = Replicates(owners[several], tuple(single)) if len(several) else None
    by_calls = wells.called_by_calls(well) if len(well) else np.empty(0, dtype=bool)
    from_calls = np.bincount(owners[~by_calls], minlength=n) == 0
    return Prepared(
        family,
        order,
        panel.blocks,
        places,
        tuple(blocks),
        donors,
        origins,
        flat,
        tuple(counted),
        replicates,
        from_calls,
    )


def _of_versions(values: Floats | Floats32, place: Ints, versions: Ints) -> Floats:
    """Values (m, V, ...) of some versions at some places of a panel block, in the order of its markers."""
    here = values if len(place) == len(values) else values[place]
    return np.asarray(np.take(here, versions, axis=1), dtype=np.float64)


def _copies(panel: Panel, places: tuple[Ints, ...], versions: Ints, chromosome: Ints) -> list[Floats | None]:
    """`copies_of` a parent, each chromosome's copies named where no line tells them apart."""
    copies = copies_of(panel, places, versions)
    if all(c is None for c in copies) or (panel.copies[versions[0]] != UNKNOWN_COPY).any():
        return copies
    het, chromosomes = [], []
    for block, place in zip(panel.blocks, places, strict=True):
        pairs = genotype_alleles(block.k)
        consensus = block.consensus[place, versions[0]].astype(np.float64)
        het.append(consensus[:, pairs[:, 0] != pairs[:, 1]].sum(axis=1))
        chromosomes.append(chromosome[block.rows[place]])
    return name_copies(copies, het, chromosomes)


def plant_codes(codes: UInt8s, owner: Ints, n: int) -> UInt8s:
    """Observation codes (m, n) of plants from those of their wells (m, w): the first that has a call."""
    if len(owner) == n and (owner == np.arange(n)).all():
        return codes
    of_plants = np.full((len(codes), n), NO_CALL_CODE, dtype=np.uint8)
    for w in range(len(owner) - 1, -1, -1):
        own = of_plants[:, owner[w]]
        np.copyto(own, codes[:, w], where=codes[:, w] != NO_CALL_CODE)
    return of_plants


def _other_crosses(
    family: FamilyInput,
    wells: Wells,
    panel: Panel,
    settings: Settings,
    others: OtherCrosses | None,
    places: tuple[Ints, ...],
    blocks: list[FamilyBlock],
) -> tuple[Ints, int, Floats]:
    """Other crosses worth naming, how many there are in all, and their log likelihoods (cross, n)."""
    n = len(family.plants)
    none = np.empty(0, dtype=np.int64), 0, np.zeros((0, n))
    if others is None or not len(others.ids):
        return none
    own = np.zeros(len(panel.version_line), dtype=bool)
    own[panel.versions(family.mother)] = own[panel.versions(family.father)] = True
    leave_out = own[others.mother] & own[others.father]
    if leave_out.all():
        return none
    like = _at_rows(others.screen_rows, panel.blocks, places, blocks)
    if like is None:
        like, _, _ = plant_likelihood(wells, others.screen_rows, 2, family, panel, settings)
    chosen = screen_crosses(others, like, leave_out, compiled=panel.compiled)
    fit = np.zeros((len(chosen), n))
    for panel_block, place, block in zip(panel.blocks, places, blocks, strict=True):
        if panel_block.maternal:
            continue
        mothers, fathers = (
            _of_versions(panel_block.gametes, place, versions[chosen])
            for versions in (others.mother, others.father)
        )
        f1 = child_of_gametes(mothers, fathers)
        fit += log_mixture(block.like, f1).T
    return chosen, int((~leave_out).sum()), fit


def _at_rows(
    rows: Ints, panel_blocks: tuple[PanelBlock, ...], places: tuple[Ints, ...], blocks: list[FamilyBlock]
) -> Floats | None:
    """Likelihoods (m, n, 3) at these nuclear biallelic markers; None where the family lacks some of them."""
    if not len(rows):
        return np.empty((0, blocks[0].like.shape[1], 3))
    for panel_block, place, block in zip(panel_blocks, places, blocks, strict=True):
        own = panel_block.rows[place]
        if block.k == 2 and not block.maternal and len(own):
            at = np.minimum(np.searchsorted(own, rows), len(own) - 1)
            if (own[at] == rows).all():
                return np.asarray(block.like[at])
    return None
