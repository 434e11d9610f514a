"""A row about another tag or parent rests on no wells that spilled DNA explains; plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import (
    CheckSettings,
    FindingKind,
    examine_plate,
    examine_plates,
    line_evidence,
)
from crossproof.inference.plates.spill_or_parents import told_from_spills, without_rows_of
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, Hold, Scope

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

PARENTS = (FindingKind.PARENT_WRONG, FindingKind.TAG_WRONG)
ROWS = (CorrectionKind.MOTHER_IS, CorrectionKind.FATHER_IS, CorrectionKind.TAG_IS)


def season(seed):
    """A nursery, its sheet, and the wells of its largest family."""
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates, crosses=8)
    sheet = sim.make_sheet(nursery, by_columns=True)
    n = len(nursery.lines)
    c = int(np.bincount(sheet.identity[sheet.identity >= n] - n).argmax())
    return nursery, sheet, c, np.flatnonzero(sheet.identity == n + c)


def found(nursery, sheet, tables=None, spill=None):
    """Critical findings; `spill`: wells into which a line ran."""
    plate = sim.make_plate(nursery, sheet)
    if spill is not None:
        wells, line = spill
        codes = plate.blocks[0].codes.copy()
        for w in wells:
            other = (codes[:, w] == 2 - nursery.lines[line]) & (nursery.lines[line] != 1)
            codes[other & (nursery.rng.random(len(codes)) < 0.9), w] = 1
        plate = replace(plate, blocks=(sim.well_block(codes),))
    tables = tables or sim.season_tables(nursery)
    findings = examine_plates(
        [plate, sim.make_parent_plate(nursery, 2)], tables, CheckSettings(remarks=False)
    )
    return plate, [f for f in findings if f.critical]


def third_line(nursery, c):
    return next(i for i in range(len(nursery.lines)) if i not in (nursery.mother[c], nursery.father[c]))


@pytest.mark.parametrize(("seed", "side"), [(3, "mother"), (4, "father"), (5, "father")])
def test_a_tag_made_with_another_line_keeps_its_row_and_is_no_spill(seed, side):
    nursery, sheet, c, _ = season(seed)
    tables = sim.season_tables(nursery)
    recorded = getattr(tables, side).copy()
    recorded[c] = third_line(nursery, c)
    _, findings = found(nursery, sheet, replace(tables, **{side: recorded}))
    [f] = findings
    assert f.kind in PARENTS
    assert f.subject == tables.crosses[c]
    assert {row.kind for row in f.corrections} <= set(ROWS)
    assert f.corrections


def selfed(nursery, sheet, c, wells, crossed=0):
    """The family's plants are of its mother line, but for the first `crossed`, hybrids of the tag."""
    genotype = sheet.genotype.copy()
    genotype[wells] = nursery.mother_plant[c]
    hybrid = (nursery.mother_plant[c] + nursery.father_plant[c]) // 2
    genotype[wells[:crossed]] = hybrid
    return replace(sheet, genotype=genotype)


def test_selfs_into_which_a_line_ran_are_not_said_to_be_its_children_for_certain():
    """Calls of a self with the line's DNA are those of a child of both; two hybrids with it are no child."""
    nursery, sheet, c, wells = season(3)
    hit = wells[:8]
    assert len(wells) >= 11
    sheet = selfed(nursery, sheet, c, wells, crossed=2)
    plate, findings = found(nursery, sheet, spill=(hit, third_line(nursery, c)))
    assert not [row for f in findings for row in f.corrections if row.kind in ROWS]
    held = {s for f in findings for s in f.samples}
    assert {plate.samples[w] for w in hit} <= held
    assert [f for f in findings if "ran over their wells" in f.evidence or f.kind is FindingKind.SPILLED]


def test_a_hybrid_of_the_tag_among_them_takes_the_row_away():
    """Eight selfs with the line's DNA seem to be its children; a sib that is a hybrid of the tag is none."""
    nursery, sheet, c, wells = season(3)
    sheet = selfed(nursery, sheet, c, wells, crossed=1)
    plate, findings = found(nursery, sheet, spill=(wells[1:9], third_line(nursery, c)))
    [f] = [f for f in findings if f.kind in PARENTS]
    assert f.corrections == ()
    assert f"Hybrids of the tag as it is are among them ({plate.samples[wells[0]]})" in f.evidence
    assert set(f.samples) >= {plate.samples[w] for w in wells}


