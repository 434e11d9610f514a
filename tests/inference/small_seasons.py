"""A small simulator of crossing seasons as arrays, for the model's own tests (all names and figures
invented).

It does not share code with the model: gametes are drawn allele by allele, errors call by call.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from crossproof.inference.season_model import (
    CrossRecord,
    FamilyInput,
    LineInput,
    Plant,
    Wells,
    batch_evidence,
)
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

CLASS_NAMES = ("hybrid", "self", "outcross", "off_pedigree")


@dataclass(frozen=True)
class Recipe:
    """What a season is made of; rates are shares."""

    markers: int = 60
    lines: int = 24
    crosses: int = 24
    plants: tuple[int, int] = (4, 14)
    replicates: int = 2
    shares: tuple[float, float, float, float] = (0.62, 0.28, 0.06, 0.04)
    departure: float = 0.0
    bad_assays: float = 0.0
    wrong_tubes: float = 0.0
    missing: float = 0.02
    dropout: float = 0.01
    false_het: float = 0.003
    swap: float = 0.001
    depth: float | None = None
    depth_shape: float = 3.0
    sisters: int = 0
    sister_difference: float = 0.12
    chromosomes: int = 11


@dataclass
class Season:
    """A simulated season: the model's input and the truth per plant (class number)."""

    wells: Wells
    lines: list[LineInput]
    families: list[FamilyInput]
    records: list[CrossRecord]
    truth: dict[str, int] = field(default_factory=dict)
    kind: dict[str, str] = field(default_factory=dict)
    wrong: set[str] = field(default_factory=set)
    genotypes: np.ndarray | None = None


