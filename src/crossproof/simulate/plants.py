"""Plants by meiosis from their parent plants, and what each is in truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Bools, Int8s, Ints, Objects
from crossproof.model.results import Relation
from crossproof.simulate.crosses import HYBRID, OFF, OFF_KINDS, OUTCROSS, SELF, Fates, Tags
from crossproof.simulate.genome import Genome, depart, gametes, mate
from crossproof.simulate.plan import OffKind, SeasonPlan

CHUNK = 512  # plants at a time, so that dense panels stay within memory
FIXED_GENERATIONS = 6


@dataclass(frozen=True)
class Progeny:
    """Plants with their true genotypes and origin, one entry per plant.

    `genotypes` (plant, 2, marker) int8. `relation` is what the plant is to the mother and father on its tag.
    `donor` names the pollen donor or the other line, "" where there is none in that sense.
    `identifiable` is False where the plant's genotype is that of another class (see `identifiable_mask`).
    """

    genotypes: Int8s
    relation: tuple[Relation, ...]
    donor: Objects
    identifiable: Bools


def draw_progeny(
    plan: SeasonPlan,
    genome: Genome,
    lines: Int8s,
    names: list[str],
    tags: Tags,
    fates: Fates,
    rng: np.random.Generator,
) -> Progeny:
    """Grow every plant; `lines` (line, 2, marker) holds the panel, then the lines nobody typed."""
    mothers = _parent_plants(plan, genome, lines[tags.mother], rng)
    fathers = _parent_plants(plan, genome, lines[tags.father_plant], rng)
    n = len(fates.made)
    haps = np.empty((n, 2, lines.shape[2]), dtype=np.int8)
    seed_line = np.empty(n, dtype=np.int64)
    for start in range(0, n, CHUNK):
        part = slice(start, min(n, start + CHUNK))
        haps[part], seed_line[part] = _grow(genome, lines, mothers, fathers, tags, fates, part, rng)
    maternal = genome.markers.maternal
    haps[:, :, maternal] = lines[seed_line, 0][:, None, maternal]

    cytoplasm = lines[:, 0, maternal]
    relation, donor = [], np.full(n, "", dtype=object)
    for i in range(n):
        what, line = _relation(tags, fates, i, len(names), cytoplasm)
        relation.append(what)
        if line >= 0:
            donor[i] = names[line] if line < len(names) else "unknown"
    nuclear = ~maternal
    mask = identifiable_mask(
        haps[:, :, nuclear], lines[:, :, nuclear], tags.mother[fates.tag], tags.father[fates.tag], relation
    )
    return Progeny(haps, tuple(relation), donor, mask)


def _parent_plants(plan: SeasonPlan, genome: Genome, pair: Int8s, rng: np.random.Generator) -> Int8s:
    return depart(pair, genome, plan.parent_departure, plan.residual_share, rng)


def _grow(
    genome: Genome,
    lines: Int8s,
    mothers: Int8s,
    fathers: Int8s,
    tags: Tags,
    fates: Fates,
    part: slice,
    rng: np.random.Generator,
) -> tuple[Int8s, Ints]:
    """Genotypes of some plants, and the line whose cytoplasm each carries."""
    made, fate, kind = fates.made[part], fates.fate[part], fates.off_kind[part]
    m, f = mothers[made], fathers[made]
    seed_line = tags.mother[made].copy()

    def off(*kinds: OffKind) -> NDArray[np.intp]:
        return np.flatnonzero((fate == OFF) & np.isin(kind, [OFF_KINDS.index(k) for k in kinds]))

    pollen = np.where((fate == SELF)[:, None, None], m, f)
    seed = m.copy()
    foreign = np.flatnonzero(fate == OUTCROSS)
    pollen[foreign] = lines[fates.donor[part][foreign]]

    selfed_father = off(OffKind.FATHER_SELFED)
    seed[selfed_father] = f[selfed_father]
    seed_line[selfed_father] = tags.father_plant[made[selfed_father]]

    line = off(OffKind.OTHER_LINE, OffKind.UNKNOWN)
    seed[line] = pollen[line] = lines[fates.donor[part][line]]
    seed_line[line] = fates.donor[part][line]

    other = off(OffKind.OTHER_CROSS)
    source = fates.source[part][other]
    seed[other], pollen[other] = mothers[source], fathers[source]
    seed_line[other] = tags.mother[source]

    back = off(OffKind.BACKCROSS)
    f1 = mate(m[back], f[back], genome, rng)
    to_mother = fates.variant[part][back] % 2 == 0
    seed[back] = np.where(to_mother[:, None, None], m[back], f[back])
    seed_line[back] = np.where(to_mother, tags.mother[made[back]], tags.father_plant[made[back]])
    pollen[back] = f1

    children = mate(seed, pollen, genome, rng)
    late = off(OffKind.ADVANCED)
    # F2, F3, F4 and fixed lines alike, as model.md mixes them
    rounds = np.array([1, 2, 3, FIXED_GENERATIONS])[fates.variant[part][late]]
    for generation in range(1, FIXED_GENERATIONS + 1):
        on = late[rounds >= generation]
        if len(on):
            children[on] = np.stack(
                [gametes(children[on], genome, rng), gametes(children[on], genome, rng)], axis=1
            )
    return children, seed_line


def _relation(tags: Tags, fates: Fates, i: int, n_panel: int, cytoplasm: Int8s) -> tuple[Relation, int]:
    """What plant i is to the parents on its tag, and the donor or other line (-1: none to name)."""
    made, tag, fate = fates.made[i], fates.tag[i], fates.fate[i]
    kind = OFF_KINDS[fates.off_kind[i]] if fate == OFF else None
    seed, pollen = tags.mother[made], tags.father_plant[made]
    if fate == SELF:
        pollen = seed
    elif fate == OUTCROSS:
        pollen = fates.donor[i]
    elif kind is OffKind.FATHER_SELFED:
        seed = pollen
    elif kind in (OffKind.OTHER_LINE, OffKind.UNKNOWN):
        seed = pollen = fates.donor[i]
    elif kind is OffKind.OTHER_CROSS:
        source = fates.source[i]
        seed, pollen = tags.mother[source], tags.father_plant[source]
    elif fate == OFF:
        as_tagged = tags.mother[tag] == seed and tags.father[tag] == pollen
        if not as_tagged:
            return Relation.UNKNOWN, -1
        if kind is OffKind.ADVANCED:
            return Relation.ADVANCED, -1
        return (Relation.BACKCROSS_MOTHER if fates.variant[i] % 2 == 0 else Relation.BACKCROSS_FATHER), -1
    direction_shows = bool((cytoplasm[seed] != cytoplasm[tags.mother[tag]]).any())
    return relation_of_cross(
        int(seed), int(pollen), int(tags.mother[tag]), int(tags.father[tag]), n_panel, direction_shows
    )


def relation_of_cross(
    seed: int, pollen: int, mother: int, father: int, n_panel: int, direction_shows: bool = False
) -> tuple[Relation, int]:
    """What a child of seed line x pollen line is to the mother and father on its tag.

    Nuclear markers know no direction: unless a maternal marker tells the seed parent from this mother
    (`direction_shows`), a child of the reciprocal cross counts as the hybrid, and a child of another line x
    this mother as an outcross of this mother, in truth as in the verdict.
    Lines are places in the panel, or beyond it for lines nobody genotyped.
    """
    if seed == pollen:
        if seed == mother:
            return Relation.SELF, -1
        if seed == father:
            return Relation.FATHER_SELFED, -1
        return (Relation.OTHER_LINE, seed) if seed < n_panel else (Relation.UNKNOWN, seed)
    if {seed, pollen} == {mother, father}:
        return (Relation.RECIPROCAL if direction_shows else Relation.HYBRID), -1
    if seed == mother or (pollen == mother and not direction_shows):
        donor = pollen if seed == mother else seed
        return (Relation.OUTCROSS_LINE if donor < n_panel else Relation.OUTCROSS_UNKNOWN), donor
    return Relation.OTHER_CROSS, -1


def identifiable_mask(
    haps: Int8s,
    lines: Int8s,
    mother: Ints,
    father: Ints,
    relation: list[Relation],
) -> Bools:
    """False where a plant has, at every nuclear marker, the genotype expected of another class.

    Compared are the hybrid, the selfed mother and the selfed father of the lines' reference genotypes: an
    outcross by a donor that equals the father at all markers, an F4 that equals the mother. No method can
    tell these apart; accuracy counts them all the same and states how many there were.
    """
    low, high = haps.min(axis=1), haps.max(axis=1)
    fixed = (lines[:, 0] == lines[:, 1]).all(axis=1)
    m, f = lines[mother, 0], lines[father, 0]
    verdict = np.array([str(r.verdict) for r in relation])
    mask = np.ones(len(relation), dtype=bool)
    for a, b, name in ((m, f, "hybrid"), (m, m, "self"), (f, f, "off_pedigree")):
        same = ((low == np.minimum(a, b)) & (high == np.maximum(a, b))).all(axis=1)
        mask &= ~(same & fixed[mother] & fixed[father] & (verdict != name))
    return mask


__all__ = ["HYBRID", "Progeny", "draw_progeny", "identifiable_mask", "relation_of_cross"]
