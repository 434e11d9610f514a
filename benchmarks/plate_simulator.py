"""Plates with known faults, made in memory: what benchmarks/plate_faults.py and the tests of the checks use.

The simulator is not the model: parent plants differ from their line at 5 % of the markers, 10 % of the assays
are bad (a quarter of their calls are random), failed wells call at random rates, seeds end up in the wrong
bag.
All names and figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.evidence.error_model import apply_floor, likelihood_from_calls
from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonBlock, SeasonTables, WellBlock
from crossproof.model.arrays import Bools, Floats, Ints, UInt8s
from crossproof.model.plates import PLATE_FORMATS, PlateFormat
from crossproof.model.sentinels import NO_CALL_CODE


@dataclass(frozen=True)
class Rates:
    """What goes wrong without being a fault of the plate."""

    classes: tuple[float, float, float, float] = (0.60, 0.30, 0.08, 0.02)
    false_heterozygote: float = 0.005
    dropout: float = 0.02
    swap: float = 0.002
    missing: float = 0.08
    bad_assays: float = 0.10
    failed_wells: float = 0.03
    parent_departure: float = 0.05
    swapped_seed: float = 0.5
    blank_calls: float = 0.02


@dataclass
class Nursery:
    """Lines, parent plants and crosses of one season, with its bad assays. Genotypes are 0, 1, 2."""

    rng: np.random.Generator
    rates: Rates
    lines: Ints
    mother: Ints
    father: Ints
    mother_plant: Ints
    father_plant: Ints
    bad: Bools
    pool: Floats


def make_nursery(
    rng: np.random.Generator,
    *,
    markers: int = 60,
    lines: int = 14,
    crosses: int = 10,
    rates: Rates | None = None,
) -> Nursery:
    """Inbred lines from a pool, crosses among them at random, no pair of parents twice in either
    direction."""
    rates = rates or Rates()
    q = rng.beta(1.5, 1.5, markers)
    genotypes = 2 * (rng.random((lines, markers)) < q).astype(np.int64)
    genotypes[rng.random(genotypes.shape) < 0.01] = 1
    pairs = [(a, b) for a in range(lines) for b in range(a + 1, lines)]
    chosen = np.array(pairs)[rng.choice(len(pairs), crosses, replace=False)]
    flip = rng.random(crosses) < 0.5
    mother = np.where(flip, chosen[:, 1], chosen[:, 0])
    father = np.where(flip, chosen[:, 0], chosen[:, 1])

    def plant(line: Ints) -> Ints:
        own = genotypes[line].copy()
        off = rng.random(own.shape) < rates.parent_departure
        own[off] = (2 * (rng.random(own.shape) < q).astype(np.int64))[off]
        return own

    bad = rng.random(markers) < rates.bad_assays
    return Nursery(rng, rates, genotypes, mother, father, plant(mother), plant(father), bad, q)


def gamete(rng: np.random.Generator, genotype: Ints) -> Ints:
    """One allele per marker."""
    return (rng.random(genotype.shape) < genotype / 2).astype(np.int64)


@dataclass(frozen=True)
class Plant:
    """Genotype of one plant, whether it is a hybrid or self of its tag, and the lines it descends from.

    Unknown pollen is none of the lines.
    """

    genotype: Ints
    true: bool
    lines: frozenset[int]


def grow(nursery: Nursery, cross: int) -> Plant:
    """One plant harvested from a cross."""
    rng = nursery.rng
    mother, father = nursery.mother_plant[cross], nursery.father_plant[cross]
    m, p = int(nursery.mother[cross]), int(nursery.father[cross])
    kind = rng.choice(4, p=np.array(nursery.rates.classes) / sum(nursery.rates.classes))
    if kind == 0:
        return Plant(gamete(rng, mother) + gamete(rng, father), True, frozenset({m, p}))
    if kind == 1:
        return Plant(gamete(rng, mother) + gamete(rng, mother), True, frozenset({m}))
    if kind == 2:
        line = int(rng.integers(len(nursery.lines)))
        donor, lines = nursery.lines[line], frozenset({m, line})
        if rng.random() < 0.3:
            donor, lines = 2 * (rng.random(len(donor)) < nursery.pool).astype(np.int64), frozenset({m})
        return Plant(gamete(rng, mother) + gamete(rng, donor), False, lines)
    other = rng.integers(3)
    if other == 0:
        return Plant(gamete(rng, father) + gamete(rng, father), False, frozenset({p}))
    f1 = gamete(rng, mother) + gamete(rng, father)
    if other == 1:
        return Plant(gamete(rng, f1) + gamete(rng, f1), False, frozenset({m, p}))
    line = int(rng.integers(len(nursery.lines)))
    return Plant(nursery.lines[line].copy(), False, frozenset({line}))


@dataclass
class Sheet:
    """What the sheet says and what really stands in each place; `genotype` (well, marker), -1 for none."""

    format: PlateFormat
    position: Ints
    identity: Ints
    plants: list[str]
    genotype: Ints
    true_to_tag: Bools
    """Plants that are hybrid or self of their tag."""
    lines: tuple[frozenset[int], ...]
    """Lines that each plant descends from, none for tubes and blanks."""


def make_sheet(
    nursery: Nursery,
    *,
    format: PlateFormat = PLATE_FORMATS[0],
    filled: float = 1.0,
    blanks: int = 2,
    tubes: int = 1,
    prefix: str = "",
    crosses: list[int] | None = None,
    by_columns: bool | None = None,
) -> Sheet:
    """Parents first, then cross after cross in families of unequal size, blanks scattered or at the end."""
    rng = nursery.rng
    n = int(format.wells * filled)
    crosses = list(range(len(nursery.mother))) if crosses is None else crosses
    parents = sorted({int(x) for c in crosses for x in (nursery.mother[c], nursery.father[c])})
    identity = [line for line in parents for _ in range(tubes)]
    left = n - len(identity) - blanks
    share = rng.dirichlet(np.full(len(crosses), 4.0))
    sizes = np.maximum(1, np.floor(share * left)).astype(int)
    while sizes.sum() > left:
        sizes[np.argmax(sizes)] -= 1
    while sizes.sum() < left:
        sizes[rng.integers(len(sizes))] += 1
    n_lines = len(nursery.lines)
    for c, size in zip(crosses, sizes, strict=True):
        identity += [n_lines + c] * size
    if rng.random() < 0.5:
        identity += [EMPTY] * blanks
    else:
        for _ in range(blanks):
            identity.insert(int(rng.integers(len(identity) + 1)), EMPTY)
    by_columns = bool(rng.random() < 0.5) if by_columns is None else by_columns
    order = np.arange(format.wells).reshape(format.rows, format.columns)
    position = (order.T if by_columns else order).ravel()[:n]
    genotype = np.full((n, nursery.lines.shape[1]), -1, dtype=np.int64)
    plants = [""] * n
    true_to_tag = np.ones(n, dtype=bool)
    lines: list[frozenset[int]] = [frozenset()] * n

    def sow(w: int, cross: int) -> None:
        plant = grow(nursery, cross)
        genotype[w], true_to_tag[w], lines[w] = plant.genotype, plant.true, plant.lines

    for w, i in enumerate(identity):
        if i >= n_lines:
            sow(w, i - n_lines)
            plants[w] = f"{prefix}T{w + 1}"
        elif i >= 0:
            genotype[w] = nursery.lines[i]
    if rng.random() < nursery.rates.swapped_seed and len(crosses) > 1:
        progeny = np.flatnonzero(np.array(identity) >= n_lines)
        w = int(rng.choice(progeny))
        other = int(rng.choice([c for c in crosses if c != identity[w] - n_lines]))
        sow(w, other)
        true_to_tag[w] = False
    return Sheet(format, position, np.array(identity), plants, genotype, true_to_tag, tuple(lines))


def move(sheet: Sheet, source: Ints) -> Sheet:
    """What stands in each place once the contents lie as `source` says (see plate_layout)."""
    at = np.full(sheet.format.wells, -1)
    at[sheet.position] = np.arange(len(sheet.position))
    from_well = np.where(source[sheet.position] >= 0, at[source[sheet.position]], -1)
    genotype = np.where(from_well[:, None] >= 0, sheet.genotype[from_well], -1)
    return replace(sheet, genotype=genotype)


def observe(nursery: Nursery, genotype: Ints) -> UInt8s:
    """Calls (marker, well) of true genotypes (well, marker); -1 in the first marker stands for an empty
    well."""
    rng, r = nursery.rng, nursery.rates
    call = genotype.copy()
    u = rng.random(call.shape)
    hom = genotype != 1
    call = np.where(hom & (u < r.false_heterozygote), 1, call)
    call = np.where(hom & (u > 1 - r.swap), 2 - genotype, call)
    drop = ~hom & (u < r.dropout)
    call = np.where(drop, 2 * rng.integers(0, 2, call.shape), call)
    noisy = nursery.bad[None, :] & (rng.random(call.shape) < 0.25)
    call = np.where(noisy, rng.integers(0, 3, call.shape), call)
    rate = np.full(len(call), 1 - r.missing)
    failed = rng.random(len(call)) < r.failed_wells
    rate[failed] = rng.random(failed.sum()) * 0.5
    empty = genotype[:, 0] < 0
    rate[empty] = r.blank_calls
    call = np.where(empty[:, None], rng.integers(0, 3, call.shape), call)
    call = np.where(rng.random(call.shape) < rate[:, None], call, NO_CALL_CODE)
    return call.T.astype(np.uint8)


def well_block(codes: UInt8s) -> WellBlock:
    """Codes (marker, well) with their likelihoods under the nominal error rates."""
    likelihood = apply_floor(likelihood_from_calls(codes, 2, 0.005, 0.02, 0.002), 0.005)
    return WellBlock(2, likelihood.astype(np.float32), codes)


def make_plate(nursery: Nursery, sheet: Sheet, name: str = "P1") -> Plate:
    """The plate's data under its sheet."""
    rows, columns = np.divmod(sheet.position, sheet.format.columns)
    n = len(sheet.position)
    return Plate(
        name,
        "B1",
        sheet.format,
        rows,
        columns,
        tuple(f"{name}s{w + 1}" for w in range(n)),
        tuple(sheet.plants),
        sheet.identity,
        (well_block(observe(nursery, sheet.genotype)),),
    )


