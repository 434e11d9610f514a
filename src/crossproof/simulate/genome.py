"""Markers on a genetic map, inbred lines, and gametes.

haps   (plant, 2, marker) int8: the two haplotypes of each plant, allele numbers
r_j    recombination between marker j-1 and j, Haldane: (1 - exp(-2 d)) / 2 for d Morgans, 1/2 between
       chromosomes
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Floats, Int8s, Ints
from crossproof.model.genotypes import Markers
from crossproof.simulate.plan import SeasonPlan

MEGABASES_PER_MORGAN = 40
SNP_ALLELES = (("A", "G"), ("C", "T"), ("A", "C"), ("G", "T"), ("A", "T"), ("C", "G"), ("G", "A"), ("T", "C"))


@dataclass(frozen=True)
class Genome:
    """Markers in map order with what meiosis and the noise need to know about them.

    `recombination` (marker,): r_j as above. `frequencies` (marker, allele) float: pool the lines are drawn
    from. `fragment` (marker,) bool: a fragment-size marker.
    """

    markers: Markers
    recombination: Floats
    frequencies: Floats
    fragment: Bools


def draw_genome(plan: SeasonPlan, rng: np.random.Generator) -> Genome:
    """Place the markers of a plan and draw their allele frequencies."""
    nuclear = plan.n_markers + plan.fragment_markers
    chrom = np.arange(nuclear) * plan.chromosomes // nuclear
    morgan = rng.random(nuclear) * plan.morgans
    order = np.lexsort((morgan, chrom))
    chrom, morgan = chrom[order], morgan[order]
    position = 1 + (morgan * MEGABASES_PER_MORGAN * 1e6).astype(np.int64) + np.arange(nuclear)

    fragment = np.zeros(nuclear, dtype=bool)
    fragment[rng.choice(nuclear, plan.fragment_markers, replace=False)] = True
    low, high = plan.allele_frequency
    k_max = max(2, plan.fragment_alleles if plan.fragment_markers else 2)
    frequencies = np.zeros((nuclear + plan.maternal_markers, k_max))
    frequencies[:, 1] = rng.uniform(low, high, len(frequencies))
    frequencies[:, 0] = 1 - frequencies[:, 1]
    for j in np.flatnonzero(fragment).tolist():
        frequencies[j, : plan.fragment_alleles] = rng.dirichlet(np.full(plan.fragment_alleles, 3.0))

    alleles: list[tuple[str, ...]] = []
    pair = rng.integers(len(SNP_ALLELES), size=len(frequencies))
    for j in range(len(frequencies)):
        if j < nuclear and fragment[j]:
            start = 100 + 2 * int(rng.integers(50))
            alleles.append(tuple(str(start + 2 * i) for i in range(plan.fragment_alleles)))
        else:
            alleles.append(SNP_ALLELES[pair[j]])
    width = len(str(nuclear))
    ids = [("F" if fragment[j] else "M") + str(j + 1).zfill(width) for j in range(nuclear)]
    ids += [f"CP{i + 1}" for i in range(plan.maternal_markers)]
    chroms = [f"{c + 1:02d}" for c in chrom] + ["Pt"] * plan.maternal_markers
    positions = np.concatenate([position, 1000 * (1 + np.arange(plan.maternal_markers))])
    maternal = np.arange(len(ids)) >= nuclear

    gap = np.diff(morgan, prepend=0.0)
    recombination = 0.5 * (1 - np.exp(-2 * np.abs(gap)))
    recombination[np.flatnonzero(np.diff(chrom, prepend=-1))] = 0.5
    markers = Markers(
        np.array(ids, dtype=object), np.array(chroms, dtype=object), positions, tuple(alleles), maternal
    )
    return Genome(
        markers,
        np.concatenate([recombination, np.full(plan.maternal_markers, 0.5)]),
        frequencies,
        np.concatenate([fragment, np.zeros(plan.maternal_markers, dtype=bool)]),
    )


def draw_alleles(frequencies: Floats, n: int, rng: np.random.Generator) -> Int8s:
    """Alleles (n, marker), each marker independent of its neighbours."""
    bounds = frequencies.cumsum(axis=1)
    u = rng.random((n, len(frequencies)))
    drawn = np.zeros(u.shape, dtype=np.int8)
    for k in range(frequencies.shape[1] - 1):
        drawn += u >= bounds[:, k]
    return drawn


def draw_lines(plan: SeasonPlan, genome: Genome, rng: np.random.Generator) -> tuple[Int8s, Ints]:
    """Fully inbred lines as one allele per marker, and who is a sister of whom.

    Returns (line, marker) int8 with the panel first (lines, then sisters) and the hidden lines last, and
    (panel line,) int64: the sister group of each panel line, -1 outside any.
    """
    lines = draw_alleles(genome.frequencies, plan.n_lines, rng)
    group = np.full(plan.n_lines, -1)
    group[: plan.sister_groups] = np.arange(plan.sister_groups)
    sisters = []
    two = np.flatnonzero(~genome.fragment & ~genome.markers.maternal)
    for head in range(plan.sister_groups):
        for _ in range(plan.sisters_per_group):
            sister = lines[head].copy()
            where = rng.choice(two, plan.sister_differences, replace=False)
            sister[where] = 1 - sister[where]
            sisters.append(sister)
    if sisters:
        lines = np.concatenate([lines, np.array(sisters)])
        group = np.concatenate([group, np.repeat(np.arange(plan.sister_groups), plan.sisters_per_group)])
    hidden = draw_alleles(genome.frequencies, plan.hidden_lines, rng)
    return np.concatenate([lines, hidden]), group


def depart(
    haps: Int8s, genome: Genome, rate: float, residual_share: float, rng: np.random.Generator
) -> Int8s:
    """Plants off their line at `rate` of markers: residual heterozygosity or another homozygote."""
    if rate == 0.0:
        return haps
    nuclear = ~genome.markers.maternal
    off = (rng.random((len(haps), haps.shape[2])) < rate) & nuclear
    plant, marker = np.nonzero(off)
    old = haps[plant, 0, marker]
    n_alleles = genome.markers.n_alleles[marker]
    new = ((old + 1 + rng.integers(0, n_alleles - 1)) % n_alleles).astype(np.int8)
    both = rng.random(len(plant)) >= residual_share
    out = haps.copy()
    out[plant, 1, marker] = new
    out[plant[both], 0, marker[both]] = new[both]
    return out


def gametes(haps: Int8s, genome: Genome, rng: np.random.Generator) -> Int8s:
    """One gamete (plant, marker) of each plant; crossovers by the map, no interference."""
    switch = rng.random((haps.shape[0], haps.shape[2]), dtype=np.float32) < genome.recombination
    phase = np.bitwise_xor.accumulate(switch, axis=1)
    return np.where(phase, haps[:, 1], haps[:, 0])


def mate(mothers: Int8s, fathers: Int8s, genome: Genome, rng: np.random.Generator) -> Int8s:
    """Children of plants paired one to one."""
    return np.stack([gametes(mothers, genome, rng), gametes(fathers, genome, rng)], axis=1)