@pytest.mark.parametrize("beyond", [0, 1])
def test_a_well_of_another_tag_beside_them_that_shows_the_line_takes_the_row_away(beyond):
    """Selfs with a third line's DNA look like its children, a hybrid of another tag with it like no plant."""
    nursery, sheet, c, wells = season(3)
    n = len(nursery.lines)
    sheet = selfed(nursery, sheet, c, wells)
    after = int(wells.max()) + 1
    d = int(sheet.identity[after]) - n
    assert d >= 0
    genotype = sheet.genotype.copy()
    genotype[after] = (nursery.mother_plant[d] + nursery.father_plant[d]) // 2
    parents = {nursery.mother[c], nursery.father[c], nursery.mother[d], nursery.father[d]}
    line = next(i for i in range(n) if i not in parents)
    ran_over = wells[-8:]
    hit = np.append(ran_over, after) if beyond else ran_over
    plate, findings = found(nursery, replace(sheet, genotype=genotype), spill=(hit, line))
    [f] = [f for f in findings if f.kind in PARENTS]
    assert [row.kind in ROWS for row in f.corrections] == [True] * (not beyond)
    assert (f"that of {plate.samples[after]} beside them" in f.evidence) == bool(beyond)
    assert {plate.samples[w] for w in ran_over} <= set(f.samples)


def test_a_witness_keeps_its_hold_and_loses_its_row():
    """Without it the row about the parent would be proposed in the next run."""
    row = (Correction(CorrectionKind.EXCLUDE_WELL, "P1:A1"),)
    mixed, other = (
        Finding(
            FindingKind.MIXED_DNA, Scope.SAMPLE, "P1", s, "E.", "", samples=(s,), hold=Hold.SAMPLES,
            corrections=row,
        )
        for s in ("S1", "S2")
    )  # fmt: skip
    [told, kept] = without_rows_of(frozenset({"S1"}), [mixed, other])
    assert (told.corrections, told.hold, kept) == ((), Hold.SAMPLES, other)


def test_columns_are_not_said_to_be_exchanged_where_a_line_ran_over_them():
    nursery = sim.make_nursery(np.random.default_rng(5))
    sheet = sim.make_sheet(nursery, by_columns=True)
    plate = sim.make_plate(nursery, sheet)
    plants = np.flatnonzero((sheet.identity >= len(nursery.lines)) & np.isin(plate.columns, [5, 6]))
    tables = sim.season_tables(nursery)
    crosses = sheet.identity[plants[:8]] - len(nursery.lines)
    parents = {*tables.mother[crosses].tolist(), *tables.father[crosses].tolist()}
    spilled = next(i for i in range(len(nursery.lines)) if i not in parents)
    line = nursery.lines[spilled]
    codes = plate.blocks[0].codes.copy()
    for w in plants[:8]:
        other = (codes[:, w] == 2 - line) & (line != 1)
        codes[other & (nursery.rng.random(len(codes)) < 0.9), w] = 1
    plate = replace(plate, blocks=(sim.well_block(codes),))
    evidence = line_evidence(tables, [plate, sim.make_parent_plate(nursery, 2)])
    x = examine_plate(plate, tables, evidence, usual=0.95, background=0.02)
    rows = (Correction(CorrectionKind.SWAP_COLUMNS, plate.name, detail="6 and 7"),)
    f = Finding(
        FindingKind.COLUMNS_SWAPPED, Scope.PLATE, plate.name, plate.name, "It lies otherwise.", "Look at it.",
        log10_odds=1.0, hold=Hold.PLATE, corrections=rows,
    )  # fmt: skip
    [told] = told_from_spills([f], [x], tables).found
    assert told.corrections == ()
    assert told.hold is Hold.PLATE
    assert f"{tables.lines[spilled]} that ran over neighbouring wells" in told.evidence
    [sure] = told_from_spills([replace(f, log10_odds=400.0)], [x], tables).found
    assert sure.corrections == rows
