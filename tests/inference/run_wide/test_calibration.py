"""Run-wide estimates recovered from simulated seasons, and the reasons for setting markers aside."""

from __future__ import annotations

import numpy as np
import pytest
from small_seasons import Recipe, simulate, wells_of_calls

from crossproof.inference.run_wide.expectation import count_miscalls, sample_families
from crossproof.inference.run_wide.replicates import replicate_differences
from crossproof.inference.season_model import FamilyInput, LineInput, Plant, Settings, fit_panel

SETTINGS = Settings()


def test_miscalls_by_hand():
    # Two wells: truth surely 0/0 called 0/1; truth half 0/0, half 0/1 called 0/0; a third without a call.
    posterior = np.array([[[1, 0, 0], [0.5, 0.5, 0], [1 / 3, 1 / 3, 1 / 3]]])
    codes = np.array([[1, 0, 255]], dtype=np.uint8)
    np.testing.assert_allclose(count_miscalls(posterior, codes, 2, np.ones(3))[:, 0], [1.5, 1, 0.5, 0.5])


@pytest.fixture(scope="module")
def noisy():
    """A season with known uniform error rates and parent departure."""
    recipe = Recipe(markers=60, crosses=40, departure=0.06, dropout=0.10, false_het=0.02)
    season = simulate(recipe, 3)
    return season, fit_panel(season.wells, season.lines, season.families, SETTINGS)


def test_error_rates_are_recovered(noisy):
    season, panel = noisy
    # Shrunk by 40 observations towards the starting values, so compare with the true rates shrunk alike.
    het = (season.genotypes[:, :, 0] != season.genotypes[:, :, 1]).sum(axis=1)
    hom = season.genotypes.shape[1] - het
    assert panel.d.mean() == pytest.approx(np.mean((40 * 0.02 + 0.10 * het) / (40 + het)), abs=0.015)
    assert panel.f.mean() == pytest.approx(np.mean((40 * 0.005 + 0.02 * hom) / (40 + hom)), abs=0.005)


def test_departure_and_class_prior_are_recovered(noisy):
    season, panel = noisy
    # A departing marker draws from the pool and keeps the line's genotype about four times in ten.
    changed = 0.06 * 0.6
    assert panel.h == pytest.approx(changed, rel=0.6)
    truth = np.bincount(list(season.truth.values()), minlength=4) / len(season.truth)
    np.testing.assert_allclose(panel.class_prior, truth, atol=0.04)
    assert panel.converged


def test_marker_heterozygous_in_fixed_lines_is_set_aside():
    rng = np.random.default_rng(2)
    calls = {f"m{j:02d}": [("0/0", "1/1")[x] for x in rng.integers(0, 2, 24)] for j in range(20)}
    calls["m05"] = ["0/1"] * 24
    calls["m06"] = ["0/0"] * 24
    calls["m07"] = ["./."] * 14 + calls["m07"][14:]
    calls["m08"] = ["./."] * 12 + ["0/0", "1/1"] * 6
    wells = wells_of_calls(calls)
    lines = [LineInput(f"L{i}", (i,)) for i in range(12)]
    panel = fit_panel(wells, lines, [], SETTINGS)
    reasons = dict(zip(wells.markers.ids, panel.set_aside, strict=True))
    assert reasons["m05"] == "heterozygous in fixed lines"
    assert reasons["m06"] == "one allele in all samples"
    assert reasons["m07"] == "low call rate"
    assert reasons["m08"] == "not typed in any parent"
    assert sorted(set(reasons.values()) - {""}) == sorted({reasons[f"m0{i}"] for i in (5, 6, 7, 8)})


def test_replicates_give_a_direct_estimate():
    wells = wells_of_calls({"a": ["0/0", "0/0", "0/1"], "b": ["0/0", "./.", "0/0"]})
    pairs, differ = replicate_differences(wells, [(0, 1, 2), (1,)])
    assert pairs.tolist() == [3, 1]
    assert differ.tolist() == [2, 0]


def test_the_sample_of_families_does_not_depend_on_their_order():
    families = [
        FamilyInput(f"C{i}", "A", "B", tuple(Plant(f"{i}-{p}", (0,)) for p in range(5))) for i in range(900)
    ]
    chosen = sample_families(families, 60)
    assert len(chosen) == 300
    assert sample_families(families[::-1], 60) == chosen
    # A family more leaves the others of the sample in place, but for the one it pushes out.
    more = [*families, FamilyInput("C900", "A", "B", families[0].plants)]
    assert len({f.cross_id for f in sample_families(more, 60)} & {f.cross_id for f in chosen}) >= 299
