"""Plates that are judged by parent tubes of a plate that lies otherwise; simulated by plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.layout_choice import best_of
from crossproof.inference.plates.proposals import make_proposal
from crossproof.model.findings import Hold
from crossproof.model.layouts import whole_plate_layouts
from crossproof.model.part_layouts import part_layout
from crossproof.model.plates import PLATE_FORMATS

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)
FORMAT = PLATE_FORMATS[0]


def two_plates(seed, source):
    """A season whose parents are typed on two plates by a tube each; the first lies as `source` says."""
    rng = np.random.default_rng(seed)
    nursery = sim.make_nursery(rng, rates=sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0))
    first = sim.make_sheet(nursery, by_columns=True)
    second = sim.make_sheet(nursery, by_columns=True, prefix="U")
    return nursery, [
        sim.make_plate(nursery, first if source is None else sim.move(first, source)),
        sim.make_plate(nursery, second, "P2"),
    ]


def found(nursery, plates):
    return examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))


@pytest.mark.parametrize(
    ("seed", "words"),
    [(900, "halves left and right exchanged"), (901, "right half rotated"), (902, "rotated by 180 degrees")],
)
def test_what_is_said_of_a_sound_plate_does_not_depend_on_how_another_lies(seed, words):
    whole = {x.words: x for x in whole_plate_layouts(FORMAT)}
    layout = whole[words] if words in whole else part_layout(FORMAT, words, NONE, [])
    nursery, plates = two_plates(seed, layout.source)
    lying = found(nursery, plates)
    named = [f for f in lying if f.hold is Hold.PLATE]
    assert [f.plate for f in named] == ["P1"]
    assert words in named[0].evidence
    proposed = [c.target for f in lying for c in f.corrections]
    assert set(proposed) <= {"P1"}
    assert not [f for f in lying if f.plate == "P2" and f.critical]


def test_a_row_that_one_tube_shows_to_be_a_copy_of_the_next_is_named():
    """Rows E and F hold the same families: of all wells of row F only its parent tube does not fit."""
    seen = 0
    for seed in range(910, 1000):
        rng = np.random.default_rng(seed)
        nursery = sim.make_nursery(rng, rates=sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0))
        sheet = sim.make_sheet(nursery, by_columns=True)
        at = np.full(96, -1)
        at[sheet.position] = sheet.identity
        e, f = at.reshape(8, 12)[4], at.reshape(8, 12)[5]
        n = len(nursery.lines)
        differ = e != f
        if not (differ & (e >= 0) & (f >= 0) & (f < n)).any() or (differ & ((e >= n) | (f >= n))).any():
            continue
        layout = part_layout(FORMAT, "row F filled from row E", NONE, [])
        plates = [sim.make_plate(nursery, sim.move(sheet, layout.source)), sim.make_parent_plate(nursery, 2)]
        held = [x for x in found(nursery, plates) if x.kind in (FindingKind.COPIED, FindingKind.IN_DOUBT)]
        assert held, seed
        assert "row F filled from row E" in held[0].evidence
        seen += 1
        if seen == 3:
            break
    assert seen == 3


@pytest.mark.parametrize(
    ("behind", "rivals", "open_too"), [(0.8, 1, 1), (1.5, 1, 1), (2.5, 0, 0)]
)  # 10^0.8 to 1 is 86 %, 10^1.5 is 97 %, 10^2.5 is 99.7 %
def test_a_layout_that_another_may_be_as_well_is_not_settled(behind, rivals, open_too):
    def proposal(words, odds, likelihood):
        layout = part_layout(FORMAT, words, NONE, [])
        return replace(
            make_proposal(words, np.zeros(1), 1.0, NONE),
            layout=layout,
            log10_odds=odds,
            likelihood=likelihood,
        )

    best = proposal("shifted from F5 on, one well later along columns", 3.0, 9.0)
    alike = proposal("shifted from E6 on, one well later along columns", 3.0 - behind, 7.0)
    other = proposal("column 8 shifted down by a well", 3.0 - behind, 7.0)
    taken = best_of([other, best, alike], 1.0)
    assert taken is not None
    assert taken.words == best.words
    assert taken.rivals == (other.words,)[:rivals]
    assert [x.words for x in taken.tied] == [alike.words][:open_too]


@pytest.mark.parametrize(("behind", "words"), [(1.9, "column 8 shifted down by a well"), (2.1, "wells")])
def test_a_layout_that_may_be_as_true_as_two_swapped_wells_is_held_without_a_row(behind, words):
    layout = part_layout(FORMAT, "column 8 shifted down by a well", NONE, [])
    blank = make_proposal("wells", np.array([1.0]), 1.0, np.array([0]))
    pair = replace(blank, log10_odds=3.0, likelihood=7.0, wells=(0, 1))
    column = replace(blank, words=layout.words, log10_odds=3.0 - behind, likelihood=3.0, layout=layout)
    taken = best_of([pair, column], 1.0)
    assert taken is not None
    assert taken.words == words
    assert taken.rivals == (("wells",) if words != "wells" else ())
