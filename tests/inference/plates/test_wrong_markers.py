"""Markers wrong on one plate, copied strips; benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.model.findings import Hold
from crossproof.model.part_layouts import part_layout

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim

NONE = np.empty(0, dtype=np.int64)


def season(seed: int):
    return sim.make_nursery(
        np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    )


def found(nursery, plates, remarks=False):
    return examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=remarks))


def three_plates(nursery):
    plates = [sim.make_plate(nursery, sim.make_sheet(nursery, prefix=f"P{i}"), f"P{i + 1}") for i in range(2)]
    return [*plates, sim.make_parent_plate(nursery, 2)]


def with_marker(plate, j, story):
    """The plate with marker j read wrongly in every well that called it."""
    codes = plate.blocks[0].codes.copy()
    row = codes[j]
    codes[j] = np.where(row > 2, row, 1 if story == "het" else 2 - row)
    return replace(plate, blocks=(sim.well_block(codes),))


@pytest.mark.parametrize(
    ("story", "words"), [("flipped", "alleles seem to be exchanged"), ("het", "heterozygous")]
)
def test_a_marker_wrong_on_one_plate_is_named(story, words):
    nursery = season(90)
    plates = three_plates(nursery)
    j = int(np.argmin(np.abs(nursery.lines.mean(axis=0) / 2 - 0.5)))
    assert not [f for f in found(nursery, plates) if f.kind is FindingKind.MARKER_WRONG]
    plates[1] = with_marker(plates[1], j, story)
    [f] = [f for f in found(nursery, plates) if f.kind is FindingKind.MARKER_WRONG]
    assert (f.subject, f.plate, f.hold) == (f"m{j + 1}", "P2", Hold.NOTHING)
    assert words in f.evidence


@pytest.mark.parametrize("detail", ["row D filled from row C", "column 7 filled from column 6"])
def test_a_copied_strip_is_named(detail):
    nursery = season(92)
    sheet = sim.make_sheet(nursery, by_columns=detail.startswith("column"))
    source = part_layout(sheet.format, detail, NONE, []).source
    # a sheet whose crosses change from one strip to the next shows it in every well
    identity = sheet.identity.copy()
    plate = sim.make_plate(nursery, sim.move(sheet, source))
    critical = [f for f in found(nursery, [plate, sim.make_parent_plate(nursery, 2)]) if f.critical]
    moved = source[sheet.position] != sheet.position
    at = np.full(96, -1)
    at[sheet.position] = identity
    differ = (at[source[sheet.position]] != identity)[moved].sum()
    assert differ >= 3
    assert critical[0].corrections[0].detail == detail
    assert critical[0].hold is Hold.PLATE
