"""Genotype files into the store; a file that cannot be trusted is set aside and the others go on."""

from __future__ import annotations

import traceback
from collections.abc import Collection

import pandas as pd

from crossproof.errors import InputError, PlateError, error
from crossproof.io.calls.store import StoreError, read_calls, write_calls
from crossproof.io.config.season_config import GenotypeFile
from crossproof.io.entry_reader import read_entry
from crossproof.io.records.strangers import sample_strangers
from crossproof.io.tables.known_names import NamesWhenAsked
from crossproof.model.genotypes import CallBatch
from crossproof.model.results import FileState
from crossproof.season.file_outcomes import FileOutcome, outcome_of_calls, outcome_set_aside, samples_read
from crossproof.season.index import SeasonIndex, read_record, require_unchanged
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
            "batches": {n: o.digest for n, o in outcome.items()},
            "failed": {n: o.attempts for n, o in outcome.items() if o.state is FileState.ERROR},
            "set aside": any(o.state is FileState.SET_ASIDE for o in outcome.values()),
        },
    )
    write_kept(index.folder.work("ingest", f"{bucket}.json"), {n: o.entry() for n, o in outcome.items()})


def _ingest_one(
    index: SeasonIndex, file: GenotypeFile, sheet: pd.DataFrame | None, known: Collection[str], attempts: int
) -> FileOutcome:
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
        return outcome_set_aside(refused.problems, digest)
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
        return FileOutcome(FileState.ERROR, digest, (told,), attempts=attempts + 1)
    return outcome_of_calls(batch, digest, file.path)


def marker_sheet(index: SeasonIndex) -> pd.DataFrame | None:
    """The marker sheet, None where the season has none."""
    return read_record(index.folder, "markers") if index.config.markers_file is not None else None


def known_samples(index: SeasonIndex) -> NamesWhenAsked:
    """Names of the samples that the sheets list."""
    return NamesWhenAsked(
        lambda: set(read_record(index.folder, "samples", ["sample_id"])["sample_id"].tolist())
    )


def read_stored(folder: WorkFolder, digest: str) -> CallBatch | None:
    """A file's calls as stored, None where they are not there or damaged."""
    try:
        return read_calls(folder.calls(digest))
    except (FileNotFoundError, StoreError):
        return None


def read_of_run(
    index: SeasonIndex, file: GenotypeFile, sheet: pd.DataFrame | None, known: Collection[str]
) -> CallBatch:
    """Read one genotype file of the run at work; raises PlateError, InputError if it changed."""
    try:
        return read_entry(index.config, file, sheet, known)
    finally:
        require_unchanged(index, [index.config.shown(p) for p in (file.file, *file.lists)])


def ingested(index: SeasonIndex) -> dict[str, FileOutcome]:
    """What became of every genotype file, by batch in order of name."""
    found: dict[str, FileOutcome] = {}
    for bucket in index.batch_buckets():
        kept = read_kept(index.folder.work("ingest", f"{bucket}.json")) or {}
        found |= {name: FileOutcome.of(entry) for name, entry in kept.items()}
    outcomes = {name: found[name] for name in sorted(found)}
    files = {g.batch: g.path for g in index.config.genotypes}
    samples = read_record(index.folder, "samples")
    for name, problem in sample_strangers(samples, samples_read(outcomes), files).items():
        # Whose samples these are nobody has said: the file is set aside until somebody does.
        outcomes[name] = outcomes[name].set_aside(problem)
    return outcomes
