"""Which families a round of the run-wide estimates asks, and whose counts it uses."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from small_seasons import Recipe, simulate

from crossproof.inference.run_wide import estimation
from crossproof.inference.season_model import Settings, fit_panel


def test_families_in_doubt_rest_and_the_estimates_are_the_same(monkeypatch):
    """A season with wrong tubes, estimated with all families asked in every round, and not."""
    recipe = Recipe(crosses=12, lines=8, plants=(2, 5), markers=24, departure=0.03, wrong_tubes=0.15)
    season = simulate(recipe, 2)
    rounds = []
    ask = estimation.ask

    def counted(wells, panel, families, settings, settled=()):
        rounds.append(({f.cross_id for f in families}, set(settled), panel.tag_rates))
        return ask(wells, panel, families, settings, settled)

    monkeypatch.setattr(estimation, "ask", counted)
    parts = fit_panel(season.wells, season.lines, season.families, Settings())
    every = {f.cross_id for f in season.families}
    first, later = rounds[: -parts.rounds], rounds[-parts.rounds :]
    # Families taken to be as typed say nothing of how often tags are not.
    assert len(first) == 3
    assert all(settled == every for _, settled, _ in first)
    assert len({tags for *_, tags in (*first, later[0])}) == 1
    assert parts.converged
    assert later[0][0] == later[1][0] == every
    assert any(asked < every for asked, *_ in later[2:])
    assert later[-1][0] | later[-2][0] == every

    monkeypatch.setattr(estimation, "WHOLE_ROUNDS", 10**6)
    whole = fit_panel(season.wells, season.lines, season.families, Settings())
    for name in ("h", "class_prior", "f", "d"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=2e-3, err_msg=name)


def test_first_rounds_leave_odd_families_out():
    """Median 0.05 of markers departed: 0.12 is within twice that and 0.02 more, 0.13 is not."""
    told = [SimpleNamespace(departed=share, markers=100) for share in (0, 4, 5, 12, 13)]
    assert estimation._ordinary(told) == told[:4]
