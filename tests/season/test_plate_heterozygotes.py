"""A marker that one plate alone had set aside is named; by hand, and in a season of `crossproof simulate`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.set_aside_markers import set_aside_for_one_plate
from crossproof.io.records.season_records import read_season
from crossproof.model.findings import FindingKind, Hold
from crossproof.season.plate_heterozygotes import set_aside_by_a_plate
from crossproof.simulate import simulate_season, write_season
from crossproof.steps.in_memory import season_in_memory

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from plate_fault_list import FAULTS, season_plan


def test_odds_by_hand():
    """40 of 40 heterozygous here and 5 of 40 there: 40 log10(0.95 / 0.5) - 4 = 7.15."""
    [f] = set_aside_for_one_plate(["m1"], ["P1", "P2"], np.array([[40], [5]]), np.array([[40], [40]]), 1.0)
    assert f.log10_odds == pytest.approx(40 * np.log10(1.9) - 4)
    assert (f.kind, f.plate, f.subject, f.hold) == (FindingKind.MARKER_WRONG, "P1", "m1", Hold.NOTHING)
    assert "in 40 of 40 samples of plate P1, and in 5 of 40 on the others" in f.evidence


@pytest.mark.parametrize(
    ("heterozygous", "called"),
    [
        ([40, 38], [40, 40]),  # an assay that is bad on both plates
        ([20, 10], [40, 40]),  # half of the plants are hybrids
        ([7, 0], [7, 40]),  # few samples
        ([40, 0], [40, 4]),  # nothing to compare with
    ],
)
def test_one_plate_is_not_blamed_without_need(heterozygous, called):
    counts = np.array(heterozygous)[:, None], np.array(called)[:, None]
    assert set_aside_for_one_plate(["m1"], ["P1", "P2"], *counts, 1.0) == []


def test_a_season_names_plate_and_marker(tmp_path):
    """M41 reads heterozygous all over P001, which holds the parent tubes, so that it is set aside."""
    [fault] = [f for f in FAULTS if f.name == "a marker wrong on one plate"]
    rng = np.random.default_rng(91000)
    season = simulate_season(season_plan(fault, rng), rng)
    disturbed = fault.disturb(season, rng)
    assert disturbed.words == "P001: M41 all het"
    write_season(disturbed.season, tmp_path / "season")
    read = season_in_memory(read_season(tmp_path / "season"))
    [f] = set_aside_by_a_plate(read.samples, read.panel.fitted, read.panel.wells, 1.0)
    assert (f.plate, f.subject) == ("P001", "M41")
    assert disturbed.names(f)
