"""Real genotypes that lie outside the project, as wells of the model."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.season_model import Wells, batch_evidence
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

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
    """Names of the rows of a table of calls such as A/G, and the rows as wells; markers have two alleles."""
    with path.open() as lines:
        (_, *names), *rows = csv.reader(lines)
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
