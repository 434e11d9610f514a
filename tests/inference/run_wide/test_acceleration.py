"""Steps taken ahead reach the point that plain rounds reach."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_seasons import Recipe, simulate

from crossproof.inference.run_wide import estimation, panel_fit
from crossproof.inference.run_wide.acceleration import Accelerator
from crossproof.inference.season_model import Settings, fit_panel


def _fit(season):
    return fit_panel(season.wells, season.lines, season.families, Settings())


@pytest.fixture(scope="module")
def panel():
    """Estimates of a small season."""
    return _fit(simulate(Recipe(crosses=6, lines=6, markers=20), 3))


def test_same_estimates_as_plain_rounds(monkeypatch):
    """Parents that depart from their lines, noisy assays."""
    recipe = Recipe(crosses=24, lines=12, plants=(2, 5), markers=30, departure=0.03, bad_assays=0.1)
    season = simulate(recipe, 11)
    monkeypatch.setattr(panel_fit, "FIRST_FAMILIES", 8)
    quick = _fit(season)
    monkeypatch.setattr(Accelerator, "ahead", lambda self, x: x)
    monkeypatch.setattr(panel_fit, "FIRST_FAMILIES", 10**6)
    plain = _fit(season)
    monkeypatch.setattr(panel_fit, "MAX_ROUNDS", 40)
    monkeypatch.setattr(estimation, "TOLERANCE", 1e-9)
    limit = _fit(season)
    assert limit.rounds > plain.rounds >= quick.rounds
    for name in ("h", "class_prior", "f", "d"):
        reached, before, end = (np.atleast_1d(getattr(p, name)) for p in (quick, plain, limit))
        assert np.abs(reached - end).max() <= max(1e-3, 1.5 * np.abs(before - end).max()), name


def test_a_constant_share_is_seen_through(panel):
    """Moves that halve lead to the first plus twice the second: a geometric series, summed by hand."""

    accelerator = Accelerator()
    for h in (0.020, 0.012):
        assert accelerator.ahead(replace(panel, h=h)).h == h
    taken = accelerator.ahead(replace(panel, h=0.008))
    assert taken.h == pytest.approx(0.004, abs=1e-9)
    np.testing.assert_allclose(taken.f, panel.f, rtol=1e-7, atol=2e-9)


def test_no_jump_where_moves_turn_back(panel):
    accelerator = Accelerator()
    for h in (0.02, 0.03):
        accelerator.ahead(replace(panel, h=h))
    assert accelerator.ahead(replace(panel, h=0.025)).h == 0.025


def test_frozen_markers_stay(panel):
    frozen = np.zeros(len(panel.f), dtype=bool)
    frozen[:5] = True
    panel = replace(panel, frozen=frozen)
    accelerator = Accelerator()
    for f in (0.01, 0.02, 0.025):
        taken = accelerator.ahead(replace(panel, f=np.full(len(panel.f), f)))
    assert (taken.f[:5] == 0.025).all()
    assert (taken.f[5:] > 0.026).all()


def test_no_rate_is_taken_ahead_beyond_one_half(panel):
    """Rates on their way up lead to 1 on the logit scale; estimated ones stand as they are."""
    accelerator = Accelerator()
    for f in (0.05, 0.2, 0.45):
        taken = accelerator.ahead(
            replace(panel, f=np.full_like(panel.f, f), frozen=np.zeros(len(panel.f), bool))
        )
    assert taken.f.max() == pytest.approx(0.5)
    for f in (0.5, 0.7, 0.8):
        taken = accelerator.ahead(
            replace(panel, f=np.full_like(panel.f, f), frozen=np.zeros(len(panel.f), bool))
        )
    assert taken.f.max() == pytest.approx(0.8)
