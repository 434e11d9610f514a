"""Tags that are wrong as a whole: the brush carried other pollen, or the seed is a generation further."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.model.arrays import Int8s, Ints
from crossproof.simulate.crosses import OFF, OFF_KINDS, OUTCROSS, Fates, Tags
from crossproof.simulate.genome import Genome, draw_alleles
from crossproof.simulate.plan import OffKind, SeasonPlan, TagFault, TagFaultKind

F2_VARIANT, TO_MOTHER, TO_FATHER = 0, 0, 1
"""`Fates.variant` of a second generation, and of a backcross to either parent."""


@dataclass(frozen=True)
class FaultyTags:
    """A season's tags, fates and lines (line, 2, marker) with the faults in them; `names` of those tags."""

    tags: Tags
    fates: Fates
    lines: Int8s
    names: tuple[str, ...]


def plant_tag_faults(
    plan: SeasonPlan, genome: Genome, season: FaultyTags, n_panel: int, rng: np.random.Generator
) -> FaultyTags:
    """Make the tags of `plan.tag_faults` wrong; each fault hits tags that no other has hit."""
    free = rng.permutation(np.flatnonzero(season.tags.plants > 0))
    for fault in plan.tag_faults:
        hit, free = free[: fault.tags], free[fault.tags :]
        tags = season.tags
        if fault.one_father:
            tags = _of_one_father(tags, hit, n_panel, rng)
        season = replace(season, tags=tags)
        for tag in hit.tolist():
            season = _one_tag(fault, genome, season, tag, rng)
    return season


def _of_one_father(tags: Tags, hit: Ints, n_panel: int, rng: np.random.Generator) -> Tags:
    """Give all these tags one father, one that is the mother of none of them."""
    able = np.setdiff1d(np.arange(n_panel), tags.mother[hit])
    if not len(able):
        raise ValueError("too few lines for tags of one father")
    father = tags.father.copy()
    father[hit] = rng.choice(able)
    father_plant = tags.father_plant.copy()
    father_plant[hit] = father[hit]
    return replace(tags, father=father, father_plant=father_plant)


def _one_tag(
    fault: TagFault, genome: Genome, season: FaultyTags, tag: int, rng: np.random.Generator
) -> FaultyTags:
    """All plants of the pods that the fault hits, wrong in the same way."""
    tags, fates, lines = season.tags, season.fates, season.lines
    mine = fates.made == tag
    pods = np.unique(fates.pod[mine])
    n_hit = max(1, round(fault.pods * len(pods)))
    mine &= np.isin(fates.pod, pods[:n_hit])
    fate, off_kind, donor = fates.fate.copy(), fates.off_kind.copy(), fates.donor.copy()
    source, variant = fates.source.copy(), fates.variant.copy()
    donor[mine] = source[mine] = -1
    if fault.kind in (TagFaultKind.UNTYPED_DONOR, TagFaultKind.RELATIVE):
        father = lines[tags.father[tag], 0]
        pollen = _donor(fault, genome, father, rng)
        fate[mine], donor[mine] = OUTCROSS, len(lines)
        lines = np.concatenate([lines, np.stack([pollen, pollen])[None]])
    else:
        advanced = fault.kind is TagFaultKind.ADVANCED
        fate[mine] = OFF
        off_kind[mine] = OFF_KINDS.index(OffKind.ADVANCED if advanced else OffKind.BACKCROSS)
        to_father = fault.kind is TagFaultKind.BACKCROSS_FATHER
        variant[mine] = F2_VARIANT if advanced else TO_FATHER if to_father else TO_MOTHER
    wrong = replace(fates, fate=fate, off_kind=off_kind, donor=donor, source=source, variant=variant)
    return FaultyTags(tags, wrong, lines, (*season.names, str(tags.cross_id[tag])))


def _donor(fault: TagFault, genome: Genome, father: Int8s, rng: np.random.Generator) -> Int8s:
    """One allele per marker of the plant that gave the pollen."""
    if fault.kind is TagFaultKind.UNTYPED_DONOR:
        drawn: Int8s = draw_alleles(genome.frequencies, 1, rng)[0]
        return drawn
    two = np.flatnonzero(~genome.fragment & ~genome.markers.maternal)
    pollen = father.copy()
    where = rng.choice(two, round(fault.differs * len(two)), replace=False)
    pollen[where] = 1 - pollen[where]
    return pollen
