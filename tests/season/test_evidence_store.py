"""Evidence of many families in one file comes back as it was put in, field by field."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.season_results import FamilyResult
from crossproof.io.records.season_records import read_season
from crossproof.season.evidence_store import read_evidence, write_evidence
from crossproof.simulate import simulate_season, write_season
from crossproof.simulate.plan import BatchFormat, SeasonPlan
from crossproof.steps.in_memory import evidence_in_memory, season_in_memory


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> list[FamilyResult]:
    """Families of one, two and more plants."""
    folder = tmp_path_factory.mktemp("evidence") / "season"
    plan = SeasonPlan(n_markers=24, n_lines=5, n_crosses=6, plants_per_cross=3, formats=(BatchFormat.WIDE,))
    write_season(simulate_season(plan, np.random.default_rng(3)), folder)
    season = read_season(folder)
    samples = season.samples
    progeny = samples.index[
        (samples["role"] == "progeny") & (samples["cross_id"] == samples["cross_id"].max())
    ]
    fewer = dataclasses.replace(season, samples=samples.drop(progeny[1:]))
    return list(evidence_in_memory(season_in_memory(fewer)).values())


def test_evidence_comes_back_field_by_field(tmp_path: Path, results: list[FamilyResult]) -> None:
    assert {len(r) for r in results} == {1, 3}
    write_evidence(tmp_path / "1.npz", results, [r.cross_id for r in results])
    back = read_evidence(tmp_path / "1.npz")
    assert [name for name, _ in back] == [r.cross_id for r in results]
    for (_, made), wanted in zip(back, results, strict=True):
        for field in dataclasses.fields(FamilyResult):
            np.testing.assert_array_equal(
                getattr(made, field.name), getattr(wanted, field.name), err_msg=field.name
            )


def test_a_field_of_other_lengths_is_not_written(tmp_path: Path, results: list[FamilyResult]) -> None:
    """A field stacked along an axis that is not its own would give every family another's rows."""
    wrong = dataclasses.replace(results[0], scored=np.zeros(9, dtype=int))
    with pytest.raises(ValueError, match="scored has other lengths"):
        write_evidence(tmp_path / "1.npz", [wrong, *results[1:]], [r.cross_id for r in results])
    assert not (tmp_path / "1.npz").exists()
