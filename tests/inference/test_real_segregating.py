"""Real F2 and backcross plants with maps, every one declared as an F1 of its two parents: none is one.

Data: `listeria` (F2) and `hyper` (first backcross to C57BL/6J) of Debian's package r-cran-qtl, GPL-3+, kept
outside this repository (see the README there). The calls of both parents are implied.
"""

from __future__ import annotations

import numpy as np
import pytest
from real_calls import real_data, records, wells_of

from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    fit_panel,
    judge,
    verify_family,
)
from crossproof.model.genotypes import Markers
from crossproof.model.results import Relation, Verdict

SETTINGS = Settings()
TAG = 10
"""Plants taken as one tag."""


def results(name: str) -> list:
    """Results of all plants of a set, dealt into tags of the first parent x the second."""
    folder = real_data("linked_crosses")
    place = {m["marker"]: m for m in records(folder / f"{name}_map.csv")}

    def markers_of(names: list[str]) -> Markers:
        n = len(names)
        return Markers(
            np.array(names, dtype=object),
            np.array([place[x]["chrom"] for x in names], dtype=object),
            np.arange(n),
            tuple(("A", "G") for _ in names),
            np.zeros(n, dtype=bool),
            np.array([float(place[x]["cm"]) for x in names]),
        )

    alleles = {marker: ["A", "G"] for marker in place}
    samples, wells = wells_of(folder / f"{name}_genotypes.csv", alleles, markers_of)
    lines = [LineInput(samples[0], (0,)), LineInput(samples[1], (1,))]
    families = [
        FamilyInput(
            f"C{start:03d}",
            samples[0],
            samples[1],
            tuple(Plant(samples[i], (i,)) for i in range(start, min(start + TAG, len(samples)))),
        )
        for start in range(2, len(samples), TAG)
    ]
    panel = fit_panel(wells, lines, families, SETTINGS)
    return [verify_family(f, wells, panel, SETTINGS) for f in families]


@pytest.mark.parametrize(
    ("name", "named"),
    [("f2", Relation.ADVANCED), ("bc1", Relation.BACKCROSS_MOTHER)],
)
def test_no_segregating_plant_is_called_hybrid(name: str, named: Relation) -> None:
    found = results(name)
    hybrid = np.concatenate([r.class_posterior[:, 0] for r in found])
    verdicts = [judge(r, i, SETTINGS).verdict for r in found for i in range(len(r))]
    relation = np.concatenate([r.relation_posterior.argmax(axis=1) for r in found])
    assert hybrid.max() < 0.5
    assert verdicts.count(Verdict.HYBRID) == 0
    assert verdicts.count(Verdict.OFF_PEDIGREE) >= 0.97 * len(verdicts)
    assert (relation == list(Relation).index(named)).mean() >= 0.9
