"""A typed line that explains a plant may be its pollen donor, or what the parent's tube should have held.

Simulated seasons of which the truth is known: one plant a cross, every line typed once.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import crossproof
from crossproof.simulate import preset, simulate_season, write_season
from crossproof.simulate.plan import FaultKind, PlateFault

ONE_PLANT = replace(preset("one_plant"), wrong_tubes=0.0)


def judged(folder, plan, seed):
    sim = simulate_season(plan, np.random.default_rng([seed, 77]))
    write_season(sim, folder)
    said = crossproof.verify(folder)[["sample_id", "verdict", "decision", "p_hybrid"]]
    said = said.astype({"verdict": str, "decision": str})
    crosses = sim.truth["sample_id"].str.split("-").str[0]
    return said.merge(sim.truth.assign(cross_id=crosses), on="sample_id").merge(sim.crosses, on="cross_id")


def test_hybrids_of_a_father_whose_tube_was_exchanged_with_another_lines_are_not_culled(tmp_path):
    plan = replace(ONE_PLANT, n_lines=40, outcross=0.0, off_pedigree=0.0)
    sim = simulate_season(plan, np.random.default_rng([1, 77]))
    father = sim.crosses["father"].value_counts().index[0]
    other = next(
        line for line in sim.line_names if line not in {*sim.crosses["father"], *sim.crosses["mother"]}
    )
    faults = (
        PlateFault(FaultKind.LINE_IS, father, other),
        PlateFault(FaultKind.LINE_IS, other, father),
    )
    plants = judged(tmp_path, replace(plan, faults=faults), 1)
    mine = plants[(plants["father"] == father) & (plants["truth"] == "hybrid")]
    assert len(mine) >= 2
    assert not (mine["decision"] == "cull").any()
    # Tags that agree on what the tube should have held outweigh as many outcrosses; that another plant was
    # grown under the line's name is all that is left, and keeps them waiting.
    assert (mine["p_hybrid"] > 0.9).all()
    elsewhere = plants[(plants["father"] != father) & (plants["verdict"] != "undetermined")]
    assert (elsewhere["verdict"] == elsewhere["truth"]).all()


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_outcrosses_by_typed_donors_are_still_named_where_the_tubes_are_right(tmp_path, share):
    plants = judged(tmp_path, replace(ONE_PLANT, outcross=share, unknown_donors=0.0), 2)
    outcross = plants[plants["relation"] == "mother x another line"]
    assert len(outcross) >= 5
    assert (outcross["verdict"] == "outcross").mean() >= 0.9
    assert outcross["p_hybrid"].max() < 0.5
    hybrids = plants[plants["truth"] == "hybrid"]
    assert (hybrids["decision"] == "keep").all()
