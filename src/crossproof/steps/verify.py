"""Evidence on one bucket's crosses; a family whose digest is unchanged is taken from the cache."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from crossproof.evidence_store import read_evidence, write_evidence
from crossproof.inference.season_model import CrossRecord, OtherCrosses, prepare_crosses, verify_family
from crossproof.season_evidence import batches_of, family_inputs, load_wells, locate_wells, model_settings
from crossproof.season_index import SeasonIndex, read_record
from crossproof.steps.panel import SliceDigests, read_panel


def verify(index: SeasonIndex, bucket: int) -> None:
    """Judge every cross of a bucket and write the evidence, crosses in order of name."""
    folder = index.folder
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    joined, fitted = read_panel(folder)
    located = locate_wells(samples, joined.stored)
    digests = SliceDigests(index, joined, fitted, samples, crosses, located[0])
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, located[0])]
    families = [f for f in families if digests.family_bucket(f) == bucket]
    families.sort(key=lambda f: f.cross_id)
    cache = folder.family_cache(bucket)
    known = dict(read_evidence(cache))
    wanted = [(digests.family(f), f) for f in families]
    missing = [f for d, f in wanted if d not in known]
    print(f"{len(families)} crosses, {len(missing)} of them to judge", flush=True)
    if missing:
        rows = np.zeros(len(samples), dtype=bool)
        rows[[w for f in missing for p in f.plants for w in p.wells]] = True
        wells = load_wells(folder, joined, located, rows & (located[0] >= 0))
        settings = model_settings(index.config)
        prepared: tuple[object, OtherCrosses] | None = None
        for digest, family in sorted(
            wanted, key=lambda item: digests.view(batches_of(item[1], located[0]))[1]
        ):
            if digest in known:
                continue
            batches = batches_of(family, located[0])
            view, view_digest = digests.view(batches)
            names, names_digest = digests.candidates(batches)
            if prepared is None or prepared[0] != (view_digest, names_digest):
                records = [CrossRecord(c, *digests.parents[c]) for c in names]
                prepared = (view_digest, names_digest), prepare_crosses(records, view)
            known[digest] = verify_family(family, wells, view, settings, prepared[1])
    out = folder.work("verify", f"{bucket}.npz")
    write_evidence(out, [known[d] for d, _ in wanted], [d for d, _ in wanted])
    keep_copy(out, cache)


def keep_copy(source: Path, cache: Path) -> None:
    """Keep a product as cache under a second name: the workflow deletes outputs before a job runs again."""
    cache.parent.mkdir(parents=True, exist_ok=True)
    temporary = cache.with_name(f".{cache.name}.{os.getpid()}.part")
    temporary.unlink(missing_ok=True)
    os.link(source, temporary)
    os.replace(temporary, cache)
