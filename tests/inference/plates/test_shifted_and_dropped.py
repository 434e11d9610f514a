"""Columns shifted together, strips of tubes that fell, shifts from some well on; plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from math import comb
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.few_wells import POD, borne_by_pods, by_pods
from crossproof.inference.plates.proposals import EVEN, NEVER, make_proposal
from crossproof.inference.plates.repeated_shifts import AGAIN, shifted_alike, shifted_together
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Hold
from crossproof.model.part_layouts import part_layout, shifted_strip_layouts, shifted_strip_ways
from crossproof.model.plates import PLATE_FORMATS

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)
FORMAT = PLATE_FORMATS[0]
LAYOUTS, WAYS = shifted_strip_layouts(FORMAT), shifted_strip_ways(FORMAT)


def season(seed, **changes):
    rates = sim.Rates(classes=(1.0, 0.0, 0.0, 0.0), swapped_seed=0, failed_wells=0, bad_assays=0, **changes)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates)
    return nursery, sim.make_sheet(nursery, by_columns=True)


def found(nursery, sheet):
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    return plates[0], examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))


def shifted(words, likelihood, least=EVEN):
    layout = part_layout(FORMAT, words, NONE, [])
    made = make_proposal(words, np.zeros(1), 1e-3 / len(LAYOUTS), NONE)
    return replace(
        made,
        layout=layout,
        likelihood=likelihood,
        log10_odds=made.log10_odds + likelihood,
        least=least,
    )


def test_ways_are_those_that_the_words_of_the_strips_say():
    said = [("right", "down", "left", "up")[w] for w in WAYS]
    assert [x.words.split()[3] for x in LAYOUTS] == said


def test_columns_that_were_shifted_together_count_together():
    three = [shifted(f"column {c} shifted down by a well", x) for c, x in ((5, 4.0), (7, 5.0), (9, 3.0))]
    weak = shifted("column 2 shifted down by a well", 0.5, NEVER)
    other = shifted("column 3 shifted up by a well", 4.0)
    out = shifted_together([*three, weak, other], LAYOUTS, WAYS, np.zeros(len(LAYOUTS), dtype=bool))
    again = np.log10(AGAIN / 12)  # twelve columns may be shifted down
    assert out[1].log10_odds == pytest.approx(three[1].log10_odds + 4.0 + 3.0 + 2 * again)
    assert out[1].likelihood == pytest.approx(12.0)
    assert [out[i] for i in (0, 2, 3, 4)] == [three[0], three[2], weak, other]

    taken = np.array([x.words == three[1].words for x in LAYOUTS])
    after = shifted_together([three[0], weak, other], LAYOUTS, WAYS, taken)
    assert after[0].log10_odds == pytest.approx(4.0 + again)
    assert after[1].log10_odds == pytest.approx(0.5 + again)
    assert after[2] == other
    assert shifted_alike(FORMAT, [*(p.words for p in three), other.words, "row A reversed"]) == 2


@pytest.mark.parametrize(("pods", "events"), [(True, 2), (False, 3)])
def test_plants_of_a_pod_count_once(pods, events):
    """Nine plants of a tag, of two pods; without pods each four of them count as one."""
    nursery, sheet = season(3)
    n = len(nursery.lines)
    tag = next(c for c in np.unique(sheet.identity) if c >= n and (sheet.identity == c).sum() >= 9)
    wells = np.flatnonzero(sheet.identity == tag)[:9]
    plate = sim.make_plate(nursery, sheet)
    named = [""] * len(plate)
    for k, w in enumerate(wells):
        named[w] = "1" if k < 6 else "2"
    plate = replace(plate, pods=tuple(named) if pods else ())
    tables = sim.season_tables(nursery)
    evidence = (np.zeros((n, plate.n_markers, 3)),)
    scores = PlateScores(plate, tables, evidence, usual=0.9, background=0.02, odd_tubes=frozenset())
    changed = sheet.identity.copy()
    changed[wells] = next(c for c in np.unique(sheet.identity) if c >= n and c != tag)
    gain = np.zeros(len(plate))
    gain[wells] = 3.0
    before = make_proposal("some layout", gain, 1e-3, changed)
    [few] = by_pods(scores, sheet.identity, [before], events + 1)
    [enough] = by_pods(scores, sheet.identity, [before], events)
    assert POD == 4
    assert (few.least, enough.least) == (NEVER, None)
    assert enough.likelihood == pytest.approx(events * 3.0 / np.log(10))
    assert before.log10_odds - enough.log10_odds == pytest.approx((9 - events) * 3.0 / np.log(10))
    # Beside tags, whose plants all count, a layout that the pods bear out keeps its own odds.
    assert list(borne_by_pods(scores, sheet.identity, [before], events)) == [enough]
    likely = replace(before, log10_odds=before.log10_odds + 1.0 - enough.log10_odds)
    assert list(borne_by_pods(scores, sheet.identity, [likely], events)) == [likely]
    assert next(borne_by_pods(scores, sheet.identity, [likely], events + 1)).least == NEVER


def test_two_columns_one_well_low_are_both_named_or_left_open():
    nursery, sheet = season(12)
    source = np.arange(96)
    for column in (7, 10):
        one = part_layout(FORMAT, f"column {column} shifted down by a well", NONE, []).source
        source = np.where(one != np.arange(96), one, source)
    plate, said = found(nursery, sim.move(sheet, source))
    rows = [c for f in said for c in f.corrections]
    named = " ".join(c.detail for c in rows if c.kind is CorrectionKind.PART)
    left_out = {c.target.split(":")[1] for c in rows if c.kind is CorrectionKind.EXCLUDE_WELL}
    assert next(f.hold for f in said if f.plate == "P1" and f.critical) is Hold.PLATE
    assert rows
    for column in (7, 10):
        wells = {plate.well_name(w) for w in np.flatnonzero(plate.columns == column - 1)}
        assert f"column {column} shifted down" in named or wells <= left_out


def test_a_shift_that_begins_in_the_first_column_is_not_one_of_the_whole_plate():
    """A1 failed and F1 stays empty: which of them is the place left out shows in the wells between only."""
    nursery, _ = season(900)
    sheet = sim.make_sheet(nursery, by_columns=True, tubes=0)
    assert len(np.unique(sheet.identity[:8])) == 1
    layout = part_layout(FORMAT, "shifted from F1 on, one well later along columns", NONE, [])
    moved = sim.move(sheet, layout.source)
    moved.genotype[0] = -1
    _, said = found(nursery, moved)
    [finding] = [f for f in said if f.kind is FindingKind.SHIFTED]
    left_out = {c.target for c in finding.corrections if c.kind is CorrectionKind.EXCLUDE_WELL}
    assert {f"P1:{r}1" for r in "BCDEF"} == left_out


def column_of_sibs(nursery, sheet):
    """A column with eight plants of one tag, the first of which makes place for a blank."""
    n = len(nursery.lines)
    column = next(
        c
        for c in range(1, 12)
        if (wells := np.flatnonzero(sheet.position % 12 == c)).size == 8
        and len(np.unique(sheet.identity[wells])) == 1
        and sheet.identity[wells[0]] >= n
    )
    wells = np.flatnonzero(sheet.position % 12 == column)
    sheet.identity[wells[0]] = EMPTY
    sheet.genotype[wells[0]] = -1
    return wells


def test_a_blank_displaced_among_sibs_holds_its_column_and_proposes_nothing():
    for seed in range(40, 80):
        nursery, sheet = season(seed)
        try:
            wells = column_of_sibs(nursery, sheet)
        except StopIteration:
            continue
        break
    moved = replace(sheet, genotype=sheet.genotype.copy())
    moved.genotype[wells[[0, 3]]] = sheet.genotype[wells[[3, 0]]]
    plate, said = found(nursery, moved)
    [finding] = [f for f in said if f.kind is FindingKind.WELLS_SWAPPED]
    assert {plate.samples[w] for w in wells} == {*finding.samples, *finding.sibs}
    assert finding.corrections == ()
    assert "strip of tubes" in finding.evidence
    # 8 places of a blank among sibs; 1e-3 strips and 1e-2 pairs a plate: 81 % for the strip.
    strip, pair = 1e-3 / 12 / 8, 1e-2 / comb(96, 2)
    assert strip / (strip + pair) > 0.05


@pytest.mark.parametrize("seed", [8, 16, 18])
def test_a_column_with_parent_tubes_in_another_order_holds_the_plate(seed):
    """Each of its tubes is the only one of its line, so that pairs of lines seem to have changed places."""
    orders = {8: [3, 7, 0, 5, 6, 1, 2, 4], 16: [6, 0, 4, 3, 5, 1, 7, 2], 18: [2, 6, 0, 4, 5, 1, 7, 3]}
    nursery, sheet = season(seed)
    wells = np.flatnonzero(sheet.position % 12 == 1)
    assert (sheet.identity[wells] < len(nursery.lines)).sum() >= 3
    moved = replace(sheet, genotype=sheet.genotype.copy())
    moved.genotype[wells] = sheet.genotype[wells[orders[seed]]]
    plate, tables = sim.make_plate(nursery, moved), sim.season_tables(nursery)
    said = examine_plates([plate], tables, CheckSettings(remarks=False))
    [finding] = [f for f in said if f.kind is FindingKind.UNEXPLAINED]
    assert finding.hold is Hold.PLATE
    assert "column 2" in finding.evidence
    assert not [c for f in said for c in f.corrections]
