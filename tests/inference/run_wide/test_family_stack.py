"""Families asked together tell what each tells by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_seasons import Recipe, simulate

from crossproof.inference.run_wide import settled as together
from crossproof.inference.run_wide.expectation import ask
from crossproof.inference.run_wide.settled import SettledFamilies
from crossproof.inference.season_model import Settings, fit_panel

NUMBERS = ("miscalls", "departed", "markers", "classes", "posterior", "faults", "by_quality")


@pytest.fixture(scope="module", params=[None, 5.0], ids=["calls", "reads"])
def season(request):
    """Families of 1 to 5 plants with wrong tubes and parents that depart, and their panel."""
    recipe = Recipe(
        crosses=16,
        lines=10,
        plants=(1, 5),
        markers=30,
        departure=0.03,
        wrong_tubes=0.1,
        depth=request.param,
    )
    season = simulate(recipe, 7)
    return season, fit_panel(season.wells, season.lines, season.families, Settings())


def _same(one, other, tolerance):
    for name in NUMBERS:
        got, wanted = (np.asarray(getattr(x, name), dtype=float) for x in (one, other))
        np.testing.assert_allclose(got, wanted, rtol=tolerance, atol=tolerance, err_msg=name)
    assert np.array_equal(one.rows, other.rows)
    assert (one.says, one.typed) == (other.says, other.typed)


def test_settled_families_tell_the_same(season):
    simulated, panel = season
    every = [f.cross_id for f in simulated.families]
    found = SettledFamilies(simulated.wells, Settings()).ask(panel, simulated.families, every)
    alone = ask(simulated.wells, panel, simulated.families, Settings(), every)
    assert len(found) >= 8
    for cross, told in found.items():
        _same(told, alone[cross], 2e-4)


def test_what_is_kept_of_a_round_only_saves_time(season):
    """Asked under other estimates in between, families tell what they would tell afresh."""
    simulated, panel = season
    every = [f.cross_id for f in simulated.families]
    kept = SettledFamilies(simulated.wells, Settings())
    kept.ask(replace(panel, h=0.05, d=np.full_like(panel.d, 0.1)), simulated.families, every)
    again = kept.ask(panel, simulated.families, every)
    fresh = SettledFamilies(simulated.wells, Settings()).ask(panel, simulated.families, every)
    assert set(again) == set(fresh)
    for cross, told in again.items():
        _same(told, fresh[cross], 2e-4)


def test_what_there_is_no_room_for_is_found_afresh(season, monkeypatch):
    simulated, panel = season
    every = [f.cross_id for f in simulated.families]
    monkeypatch.setattr(together, "KEPT_NUMBERS", 5_000)
    kept = SettledFamilies(simulated.wells, Settings())
    first = kept.ask(panel, simulated.families, every)
    part = kept.ask(panel, simulated.families[1::2], every)
    for cross, told in part.items():
        _same(told, first[cross], 1e-4)


def test_families_in_doubt_are_left_to_be_asked_alone(season):
    """Every family that is told together has nothing else looked at when it is asked alone."""
    simulated, panel = season
    found = SettledFamilies(simulated.wells, Settings()).ask(panel, simulated.families, ())
    alone = ask(simulated.wells, panel, simulated.families, Settings())
    assert found
    assert set(found) < set(alone)
    for cross, told in found.items():
        _same(told, alone[cross], 2e-4)
    assert all(cross not in found for cross, told in alone.items() if not told.typed)


def test_how_many_lie_side_by_side_changes_nothing(season, monkeypatch):
    simulated, panel = season
    every = [f.cross_id for f in simulated.families]
    many = SettledFamilies(simulated.wells, Settings()).ask(panel, simulated.families, every)
    monkeypatch.setattr(together, "CHUNK_NUMBERS", 1)
    monkeypatch.setattr(together, "AT_ONCE", 1)
    single = SettledFamilies(simulated.wells, Settings()).ask(panel, simulated.families, every)
    assert many
    assert set(many) == set(single)
    for cross, told in many.items():
        _same(told, single[cross], 1e-4)
