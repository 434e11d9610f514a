"""Two lines whose tubes changed places, or a line that is another: one row, and all their crosses wait.

Plates of benchmarks/plate_simulator.py, which is not the model.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.each import one_by_one
from crossproof.inference.plates.examined_plates import examined_as_labelled, season_evidence
from crossproof.inference.plates.line_events import (
    LineEvent,
    _are_exchanged_tags,
    event_finding,
    outweighs,
    with_crosses_of_tubes,
    without_other_rows,
)
from crossproof.inference.plates.tag_explanations import many_markers_for
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, Hold, Scope, held_samples

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def nursery_of(seed):
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    return sim.make_nursery(np.random.default_rng(seed), rates=rates, crosses=10)


def busiest_pair(nursery):
    """The two lines of most crosses that are not each other's partners."""
    pairs = list(zip(nursery.mother.tolist(), nursery.father.tolist(), strict=True))
    made = np.bincount([x for pair in pairs for x in pair], minlength=len(nursery.lines))
    apart = [
        (a, b)
        for a in range(len(made))
        for b in range(a)
        if {a, b} not in [set(pair) for pair in pairs] and min(made[a], made[b]) >= 2
    ]
    return max(apart, key=lambda p: (made[p[0]] + made[p[1]], p))


def samples_of(plate, nursery, lines):
    n = len(nursery.lines)
    made = np.flatnonzero(np.isin(nursery.mother, lines) | np.isin(nursery.father, lines))
    return {plate.samples[w] for w in np.flatnonzero(np.isin(plate.identity, n + made))}


def look(nursery, plates):
    return [
        f
        for f in examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
        if f.critical or f.corrections
    ]


@pytest.mark.parametrize("seed", [2, 5, 7])
def test_tubes_exchanged_are_one_row_and_every_cross_of_either_line_waits(seed):
    nursery = nursery_of(seed)
    a, b = busiest_pair(nursery)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0))
    tubes = sim.make_parent_plate(nursery, 2)
    identity = tubes.identity.copy()
    identity[tubes.identity == a], identity[tubes.identity == b] = b, a
    [f] = look(nursery, [plate, replace(tubes, identity=identity)])
    assert (f.kind, {f.subject, f.other}) == (FindingKind.LINES_SWAPPED, {f"L{a + 1}", f"L{b + 1}"})
    assert [c.kind for c in f.corrections] == [CorrectionKind.SWAP_LINES]
    assert held_samples((f,)) == samples_of(plate, nursery, (a, b))


def finding(kind, subject, odds, samples, *rows, other=""):
    return Finding(
        kind,
        Scope.CROSS,
        "",
        subject,
        "e",
        "r",
        other=other,
        samples=samples,
        log10_odds=odds,
        hold=Hold.SAMPLES,
        corrections=rows,
    )


def test_one_event_is_weighed_against_a_row_for_each_plant_once():
    row = Correction(CorrectionKind.FATHER_IS, "C1", "L3")
    event = finding(FindingKind.LINES_SWAPPED, "L1", 50.0, ("a", "b", "c"))
    first = finding(FindingKind.TAGS_SWAPPED, "C1", 30.0, ("a", "b"), row)
    again = finding(FindingKind.PARENT_WRONG, "C1", 25.0, ("b",), row)
    other = finding(FindingKind.PARENT_WRONG, "C2", 25.0, ("c",), row)
    elsewhere = finding(FindingKind.PARENT_WRONG, "C9", 90.0, ("z",), row)
    assert outweighs(event, [again, first, elsewhere])  # 30
    assert not outweighs(event, [again, first, other])  # 30 + 25


def test_no_row_about_a_cross_stands_beside_the_row_about_its_lines():
    nursery = nursery_of(2)
    tables = sim.season_tables(nursery)
    lines = tables.lines
    mine = next(c for c in range(10) if 0 in (tables.mother[c], tables.father[c]))
    free = next(c for c in range(10) if not {0, 1} & {int(tables.mother[c]), int(tables.father[c])})
    rows = [
        finding(
            FindingKind.PARENT_WRONG,
            tables.crosses[c],
            20.0,
            (),
            Correction(CorrectionKind.FATHER_IS, tables.crosses[c], lines[3]),
        )
        for c in (mine, free)
    ]
    held, kept = without_other_rows(rows, [(lines[0], lines[1])], tables)
    assert held.corrections == ()
    assert f"{lines[0]} and {lines[1]}" in held.evidence
    assert kept == rows[1]


def recorded_with(nursery, line, other):
    """The season's tables where what was made with `line` is recorded as made with `other`."""
    tables = sim.season_tables(nursery)
    mother, father = (np.where(p == line, other, p) for p in (tables.mother, tables.father))
    return replace(tables, mother=mother, father=father)