def _gamete(parent: np.ndarray, chrom: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One gamete (marker,) of a parent (marker, 2), with about one crossover per chromosome."""
    out = np.empty(len(parent), dtype=np.int8)
    for c in np.unique(chrom):
        at = np.flatnonzero(chrom == c)
        side = rng.integers(2)
        switch = rng.random(len(at)) < 1.0 / max(len(at), 2)
        strand = (side + np.cumsum(switch)) % 2
        out[at] = parent[at, strand]
    return out


def simulate(recipe: Recipe, seed: int) -> Season:
    """A season with its truth."""
    rng = np.random.default_rng(seed)
    m = recipe.markers
    chrom = np.sort(np.arange(m) % recipe.chromosomes)
    freq = np.clip(rng.beta(1.2, 1.2, m), 0.08, 0.92)
    founders = (rng.random((recipe.lines, m)) < freq).astype(np.int8)
    names = [f"L{i:03d}" for i in range(recipe.lines)]
    haplotypes = list(founders)
    sister_of: dict[int, list[int]] = {}
    for s in range(recipe.sisters):
        base = s // 3
        new = founders[base].copy()
        flip = rng.random(m) < recipe.sister_difference
        new[flip] = (rng.random(flip.sum()) < 0.5).astype(np.int8)
        haplotypes.append(new)
        names.append(f"S{s:03d}")
        sister_of.setdefault(base, []).append(len(names) - 1)
    lines = np.array(haplotypes)
    n_lines = len(names)
    line_genotype = np.stack([lines, lines], axis=2)

    samples: list[np.ndarray] = []
    line_inputs: list[LineInput] = []
    wrong: set[str] = set()
    for i in range(n_lines):
        numbers = []
        for _ in range(recipe.replicates):
            genotype = line_genotype[i]
            if rng.random() < recipe.wrong_tubes:
                genotype = line_genotype[(i + 1 + rng.integers(n_lines - 1)) % n_lines]
                wrong.add(names[i])
            numbers.append(len(samples))
            samples.append(genotype)
        line_inputs.append(LineInput(names[i], tuple(numbers)))

    def plant_of(line: int) -> np.ndarray:
        plant = line_genotype[line].copy()
        departs = rng.random(m) < recipe.departure
        other = (rng.random(m) < freq).astype(np.int8)
        het = rng.random(m) < 0.5
        plant[departs, 0] = other[departs]
        plant[departs & ~het, 1] = other[departs & ~het]
        return plant

    season = Season(None, line_inputs, [], [])  # type: ignore[arg-type]
    season.wrong = wrong
    for c in range(recipe.crosses):
        while True:
            mother, father = rng.choice(recipe.lines, 2, replace=False)
            if recipe.sisters:
                father = c % max(len(sister_of), 1)
            if mother != father:
                break
        cross = f"C{c:03d}"
        season.records.append(CrossRecord(cross, names[mother], names[father]))
        mum, dad = plant_of(mother), plant_of(father)
        plants = []
        for p in range(int(rng.integers(recipe.plants[0], recipe.plants[1] + 1))):
            name = f"{cross}-{p:02d}"
            klass = int(rng.choice(4, p=np.array(recipe.shares) / sum(recipe.shares)))
            kind = CLASS_NAMES[klass]
            if klass == 0:
                child = (_gamete(mum, chrom, rng), _gamete(dad, chrom, rng))
            elif klass == 1:
                child = (_gamete(mum, chrom, rng), _gamete(mum, chrom, rng))
            elif klass == 2:
                choices = [i for i in range(n_lines) if i not in (mother, father)]
                if recipe.sisters:
                    choices = sister_of[father]
                child = (_gamete(mum, chrom, rng), _gamete(plant_of(int(rng.choice(choices))), chrom, rng))
            else:
                kind = str(rng.choice(["father", "f2", "line", "cross"]))
                if kind == "father":
                    child = (_gamete(dad, chrom, rng), _gamete(dad, chrom, rng))
                elif kind == "f2":
                    f1 = np.stack([_gamete(mum, chrom, rng), _gamete(dad, chrom, rng)], axis=1)
                    child = (_gamete(f1, chrom, rng), _gamete(f1, chrom, rng))
                else:
                    free = [i for i in range(recipe.lines) if i not in (mother, father)]
                    a, b = rng.choice(free, 2, replace=False)
                    left = plant_of(int(a))
                    right = left if kind == "line" else plant_of(int(b))
                    child = (_gamete(left, chrom, rng), _gamete(right, chrom, rng))
            season.truth[name], season.kind[name] = klass, kind
            plants.append(Plant(name, (len(samples),)))
            samples.append(np.stack(child, axis=1))
        season.families.append(FamilyInput(cross, names[mother], names[father], tuple(plants)))
    truth = np.sort(np.stack(samples, axis=1), axis=2)  # marker, sample, 2
    season.genotypes = truth
    season.wells = _observe(truth, recipe, chrom, rng)
    return season


def wells_of_calls(
    calls: dict[str, list[str]],
    *,
    maternal: tuple[str, ...] = (),
    alleles: dict[str, tuple[str, ...]] | None = None,
    chromosomes: dict[str, str] | None = None,
) -> Wells:
    """Wells from calls written out: marker -> calls of all wells such as "0/1", "./." or "2/2".

    `chromosomes`: of each marker, in the order of their names; else no marker has a place.
    """
    names = sorted(calls)
    n = len(calls[names[0]])
    sizes = {
        name: len(alleles[name])
        if alleles and name in alleles
        else max(2, 1 + max(int(x) for c in calls[name] for x in c.split("/") if x != "."))
        for name in names
    }
    markers = Markers(
        np.array(names, dtype=object),
        np.array([(chromosomes or {}).get(name, "") for name in names], dtype=object),
        np.arange(len(names), dtype=np.int64),
        tuple(tuple("ABCDEFGH"[: sizes[name]]) for name in names),
        np.array([name in maternal for name in names]),
    )
    blocks = []
    for k in sorted(set(sizes.values())):
        rows = np.array([i for i, name in enumerate(names) if sizes[name] == k])
        table = [
            [[-1 if x == "." else int(x) for x in call.split("/")] for call in calls[names[i]]] for i in rows
        ]
        blocks.append(CallBlock(k, rows, np.array(table, dtype=np.int8)))
    batch = CallBatch("B1", markers, tuple(f"w{i}" for i in range(n)), tuple(blocks), Evidence.CALLS)
    item = batch_evidence(
        batch,
        wells=np.arange(n),
        joined_row=np.arange(len(names)),
        recode=np.tile(np.arange(8), (len(names), 1)),
        n_alleles=markers.n_alleles,
    )
    return Wells(markers, n, (item,))


def _observe(truth: np.ndarray, recipe: Recipe, chrom: np.ndarray, rng: np.random.Generator) -> Wells:
    m, n, _ = truth.shape
    depths = None
    if recipe.depth is None:
        dose = truth.sum(axis=2)
        u = rng.random((m, n))
        false_het = np.full(m, recipe.false_het)
        drop = np.full(m, recipe.dropout)
        bad = rng.random(m) < recipe.bad_assays
        # A bad assay either sees heterozygotes that are not there or loses one allele, more or less often.
        sees = rng.random(m) < 0.5
        false_het[bad & sees] = rng.uniform(0.05, 0.6, (bad & sees).sum())
        drop[bad & ~sees] = rng.uniform(0.1, 0.6, (bad & ~sees).sum())
        seen = dose.copy()
        hom = dose != 1
        seen[hom & (u < false_het[:, None])] = 1
        swapped = hom & (u > 1 - recipe.swap)
        seen[swapped] = 2 - dose[swapped]
        lost = ~hom & (u < drop[:, None])
        side = rng.random((m, n)) < np.where(rng.random(m) < 0.5, 0.5, 0.9)[:, None]
        seen[lost] = np.where(side, 0, 2)[lost]
        calls = np.stack([seen > 1, seen > 0], axis=2).astype(np.int8)
        calls[rng.random((m, n)) < recipe.missing] = -1
        evidence = Evidence.CALLS
    else:
        shape = recipe.depth_shape
        mean = recipe.depth * rng.gamma(shape, 1 / shape, m)[:, None] * rng.gamma(10, 0.1, n)[None]
        total = rng.poisson(mean)
        share = np.where(truth.sum(axis=2) == 1, rng.beta(12, 12, (m, n)), truth.sum(axis=2) / 2)
        share = share * 0.99 + (1 - share) * 0.01
        alt = rng.binomial(total, share)
        depths = np.stack([total - alt, alt], axis=2).astype(np.uint16)
        calls = np.stack([depths[..., 0] == 0, depths[..., 1] > 0], axis=2).astype(np.int8)
        calls[total == 0] = -1
        evidence = Evidence.DEPTHS
    markers = Markers(
        np.array([f"m{j:05d}" for j in range(m)], dtype=object),
        np.array([f"chr{c + 1:02d}" for c in chrom], dtype=object),
        np.arange(1, m + 1, dtype=np.int64) * 1000,
        (("A", "B"),) * m,
        np.zeros(m, dtype=bool),
    )
    batch = CallBatch(
        "B1",
        markers,
        tuple(f"w{i}" for i in range(n)),
        (CallBlock(2, np.arange(m), calls, None, depths),),
        evidence,
    )
    item = batch_evidence(
        batch,
        wells=np.arange(n),
        joined_row=np.arange(m),
        recode=np.tile(np.arange(8), (m, 1)),
        n_alleles=np.full(m, 2),
    )
    return Wells(markers, n, (item,))
