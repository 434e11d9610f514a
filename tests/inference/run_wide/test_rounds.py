"""Which families a round of the run-wide estimates asks."""

from __future__ import annotations

import numpy as np
from small_seasons import Recipe, simulate

from crossproof.inference.run_wide import estimation
from crossproof.inference.season_model import Settings, fit_panel


def test_families_in_doubt_rest_and_the_estimates_are_the_same(monkeypatch):
    """A season with wrong tubes, estimated with all families asked in every round, and not."""
    recipe = Recipe(crosses=12, lines=8, plants=(2, 5), markers=24, departure=0.03, wrong_tubes=0.15)
    season = simulate(recipe, 2)
    rounds = []
    to_ask = estimation.Rounds._to_ask

    def counted(self):
        asked = to_ask(self)
        rounds.append({f.cross_id for f in asked})
        return asked

    monkeypatch.setattr(estimation.Rounds, "_to_ask", counted)
    parts = fit_panel(season.wells, season.lines, season.families, Settings())
    every = {f.cross_id for f in season.families}
    assert parts.converged
    assert all(asked == every for asked in rounds[:3])
    assert any(asked < every for asked in rounds[3:])
    assert rounds[-1] | rounds[-2] == every

    monkeypatch.setattr(estimation, "WHOLE_ROUNDS", 10**6)
    whole = fit_panel(season.wells, season.lines, season.families, Settings())
    for name in ("h", "class_prior", "f", "d"):
        # h comes to rest last; 1 % of it is a tenth of its standard error here
        rtol = 1e-2 if name == "h" else 2e-3
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), rtol=rtol, err_msg=name)