def rows_of(nursery, tables):
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0))
    found = examine_plates([plate, sim.make_parent_plate(nursery, 2)], tables)
    return [c for f in found for c in f.corrections]


def test_a_line_that_is_another_in_all_its_crosses_is_no_exchange():
    nursery = nursery_of(2)
    spare = next(i for i in range(len(nursery.lines)) if i not in {*nursery.mother, *nursery.father})
    _, b = busiest_pair(nursery)
    rows = rows_of(nursery, recorded_with(nursery, b, spare))
    assert rows == [Correction(CorrectionKind.LINE_IS, f"L{spare + 1}", f"L{b + 1}", "crosses")]


def test_where_a_line_has_crosses_of_its_own_each_of_the_others_has_a_row():
    nursery = nursery_of(3)
    a, b = busiest_pair(nursery)
    rows = rows_of(nursery, recorded_with(nursery, b, a))
    assert len(rows) >= 2
    assert {c.kind for c in rows} <= {CorrectionKind.MOTHER_IS, CorrectionKind.FATHER_IS}


def test_swapped_tubes_hold_the_crosses_of_both_lines():
    nursery = nursery_of(2)
    a, b = busiest_pair(nursery)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0))
    tubes, tables = sim.make_parent_plate(nursery, 2), sim.season_tables(nursery)
    one, two = (tubes.samples[int(np.flatnonzero(tubes.identity == line)[0])] for line in (a, b))
    swapped = finding(FindingKind.WELLS_SWAPPED, one, 9.0, (one, two), other=two)
    plants = finding(FindingKind.WELLS_SWAPPED, plate.samples[0], 9.0, plate.samples[:2])
    (f, same), lines = with_crosses_of_tubes([swapped, plants], [plate, tubes], tables)
    assert held_samples((f,)) == {one, two} | samples_of(plate, nursery, (a, b))
    assert same == plants
    assert lines == [tuple(tables.lines[i] for i in sorted((a, b)))]


def test_lines_of_two_crosses_with_a_parent_in_common_may_be_exchanged_tags():
    """C1 = L1 x L3 and C2 = L2 x L3 have the parents of one another once L1 and L2 change places."""
    tables = sim.season_tables(nursery_of(3))
    mother, father = np.array([0, 1, 0]), np.array([2, 2, 3])
    season = replace(tables, crosses=("C1", "C2", "C3"), mother=mother, father=father)
    after = np.array([1, 0, 1]), father
    assert _are_exchanged_tags((0, 1), after, season)
    assert not _are_exchanged_tags((0, 1, 2), after, season), "a third cross bears the lines out"
    assert not _are_exchanged_tags((0, 2), after, season)


@pytest.mark.parametrize("or_tags", [False, True])
def test_where_exchanged_tags_explain_as_much_no_row_is_proposed(or_tags):
    nursery = nursery_of(3)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    event = LineEvent(0, 1, True, 20.0, (0, 1), (0, 1), or_tags)
    f = event_finding(event, [plate], sim.season_tables(nursery))
    assert [c.kind for c in f.corrections] == ([] if or_tags else [CorrectionKind.SWAP_LINES])
    assert ("Or the tags of C1 and C2 did" in f.evidence) is or_tags
    assert ("swap tags or swap lines" in f.remedy) is or_tags
    assert f.hold is Hold.SAMPLES


def few_calls(plate, line, missing, rng):
    """The plate with this share of the calls of a line's tubes missing."""
    [block] = plate.blocks
    likelihood = block.likelihood.copy()
    for w in np.flatnonzero(plate.identity == line):
        likelihood[rng.random(len(likelihood)) < missing, w] = 1.0
    return replace(plate, blocks=(replace(block, likelihood=likelihood),))


@pytest.mark.parametrize("missing", [0.2, 0.25])
def test_markers_without_a_call_of_the_recorded_parent_speak_for_no_other(missing):
    """A line that is alike to the last marker, and has the calls that the parent's tube lacks, fits the
    progeny better there whichever of the two it was."""
    nursery = nursery_of(2)
    parents = [*nursery.mother, *nursery.father]
    spare = next(i for i in range(len(nursery.lines)) if i not in parents)
    line = int(nursery.mother[0])
    nursery.lines[spare] = nursery.lines[line]
    tubes = few_calls(sim.make_parent_plate(nursery, 1), line, missing, np.random.default_rng(2))
    plates = [sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0)), tubes]
    tables = sim.season_tables(nursery)
    [x, _] = examined_as_labelled(
        plates,
        tables,
        season_evidence(tables, plates),
        usual=0.95,
        background=0.05,
        odd_tubes=frozenset(),
        min_log10_odds=1.0,
        each=one_by_one,
    )
    father = int(nursery.father[0])
    assert not many_markers_for(0, spare, father, [x], tables)
