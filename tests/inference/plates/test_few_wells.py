"""What a few loose plants may say for a layout: bounded by all they can be where they stand."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates import layout_search
from crossproof.inference.plates.checks import examine_plate, line_evidence
from crossproof.inference.plates.few_wells import weighed
from crossproof.inference.plates.layout_search import strips
from crossproof.inference.plates.proposals import make_proposal
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.inference.plates.well_pairs import loose_plants
from crossproof.model.part_layouts import part_layout

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)


def examined(seed, stray=True):
    """A plate of sound wells with one stray seed, and its well."""
    rates = sim.Rates(classes=(1, 0, 0, 0), swapped_seed=0, failed_wells=0, bad_assays=0, parent_departure=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates)
    n = len(nursery.lines)
    sheet = sim.make_sheet(nursery, by_columns=True)
    w, cross = next(
        (w, int(c) - n)
        for w, (i, c) in enumerate(zip(sheet.identity, sheet.identity[1:], strict=False))
        if i >= n and c >= n and c != i and sheet.position[w] % 12 == sheet.position[w + 1] % 12
    )
    if stray:
        sheet.genotype[w] = sim.grow(nursery, cross).genotype
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    tables = sim.season_tables(nursery)
    x = examine_plate(
        plates[0],
        tables,
        line_evidence(tables, plates),
        usual=0.92,
        background=0.02,
        min_log10_odds=1.0,
        as_labelled=True,
    )
    return x, w, cross


def test_a_plant_that_fits_another_tag_says_no_more_than_stray_seed_of_that_cross_is_rare():
    x, w, cross = examined(7)
    matrix, identity, n = x.search.matrix, x.plate.identity, x.scores.season.n_lines
    assert w in loose_plants(x.scores, matrix, identity)
    moved = np.where(np.arange(len(identity)) == w, n + cross, identity)
    gain = np.zeros(len(identity))
    gain[w], gain[0] = 11.0, 2.0  # nats; well 0 is a parent tube, which keeps what it says
    layout = part_layout(x.plate.format, "column 5 shifted down by a well", NONE, [])
    before = replace(make_proposal(layout.words, gain, 1e-3, moved), layout=layout)
    [after] = weighed(x.scores, matrix, identity, [before])
    # By hand: F of the two tags; stray seed is 0.3 %, worth 400 plants, as no other plant here is any.
    tags = tag_scores(x.scores, matrix, identity, np.array([w]))
    own, there = (tags.full[0, np.searchsorted(tags.crosses, c)] for c in (identity[w] - n, cross))
    anywhere = np.logaddexp.reduce(tags.full[0]) - np.log(len(tags.crosses))
    plants = int((identity >= n).sum()) - 1
    s = 0.003 * 400 / (400 + plants)
    expected = np.logaddexp(np.log1p(-s) + there, np.log(s) + anywhere) - np.logaddexp(
        np.log1p(-s) + own, np.log(s) + anywhere
    )
    assert after.gain[w] * np.log(10) == pytest.approx(expected, abs=0.02)
    assert after.gain[w] < np.log10(len(tags.crosses) / s)
    assert after.gain[0] == before.gain[0]
    assert after.log10_odds - before.log10_odds == pytest.approx(after.gain[w] - before.gain[w])
    assert weighed(x.scores, matrix, identity, [after])[0].log10_odds == pytest.approx(after.log10_odds)


def test_without_loose_plants_or_proposals_nothing_changes():
    x, _, _ = examined(7, stray=False)
    identity = x.plate.identity
    proposal = make_proposal("a layout", np.ones(len(identity)), 1e-3, identity)
    assert weighed(x.scores, x.search.matrix, identity, [proposal]) == [proposal]
    assert weighed(x.scores, x.search.matrix, identity, []) == []


def test_one_plant_that_fits_the_next_tag_is_no_shift_where_the_place_left_empty_calls(monkeypatch):
    """It was one as long as such a place called with probability 0.5."""
    x, w, _ = examined(7)
    column = x.plate.columns == x.plate.columns[w]
    last = int(np.flatnonzero(column)[-1])
    assert x.scores.called[last] > x.scores.blank[last]

    def shifted_up():
        unused = np.zeros(len(x.plate), dtype=bool)
        found = strips(x.scores, x.search.matrix, x.plate.identity, unused)
        words = f"column {x.plate.columns[w] + 1} shifted up by a well"
        return [p for p in found if p.words == words]

    assert shifted_up() == []
    monkeypatch.setattr(layout_search, "FILLED", 0.5)
    [proposal] = shifted_up()
    assert proposal.gain[w] > 1
    assert proposal.gain[last] < -1
