"""Evidence on one bucket's crosses; a family whose digest is unchanged is taken from the cache."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from crossproof.inference.season_model import (
    CrossRecord,
    FamilyInput,
    FamilyResult,
    Plant,
    prepare_crosses,
    verify_family,
)
from crossproof.io.files.atomic import put_in_place
from crossproof.season.evidence import (
    load_wells,
    marker_mask,
    model_settings,
    read_located,
    read_panel,
    restricted,
)
from crossproof.season.evidence_store import read_evidence, write_evidence
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import read_kept


def verify(index: SeasonIndex, bucket: int) -> None:
    """Judge every cross of a bucket and write the evidence, crosses in order of name."""
    folder = index.folder
    content = read_kept(folder.work("panel", "families", f"{bucket}.json"))
    members = content["families"]
    cache = folder.family_cache(bucket)
    known = dict(read_evidence(cache))
    missing = [m for m in members if m[0] not in known]
    print(f"{len(members)} crosses, {len(missing)} of them to judge", flush=True)
    if missing:
        known |= _judge(index, missing, content["known"], content["crosses"])
    out = folder.work("verify", f"{bucket}.npz")
    write_evidence(out, [known[m[0]] for m in members], [m[0] for m in members])
    keep_copy(out, cache)


def _judge(
    index: SeasonIndex, members: list[list[Any]], known: list[str], crosses: Mapping[str, tuple[str, str]]
) -> dict[str, FamilyResult]:
    """Evidence of families by their digests; those with the same markers and candidates one after another."""
    folder, settings = index.folder, model_settings(index.config)
    joined, fitted = read_panel(folder)
    located = read_located(folder.work("panel", "located"))
    rows = np.zeros(len(located[0]), dtype=bool)
    rows[[w for m in members for _, wells, _ in m[4] for w in wells]] = True
    wells = load_wells(folder, joined, located, rows)
    groups: dict[tuple[bytes, tuple[str, ...]], list[list[Any]]] = {}
    for member in members:
        mask = marker_mask(joined, member[5])
        groups.setdefault((mask.tobytes(), tuple(member[6])), []).append(member)
    found = {}
    for (mask_bytes, later), group in groups.items():
        view = restricted(fitted, np.frombuffer(mask_bytes, dtype=bool))
        others = prepare_crosses([CrossRecord(c, *crosses[c]) for c in sorted([*known, *later])], view)
        for digest, cross, mother, father, plants, _, _ in group:
            family = FamilyInput(
                cross, mother, father, tuple(Plant(p, tuple(w), pod) for p, w, pod in plants)
            )
            found[digest] = verify_family(family, wells, view, settings, others)
    return found


def keep_copy(source: Path, cache: Path) -> None:
    """Keep a product as cache under a second name: the workflow deletes outputs before a job runs again."""
    with put_in_place(cache) as beside:
        os.link(source, beside)
