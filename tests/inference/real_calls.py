"""Real genotypes that lie outside the project, as wells of the model."""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
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
from crossproof.model.results import Verdict

SHARED = Path(os.environ.get("CROSSPROOF_SHARED", Path(__file__).parents[3] / "shared"))


def real_data(name: str) -> Path:
    """A folder of real data; skips where it is absent."""
    folder = SHARED / "data" / name
    if not folder.exists():
        pytest.skip(f"{folder} is not beside this repository")
    return folder


def records(path: Path) -> list[dict[str, str]]:
    """Rows of a table by heading."""
    with path.open() as lines:
        return list(csv.DictReader(lines))


def wells_of(
    path: Path, alleles: Mapping[str, list[str]], markers_of: Callable[[list[str]], Markers]
) -> tuple[tuple[str, ...], Wells]:
    """Names of the rows of a table of calls such as A/G, and the rows as wells.

    Markers have two alleles; those that `alleles` does not know are left out.
    """
    with path.open() as lines:
        (_, *headings), *whole = csv.reader(lines)
    kept = [i for i, name in enumerate(headings, 1) if name in alleles]
    names = [headings[i - 1] for i in kept]
    rows = [[row[0], *(row[i] for i in kept)] for row in whole]
    calls = np.full((len(names), len(rows), 2), -1, dtype=np.int8)
    for i, row in enumerate(rows):
        for j, call in enumerate(row[1:]):
            if call:
                calls[j, i] = [alleles[names[j]].index(a) for a in call.split("/")]
    markers = markers_of(names)
    assert set(markers.n_alleles) == {2}
    samples = tuple(row[0] for row in rows)
    batch = CallBatch("B1", markers, samples, (CallBlock(2, np.arange(len(names)), calls),), Evidence.CALLS)
    item = batch_evidence(
        batch,
        wells=np.arange(len(rows)),
        joined_row=np.arange(len(names)),
        recode=np.tile(np.arange(8), (len(names), 1)),
        n_alleles=markers.n_alleles,
    )
    return samples, Wells(markers, len(rows), (item,))


TAG = 10
"""Plants taken as one tag."""


@dataclass(frozen=True)
class JudgedAsF1:
    """Plants of a set declared as F1s: posteriors of class (plant, class) and relation (plant, relation)."""

    markers: int
    classes: np.ndarray
    relations: np.ndarray
    verdicts: tuple[Verdict, ...]


def chromosomes(folder: Path, name: str) -> dict[str, int]:
    """Markers of each chromosome of a set's map."""
    return dict(Counter(m["chrom"] for m in records(folder / f"{name}_map.csv")))


def judged_as_f1(folder: Path, name: str, chromosome: str | None = None) -> JudgedAsF1:
    """All plants of a set, dealt into tags of the first parent x the second; by one chromosome, or by all."""
    mapped = records(folder / f"{name}_map.csv")
    place = {m["marker"]: m for m in mapped if chromosome in (None, m["chrom"])}

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
    mother, father = samples[:2]
    families = [
        FamilyInput(
            f"C{start:03d}",
            mother,
            father,
            tuple(Plant(samples[i], (i,)) for i in range(start, min(start + TAG, len(samples)))),
        )
        for start in range(2, len(samples), TAG)
    ]
    settings = Settings()
    lines = [LineInput(mother, (0,)), LineInput(father, (1,))]
    panel = fit_panel(wells, lines, families, settings)
    found = [verify_family(f, wells, panel, settings) for f in families]
    return JudgedAsF1(
        len(place),
        np.concatenate([r.class_posterior for r in found]),
        np.concatenate([r.relation_posterior for r in found]),
        tuple(judge(r, i, settings).verdict for r in found for i in range(len(r))),
    )
