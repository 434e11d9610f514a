"""Plants shifted by a well up to some well, blanks and tubes in place, and what their chances add up to.

Plates of plate_simulator.py, invented: moved there by hand as `shifted` says, well by well.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.checks import CheckSettings, examine_plate, examine_plates, line_evidence
from crossproof.inference.plates.doubtful_wells import LEAST_LOSS, LEAST_LOSSES, doubt_findings, doubt_of
from crossproof.inference.plates.proposals import clipped
from crossproof.inference.plates.score_matrix import UNKNOWN
from crossproof.inference.plates.stretches import PRIOR_BETWEEN, PRIOR_TO_LAST, stretches
from crossproof.model.findings import FindingKind, Hold
from crossproof.model.part_layouts import part_layout
from crossproof.model.stretch_layouts import named_stretch

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)
RATES = sim.Rates(classes=(1.0, 0.0, 0.0, 0.0), swapped_seed=0, failed_wells=0, bad_assays=0)


def season(seed, rates=RATES):
    """A nursery and a sheet filled by columns whose two blanks stand behind all plants."""
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates)
    while True:
        sheet = sim.make_sheet(nursery, by_columns=True)
        if (sheet.identity[-2:] == EMPTY).all():
            return nursery, sheet


def shifted(sheet, first, last, later):
    """The wells of the sheet from `first` to `last` hold what belongs in the well before (later) or after."""
    genotype = sheet.genotype.copy()
    if later:
        genotype[first + 1 : last + 1] = sheet.genotype[first:last]
        genotype[first] = -1
    else:
        genotype[first:last] = sheet.genotype[first + 1 : last + 1]
        genotype[last] = -1
    return replace(sheet, genotype=genotype)


def found(nursery, sheet):
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    findings = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    return plates[0], [f for f in findings if f.critical]


def examined(nursery, sheet):
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    tables = sim.season_tables(nursery)
    evidence = line_evidence(tables, plates)
    return examine_plate(plates[0], tables, evidence, usual=0.92, background=0.02, min_log10_odds=1.0)


def borders(sheet):
    """Wells of the first plant of each family but the first."""
    i = sheet.identity
    return [w for w in range(1, len(i)) if i[w] != i[w - 1] and min(i[w], i[w - 1]) >= 14]


@pytest.mark.parametrize("later", [True, False])
@pytest.mark.parametrize("seed", [3, 4])
def test_plants_shifted_while_the_blanks_stayed_are_named_and_the_row_puts_them_right(seed, later):
    nursery, sheet = season(seed)
    first, last = borders(sheet)[3] - 2, len(sheet.identity) - 3
    plate, findings = found(nursery, shifted(sheet, first, last, later))
    [f] = [f for f in findings if f.corrections]
    detail = f.corrections[0].detail
    assert detail.endswith(
        f"one well {'later' if later else 'earlier'} along columns, blanks and parents in place"
    )
    layout = named_stretch(plate.format, detail, plate.position[plate.identity >= 14])
    assert layout is not None
    left_out = {c.target for c in f.corrections[1:]}
    for w in range(len(plate)):
        really = (w - 1 if later else w + 1) if first <= w <= last else w
        at = layout.source[plate.position[w]]
        if plate.place(w) not in left_out and at >= 0 and w not in (first, last):
            assert plate.well_of_position[at] == really


@pytest.mark.parametrize("later", [True, False])
@pytest.mark.parametrize("seed", [3, 5, 6])
def test_plants_of_a_shift_that_was_put_right_wait(seed, later):
    """Three family borders lie in it; the wells beyond speak against all shifts to the plate's end."""
    nursery, sheet = season(seed)
    first, last = borders(sheet)[2] - 1, borders(sheet)[4] + 1
    plate, findings = found(nursery, shifted(sheet, first, last, later))
    held = {s for f in findings for s in f.samples}
    whole = any(f.hold is Hold.PLATE and plate.name in f.plates for f in findings)
    assert whole or {plate.samples[w] for w in range(first, last + 1)} <= held
    assert not [f for f in findings if f.corrections and f.kind is not FindingKind.WELLS_SWAPPED]
    assert not [f for f in found(nursery, sheet)[1] if f.kind is FindingKind.IN_DOUBT]


def test_odds_of_stretches_are_sums_over_their_wells_and_the_prior_is_shared_out():
    nursery, sheet = season(3)
    x = examined(nursery, shifted(sheet, borders(sheet)[2] - 1, borders(sheet)[4] + 1, True))
    matrix, plate = x.search.labelled, x.plate
    proposals = list(stretches(x.scores, matrix, plate.identity))
    assert proposals
    own = matrix.own(plate.identity)
    plants = int((plate.identity >= 14).sum())
    for p in proposals:
        inner = (p.identity != plate.identity) & (p.identity != UNKNOWN)
        gain = clipped(matrix.table[np.arange(len(plate)), matrix.column(p.identity)] - own, matrix)
        # All that a plant can be in its own well takes away from what it says for a stretch.
        assert (p.gain[inner] * np.log(10) <= gain[inner] + 1e-9).all()
        assert (p.gain[inner & (gain < 0)] * np.log(10)) == pytest.approx(gain[inner & (gain < 0)])
        share = PRIOR_BETWEEN / (2 * plants * (plants - 1)) if p.between else PRIOR_TO_LAST / (4 * plants)
        assert p.log10_odds - p.likelihood == pytest.approx(np.log10(share))
        assert (
            p.layout.source
            == named_stretch(plate.format, p.words, plate.position[plate.identity >= 14]).source
        ).all()


@pytest.mark.parametrize(("odds", "held"), [(1.5e-3, True), (3e-4, False)])
def test_three_hybrids_of_a_column_that_may_be_lost_together_wait(odds, held):
    """Each alone is less likely to be one than a plant is held for."""
    rates = sim.Rates(classes=(0.5, 0.5, 0, 0), swapped_seed=0, failed_wells=0, bad_assays=0)
    for seed in range(200, 300):
        nursery, sheet = season(seed, rates)
        columns = np.arange(96) // 8
        inside = [k for k in range(12) if len(set(sheet.identity[columns[: len(sheet.identity)] == k])) == 1]
        if not inside:
            continue
        words = f"column {inside[0] + 1} shifted down by a well"
        layout = part_layout(sheet.format, words, NONE, [])
        x = examined(nursery, sim.move(sheet, layout.source))
        doubts = [p for p in x.search.doubts if p.words == words]
        doubts = [replace(p, log10_odds=np.log10(odds), gain=np.zeros_like(p.gain)) for p in doubts]
        if doubts and (doubt_of(x, tuple(doubts)).lost > 0.5 * odds).sum() >= 3:
            break
    lost = doubt_of(x, tuple(doubts)).lost
    assert lost.max() < LEAST_LOSS
    assert (lost.sum() >= LEAST_LOSSES) == held
    x = replace(x, search=replace(x.search, doubts=tuple(doubts)))
    samples = {s for f in doubt_findings(x) for s in f.samples}
    assert ({x.plate.samples[w] for w in np.flatnonzero(lost > 0.5 * odds)} <= samples) == held
    assert bool(samples) == held
