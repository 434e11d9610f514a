"""Evidence on one bucket's crosses; a family whose digest is unchanged is taken from the cache."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from crossproof.inference.season_model import (
    CrossRecord,
    FamilyInput,
    FamilyResult,
    Panel,
    Plant,
    Settings,
    Wells,
    prepare_crosses,
    verify_family,
)
from crossproof.io.files.atomic import put_in_place
from crossproof.season.evidence import (
    JoinedSeason,
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


@dataclass(frozen=True)
class Asked:
    """A family to judge, named `key`: its files, and the crosses in them that came after the estimates."""

    key: str
    family: FamilyInput
    batches: tuple[int, ...]
    later: tuple[str, ...]


def judge_families(
    asked: Iterable[Asked],
    joined: JoinedSeason,
    fitted: Panel,
    wells: Wells,
    settings: Settings,
    known: Iterable[str],
    crosses: Mapping[str, Sequence[str]],
) -> dict[str, FamilyResult]:
    """Evidence of families by their keys; those with the same markers and candidates one after another.

    `known`: crosses on record when the estimates were made; `crosses`: mother and father of all named here.
    """
    groups: dict[tuple[bytes, tuple[str, ...]], list[Asked]] = {}
    for one in asked:
        groups.setdefault((marker_mask(joined, one.batches).tobytes(), one.later), []).append(one)
    found = {}
    for (mask, later), group in groups.items():
        view = restricted(fitted, np.frombuffer(mask, dtype=bool))
        names = sorted([*known, *later])
        others = prepare_crosses([CrossRecord(c, crosses[c][0], crosses[c][1]) for c in names], view)
        for one in group:
            found[one.key] = verify_family(one.family, wells, view, settings, others)
    return found


def _judge(
    index: SeasonIndex, members: list[list[Any]], known: list[str], crosses: Mapping[str, Sequence[str]]
) -> dict[str, FamilyResult]:
    """Evidence of a bucket's families by their digests, as the panel job wrote them."""
    folder = index.folder
    joined, fitted = read_panel(folder)
    located = read_located(folder.work("panel", "located"))
    rows = np.zeros(len(located[0]), dtype=bool)
    rows[[w for m in members for _, wells, _ in m[4] for w in wells]] = True
    wells = load_wells(folder, joined, located, rows)
    asked = [
        Asked(
            digest,
            FamilyInput(cross, mother, father, tuple(Plant(p, tuple(w), pod) for p, w, pod in plants)),
            tuple(batches),
            tuple(later),
        )
        for digest, cross, mother, father, plants, batches, later in members
    ]
    return judge_families(asked, joined, fitted, wells, model_settings(index.config), known, crosses)


def keep_copy(source: Path, cache: Path) -> None:
    """Keep a product as cache under a second name: the workflow deletes outputs before a job runs again."""
    with put_in_place(cache) as beside:
        os.link(source, beside)
