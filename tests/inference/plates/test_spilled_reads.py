"""DNA of a parent line over neighbouring wells, where read depths show its share; plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from crossproof.inference.evidence.error_model import apply_floor, likelihood_from_depths
from crossproof.inference.plates.arrays import WellBlock
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.model.corrections import CorrectionKind

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

DEPTH = 25


@cache
def season(seed):
    """A nursery, the sheet of its plate and a plate of parent tubes."""
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates, crosses=8)
    return nursery, sim.make_sheet(nursery, by_columns=True), sim.make_parent_plate(nursery, 2)


def sequenced(seed, wells=(), line=0, share=0.0, balance=0.5):
    """The plate read at a mean depth of 25; `wells` hold `share` of the line's DNA; every heterozygote shows
    `balance` of the line's allele, as where the line is the reference that reads are aligned to."""
    nursery, sheet, _ = season(seed)
    heterozygous = np.where(nursery.lines[line] == 2, balance, 1 - balance)
    second = np.where(sheet.genotype == 1, heterozygous, np.maximum(sheet.genotype, 0) / 2)
    second[list(wells)] = (1 - share) * second[list(wells)] + share * nursery.lines[line] / 2
    return read_at(seed, second)


def read_at(seed, second):
    """The plate with reads of these shares of the second allele, (well, marker)."""
    nursery, sheet, _ = season(seed)
    rng = np.random.default_rng(seed + 1)
    depth = np.where(sheet.genotype < 0, 0, rng.poisson(DEPTH, second.shape))
    second = np.clip(second, 0, 1)
    alt = rng.binomial(depth, 0.99 * second + 0.01 * (1 - second)).T
    depths = np.stack([depth.T - alt, alt], axis=2)
    codes = np.where(alt > 0.15 * depth.T, np.where(alt < 0.85 * depth.T, 1, 2), 0)
    codes = np.where(depth.T == 0, 255, codes).astype(np.uint8)
    likelihood = apply_floor(likelihood_from_depths(depths, 0.01, 0.02), 0.005).astype(np.float32)
    plate = sim.make_plate(nursery, sheet)
    return replace(plate, blocks=(WellBlock(2, likelihood, codes, depths),))


def spills(seed, plate):
    nursery, _, parents = season(seed)
    found = examine_plates([plate, parents], sim.season_tables(nursery), CheckSettings(remarks=False))
    return [f for f in found if f.kind is FindingKind.SPILLED]


def family_in_part(seed):
    """Five neighbouring wells of a family of nine or more, and its father."""
    nursery, sheet, _ = season(seed)
    n = len(nursery.lines)
    crosses = sheet.identity[sheet.identity >= n]
    c = int(np.bincount(crosses - n).argmax())
    wells = np.flatnonzero(sheet.identity == n + c)
    assert len(wells) >= 9
    return wells[:5].tolist(), int(nursery.father[c])


def test_reads_show_more_of_a_parent_of_the_family_itself():
    """From calls a self with the father's DNA is a hybrid; its reads show a third of it."""
    wells, father = family_in_part(3)
    plate = sequenced(3, wells, father, 0.35)
    [f] = spills(3, plate)
    assert {plate.samples[w] for w in wells} <= set(f.samples)
    assert {c.kind for c in f.corrections} == {CorrectionKind.EXCLUDE_WELL}


def test_sound_reads_and_reads_out_of_balance_everywhere_show_no_spill():
    nursery = season(3)[0]
    assert spills(3, sequenced(3)) == []
    often = int(np.bincount(np.concatenate([nursery.mother, nursery.father])).argmax())
    assert spills(3, sequenced(3, line=often, balance=0.66)) == []


def test_sibs_beside_the_spill_tell_it_from_another_parent():
    """The DNA of a third line in five wells of one family; its sibs are clear, though they stand near."""
    wells, _ = family_in_part(3)
    nursery, sheet, _ = season(3)
    c = sheet.identity[wells[0]] - len(nursery.lines)
    third = next(i for i in range(len(nursery.lines)) if i not in (nursery.mother[c], nursery.father[c]))
    plate = sequenced(3, wells, third, 0.4)
    [f] = spills(3, plate)
    assert {plate.samples[w] for w in wells} <= set(f.samples)
    assert len(f.samples) <= 8


def test_reads_show_tips_that_carry_over_from_the_column_before():
    """A fifth of the DNA of each well of a column is that of the well beside it; read shares tell it."""
    sheet = season(3)[1]
    rows, columns = np.divmod(sheet.position, sheet.format.columns)
    at = {(int(r), int(c)): w for w, (r, c) in enumerate(zip(rows, columns, strict=True))}
    column = [(at[r, 6], at[r, 5]) for r in range(8)]
    genotype = sheet.genotype / 2
    second = genotype.copy()
    for w, v in column:
        second[w] = 0.8 * genotype[w] + 0.2 * genotype[v]
    plate = read_at(3, second)
    [f] = spills(3, plate)
    held = {plate.samples[w] for w, v in column if plate.identity[w] >= 0 and plate.identity[v] >= 0}
    assert set(f.samples) == held
    assert len(held) >= 6
    assert "column 7 of plate P1 show alleles of the wells beside them in column 6" in f.evidence
    assert "% of the reads" in f.evidence