def make_parent_plate(nursery: Nursery, tubes: int, name: str = "PARENTS") -> Plate:
    """A plate of parent tubes only: every line `tubes` times, and a blank."""
    identity = np.concatenate([np.repeat(np.arange(len(nursery.lines)), tubes), [EMPTY]])
    genotype = np.concatenate(
        [np.repeat(nursery.lines, tubes, axis=0), np.full((1, nursery.lines.shape[1]), -1)]
    )
    sheet = Sheet(
        PLATE_FORMATS[0],
        np.arange(len(identity)),
        identity,
        [""] * len(identity),
        genotype,
        np.ones(len(identity), dtype=bool),
        (frozenset(),) * len(identity),
    )
    return make_plate(nursery, sheet, name)


def season_tables(nursery: Nursery) -> SeasonTables:
    """The season's tables; the pool as estimated from the lines."""
    n = len(nursery.lines)
    q = (nursery.lines.sum(axis=0) + 1) / (2 * n + 2)
    m = len(q)
    block = SeasonBlock(
        2, tuple(f"m{j + 1}" for j in range(m)), np.column_stack([1 - q, q]), np.zeros(m, dtype=bool)
    )
    return SeasonTables(
        tuple(f"L{i + 1}" for i in range(n)),
        tuple(f"C{c + 1}" for c in range(len(nursery.mother))),
        nursery.mother,
        nursery.father,
        (block,),
        np.full(n, 0.98),
    )
