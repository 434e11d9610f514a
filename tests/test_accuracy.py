"""The accuracy benchmark itself: its plain rule by hand, its season adapter, and what a season must reach."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from crossproof.model.settings import Settings
from crossproof.simulate import SeasonPlan, preset, simulate_season

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def accuracy() -> Iterator[ModuleType]:
    sys.path.insert(0, str(BENCHMARKS))
    yield importlib.import_module("accuracy")
    sys.path.remove(str(BENCHMARKS))


CODES = {
    "L1-1": "000000",
    "L1-2": "000000",
    "L1-3": "222222",  # a wrong tube, outvoted by the other two
    "L2-1": "222220",
    "all": "111111",
    "four": "111101",  # 4 of 5 contrast markers
    "three": "111000",  # 3 of 5
    "one": "1000.0",  # 1 of 4
    "none": "0000.0",
}
ALLELES = {"0": (0, 0), "1": (0, 1), "2": (1, 1), ".": (-1, -1)}


class SixMarkers:
    """Two lines that differ at five markers and are alike at a sixth, and five plants, as a season."""

    samples = pd.DataFrame(
        {
            "sample_id": list(CODES),
            "role": ["parent"] * 4 + ["progeny"] * 5,
            "line": ["L1"] * 3 + ["L2"] + [""] * 5,
            "cross_id": [""] * 4 + ["C1"] * 5,
        }
    )
    crosses = pd.DataFrame({"cross_id": ["C1"], "mother": ["L1"], "father": ["L2"]})
    calls = np.array([[ALLELES[c[j]] for c in CODES.values()] for j in range(6)], dtype=np.int8)


def test_plain_rule_by_hand(accuracy: ModuleType) -> None:
    found = accuracy.plain_rule(SixMarkers()).set_index("sample_id")["verdict"]
    assert found.to_dict() == {
        "all": "hybrid",
        "four": "hybrid",
        "three": "undetermined",
        "one": "undetermined",
        "none": "self",
    }


def test_every_plant_is_judged_once(accuracy: ModuleType) -> None:
    plan = SeasonPlan(n_lines=6, n_crosses=6, plants_per_cross=5, replicate_plants=0.2)
    sim = simulate_season(plan, np.random.default_rng(4))
    found = accuracy.judge_season(sim, Settings())
    plants = sim.samples[sim.samples["role"] == "progeny"]["plant"].unique()
    assert sorted(found["sample_id"]) == sorted(plants)
    assert found[list(accuracy.POSTERIORS)].sum(axis=1).to_numpy() == pytest.approx(np.ones(len(plants)))


def test_a_clean_season_of_60_markers_is_recovered(accuracy: ModuleType) -> None:
    """One season of the first row of docs/accuracy.md, whose target is 99.5 % and 0.1 % over ten seeds."""
    sim = simulate_season(preset("clean60"), np.random.default_rng(17))
    found = accuracy.judge_season(sim, Settings()).merge(sim.truth, on="sample_id")
    score = accuracy.score_of(found)
    assert score.plants == 1000
    assert score.determined_share >= 0.99
    assert score.wrong <= 2
    assert score.sure_hybrids_wrong <= 1


@pytest.mark.slow
@pytest.mark.parametrize("name", ["clean12", "messy60", "sisters60"])
def test_seasons_reach_their_targets(accuracy: ModuleType, name: str) -> None:
    """Two seeds each; limits are the targets plus two standard errors of 2,000 plants."""
    row = next(r for r in accuracy.ROWS if r.name == name)
    plants = pd.concat([accuracy.one_season(name, seed) for seed in (101, 102)])
    score = accuracy.score_of(plants)
    error = 2 * np.sqrt(row.wrong * (1 - row.wrong) / score.plants)
    assert score.determined_share >= row.determined - 2 * np.sqrt(
        row.determined * (1 - row.determined) / score.plants
    )
    assert score.wrong_share <= row.wrong + error


def test_decisions_are_counted_by_hand(accuracy: ModuleType) -> None:
    plants = pd.DataFrame(
        [
            ("hybrid", "hybrid", "keep", 1.0, False),
            ("hybrid", "outcross", "cull", 0.0, False),
            ("outcross", "hybrid", "keep", 0.999, True),
            ("outcross", "hybrid", "hold", 0.999, True),
            ("outcross", "outcross", "cull", 0.0, True),
            ("self", "undetermined", "retest", 0.97, False),
        ],
        columns=["truth", "verdict", "decision", "p_hybrid", "faulty"],
    )
    c = accuracy.whole_tags.count(plants)
    assert (c.plants, c.determined, c.wrong, c.false_likely, c.false_sure) == (6, 5, 2, 2, 1)
    assert (c.kept_wrong, c.hybrids, c.culled_wrong, c.held) == (1, 2, 1, 1)
    assert (c.faulty, c.faulty_right, c.faulty_waiting) == (3, 1, 1)


@pytest.mark.slow
def test_a_tag_by_another_line_is_no_hybrid(accuracy: ModuleType) -> None:
    names = ["untyped_once_8", "untyped_3_tags", "relative_15", "later_12"]
    plants = accuracy.whole_tags.run(names, seeds=2, jobs=1)
    for row in accuracy.whole_tags.ROWS:
        if row.name in names:
            assert row.reached(accuracy.whole_tags.count(plants[plants["season"] == row.name])), row.name
