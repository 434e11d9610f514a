"""Genotype files into the store; a file that cannot be trusted is set aside and the others go on."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import InputError, PlateError, Problem, error
from crossproof.io.calls.store import StoreError, read_calls, write_calls
from crossproof.io.config.season_config import GenotypeFile
from crossproof.io.entry_reader import read_entry
from crossproof.io.reading_problems import reading_problems
from crossproof.io.records.strangers import sample_strangers
from crossproof.model.genotypes import CallBatch
from crossproof.model.results import FileState
from crossproof.season.evidence import StoredBatch
from crossproof.season.index import SeasonIndex, problem_entry, read_record, require_unchanged
from crossproof.season.work_folder import WorkFolder, read_kept, write_kept
from crossproof.steps.ingest_parts import forget_parts, joined_parts


def ingest(index: SeasonIndex, bucket: int) -> None:
    """Read one bucket's genotype files; the outcome of each is written to work/ingest."""
    sheet, known = marker_sheet(index), known_samples(index)
    tally = index.folder.work("ingest-attempts", f"{bucket}.json")
    failed = (read_kept(tally) or {}).get("failed", {})
    attempt = index.attempt(bucket)
    files = {g.batch: g for g in index.config.genotypes}
    outcome = {}
    for name in index.batch_buckets().get(bucket, []):
        print(f"reading {files[name].path}", flush=True)
        outcome[name] = _ingest_one(index, files[name], sheet, known, failed.get(name, 0))
    write_kept(
        tally,
        {
            "ran": attempt,
            "batches": {n: o["digest"] for n, o in outcome.items()},
            "failed": {n: o["attempts"] for n, o in outcome.items() if o["state"] == FileState.ERROR},
            "set aside": any(o["state"] == FileState.SET_ASIDE for o in outcome.values()),
        },
    )
    write_kept(index.folder.work("ingest", f"{bucket}.json"), outcome)


def _ingest_one(
    index: SeasonIndex, file: GenotypeFile, sheet: pd.DataFrame | None, known: set[str], attempts: int
) -> dict[str, Any]:
    digest = index.batches[file.batch]
    try:
        batch = read_stored(index.folder, digest)
        if batch is None:
            batch = joined_parts(index, file, digest, sheet)
            if batch is None:
                batch = read_of_run(index, file, sheet, known)
            write_calls(index.folder.calls(digest), batch)
            forget_parts(index, digest)
    except PlateError as refused:
        return aside_state(refused.problems, digest)
    except (OSError, MemoryError, InputError):
        # A full disk or too little memory says nothing about the file: the job fails and is tried again.
        # A file that was changed meanwhile ends the run.
        raise
    except Exception as fault:
        print(traceback.format_exc(), flush=True)
        told = error(
            file.path,
            "Reading this file failed because of an internal error of crossproof, not because of the file.",
            "Please report it with the log in .crossproof/logs/ingest. It is tried again at the next run.",
            value=f"{type(fault).__name__}: {fault}",
        )
        return {
            "state": FileState.ERROR.value,
            "digest": digest,
            "attempts": attempts + 1,
            "problems": [problem_entry(told)],
        }
    return used_state(batch, digest, file.path)


def used_state(batch: CallBatch, digest: str, path: str) -> dict[str, Any]:
    """What became of a genotype file that was read: its samples with their rates, and remarks."""
    return {
        "state": FileState.USED.value,
        "digest": digest,
        "samples": list(batch.samples),
        "markers": len(batch.markers),
        "evidence": str(batch.evidence),
        "notes": list(batch.notes),
        "problems": [problem_entry(p) for p in reading_problems(batch, path)],
        **_sample_rates(batch),
    }


def aside_state(problems: Sequence[Problem], digest: str = "") -> dict[str, Any]:
    """What became of a genotype file that cannot be trusted."""
    told = [problem_entry(p) for p in problems]
    return {"state": FileState.SET_ASIDE.value, "digest": digest, "problems": told}


def _sample_rates(batch: CallBatch) -> dict[str, list[float]]:
    """Call rate and share of heterozygous calls of every sample of a file."""
    called = np.zeros(len(batch.samples), dtype=np.int64)
    het = np.zeros(len(batch.samples), dtype=np.int64)
    for block in batch.blocks:
        both = (block.calls >= 0).all(axis=2)
        seen = both.sum(axis=0)
        if block.phred is not None and not seen.any():
            seen = (block.phred.max(axis=2) > 0).sum(axis=0)
        called += seen
        het += (both & (block.calls[..., 0] != block.calls[..., 1])).sum(axis=0)
    markers = max(len(batch.markers), 1)
    return {
        "call_rate": np.round(called / markers, 6).tolist(),
        "heterozygosity": np.round(het / np.maximum(called, 1), 6).tolist(),
    }


def marker_sheet(index: SeasonIndex) -> pd.DataFrame | None:
    """The marker sheet, None where the season has none."""
    return read_record(index.folder, "markers") if index.config.markers_file is not None else None


def known_samples(index: SeasonIndex) -> set[str]:
    """Names of the samples that the sheets list."""
    return set(read_record(index.folder, "samples")["sample_id"])


def read_stored(folder: WorkFolder, digest: str) -> CallBatch | None:
    """A file's calls as stored, None where they are not there or damaged."""
    try:
        return read_calls(folder.calls(digest))
    except (FileNotFoundError, StoreError):
        return None


def read_of_run(
    index: SeasonIndex, file: GenotypeFile, sheet: pd.DataFrame | None, known: set[str]
) -> CallBatch:
    """Read one genotype file of the run at work; raises PlateError, InputError if it changed."""
    try:
        return read_entry(index.config, file, sheet, known)
    finally:
        require_unchanged(index, [index.config.shown(p) for p in (file.file, *file.lists)])


def ingested(index: SeasonIndex) -> dict[str, dict[str, Any]]:
    """What became of every genotype file, by batch in order of name."""
    found: dict[str, dict[str, Any]] = {}
    for bucket in index.batch_buckets():
        found |= read_kept(index.folder.work("ingest", f"{bucket}.json")) or {}
    states = {name: found[name] for name in sorted(found)}
    used = {name: s["samples"] for name, s in states.items() if s["state"] == "used"}
    files = {g.batch: g.path for g in index.config.genotypes}
    samples = read_record(index.folder, "samples")
    for name, problem in sample_strangers(samples, used, files).items():
        # Whose samples these are nobody has said: the file is set aside until somebody does.
        problems = [*states[name]["problems"], problem_entry(problem)]
        states[name] = states[name] | {"state": "set aside", "problems": problems}
    return states


def stored_batches(states: dict[str, dict[str, Any]]) -> tuple[StoredBatch, ...]:
    """The genotype files that could be read."""
    return tuple(
        StoredBatch(name, s["digest"], tuple(s["samples"]), s["markers"])
        for name, s in states.items()
        if s["state"] == FileState.USED
    )
