"""Calls of plants and consensus of lines, out of the stored genotype files."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.inference.season_model import Panel, Wells
from crossproof.model.arrays import Int8s, Ints
from crossproof.model.genotypes import n_genotypes
from crossproof.model.plant_calls import PlantCalls
from crossproof.model.plates import Role
from crossproof.model.sentinels import MISSING
from crossproof.season.evidence import load_wells, read_located, read_panel
from crossproof.season.index import SeasonIndex, read_record


def plant_calls(index: SeasonIndex, plants: set[str] | None, most_markers: int | None) -> PlantCalls:
    """Calls of plants (None: all) and consensus of lines, at no more than `most_markers` markers."""
    samples = read_record(index.folder, "samples")
    joined, panel = read_panel(index.folder)
    located = read_located(index.folder.work("panel", "located"))
    progeny = samples[samples["role"] == Role.PROGENY]
    if plants is not None:
        progeny = progeny[progeny["plant"].isin(plants)]
    wanted = np.zeros(len(samples), dtype=bool)
    wanted[progeny.index] = True
    wells = load_wells(index.folder, joined, located, wanted & (located[0] >= 0))
    chosen = _chosen_markers(panel, len(joined.markers), most_markers)
    number, plant_names = pd.factorize(progeny["plant"])
    names = tuple(str(p) for p in plant_names.tolist())
    codes = np.full((len(chosen), len(names)), MISSING, dtype=np.int8)
    single = codes.copy()
    order = np.argsort(number, kind="stable")
    rows, number = progeny.index.to_numpy()[order], number[order]
    turns = np.arange(len(number)) - np.searchsorted(number, number)  # wells of a plant, one after another
    for turn in range(int(turns.max(initial=-1)) + 1):
        column, well = number[turns == turn], rows[turns == turn]
        found, half = genotype_calls(wells, chosen, well)
        part, seen = codes[:, column], single[:, column]
        codes[:, column] = np.where(part == MISSING, found, part)
        single[:, column] = np.where(seen == MISSING, half, seen)
    single[codes != MISSING] = MISSING
    take = joined.markers.take(chosen)
    return PlantCalls(
        take.ids,
        take.chrom,
        take.pos,
        take.alleles,
        names,
        codes,
        panel.lines,
        line_calls(panel, chosen),
        single,
    )


def _chosen_markers(panel: Panel, n_markers: int, most: int | None) -> Ints:
    """Markers to show, in genome order: all, or evenly those that tell lines apart best."""
    usable = np.flatnonzero(panel.set_aside == "") if n_markers else np.zeros(0, dtype=np.int64)
    if most is None or n_markers <= most:
        return np.arange(n_markers)
    spread = np.zeros(n_markers)
    for block in panel.blocks:
        spread[block.rows] = 1 - (block.q**2).sum(axis=1)
    windows = np.array_split(usable, most)
    return np.array([w[np.argmax(spread[w])] for w in windows if len(w)], dtype=np.int64)


def genotype_calls(wells: Wells, rows: Ints, well: Ints) -> tuple[Int8s, Int8s]:
    """Genotype numbers (marker, well) of whole calls, and the one allele of half ones; MISSING where none."""
    codes = wells.codes(rows, well).astype(np.int16)
    k = wells.markers.n_alleles[rows].astype(np.int16)[:, None]
    n_g = np.array([n_genotypes(int(n)) for n in k[:, 0]], dtype=np.int16)[:, None]
    missing = np.int8(MISSING)
    whole = np.where(codes < n_g, codes.astype(np.int8), missing)
    half = np.where((codes >= n_g) & (codes < n_g + k), (codes - n_g).astype(np.int8), missing)
    return whole, half


def line_calls(panel: Panel, rows: Ints, sure: float = 0.9) -> Int8s:
    """Consensus genotype (marker, line) of each line's main version, MISSING where it is not clear."""
    place = {int(r): i for i, r in enumerate(rows)}
    out = np.full((len(rows), len(panel.lines)), MISSING, dtype=np.int8)
    main = [int(panel.versions(line)[0]) if len(panel.versions(line)) else -1 for line in panel.lines]
    for block in panel.blocks:
        here = [(i, place[int(r)]) for i, r in enumerate(block.rows) if int(r) in place]
        for line, version_number in enumerate(main):
            if version_number < 0 or not here:
                continue
            source, target = np.array([h[0] for h in here]), np.array([h[1] for h in here])
            consensus = block.consensus[source, version_number]
            best = consensus.argmax(axis=1)
            out[target, line] = np.where(consensus.max(axis=1) >= sure, best, MISSING)
    return out
