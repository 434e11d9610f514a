"""Real F2 and backcross plants with maps, every one declared as an F1 of its two parents: none is one.

Data: `listeria` (F2) and `hyper` (first backcross to C57BL/6J) of Debian's package r-cran-qtl, GPL-3+, kept
outside this repository (see the README there). The calls of both parents are implied.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    Wells,
    batch_evidence,
    fit_panel,
    judge,
    verify_family,
)
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers
from crossproof.model.results import Relation, Verdict

FOLDER = (
    Path(os.environ.get("CROSSPROOF_SHARED", Path(__file__).parents[3] / "shared"))
    / "data"
    / "linked_crosses"
)
SETTINGS = Settings()
CALLS = {"A/A": (0, 0), "A/G": (0, 1), "G/A": (0, 1), "G/G": (1, 1)}
TAG = 10
"""Plants taken as one tag."""


def results(name: str) -> list:
    """Results of all plants of a set, dealt into tags of the first parent x the second."""
    if not FOLDER.exists():
        pytest.skip("the real F2 and backcross data are not beside this repository")
    with (FOLDER / f"{name}_genotypes.csv").open() as lines:
        header, *rows = csv.reader(lines)
    with (FOLDER / f"{name}_map.csv").open() as lines:
        place = {m["marker"]: m for m in csv.DictReader(lines)}
    names = header[1:]
    calls = np.full((len(names), len(rows), 2), -1, dtype=np.int8)
    for i, row in enumerate(rows):
        for j, call in enumerate(row[1:]):
            if call:
                calls[j, i] = CALLS[call]
    n = len(names)
    markers = Markers(
        np.array(names, dtype=object),
        np.array([place[x]["chrom"] for x in names], dtype=object),
        np.arange(n),
        tuple(("A", "G") for _ in names),
        np.zeros(n, dtype=bool),
        np.array([float(place[x]["cm"]) for x in names]),
    )
    samples = tuple(row[0] for row in rows)
    batch = CallBatch("B1", markers, samples, (CallBlock(2, np.arange(n), calls),), Evidence.CALLS)
    item = batch_evidence(
        batch,
        wells=np.arange(len(rows)),
        joined_row=np.arange(n),
        recode=np.tile(np.arange(8), (n, 1)),
        n_alleles=markers.n_alleles,
    )
    wells = Wells(markers, len(rows), (item,))
    lines = [LineInput(samples[0], (0,)), LineInput(samples[1], (1,))]
    families = [
        FamilyInput(
            f"C{start:03d}",
            samples[0],
            samples[1],
            tuple(Plant(samples[i], (i,)) for i in range(start, min(start + TAG, len(rows)))),
        )
        for start in range(2, len(rows), TAG)
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
