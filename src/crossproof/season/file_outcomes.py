"""What became of every genotype file of a season, as the jobs that read them leave it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from crossproof.errors import Problem
from crossproof.io.reading_problems import reading_problems
from crossproof.model.genotypes import CallBatch
from crossproof.model.results import FileState
from crossproof.season.evidence import StoredBatch

_OF_READ_FILES = ("samples", "markers", "evidence", "notes", "call_rate", "heterozygosity")


@dataclass(frozen=True)
class FileOutcome:
    """What became of one genotype file.

    `digest`: of the file and of what its reading depends on. `attempts`: how often reading it met an internal
    error. Of a file that was read: its `samples` with their `call_rate` and `heterozygosity` (sample,), the
    number of `markers`, the kind of `evidence` (empty where it was not read), the reader's `notes`.
    """

    state: FileState
    digest: str
    problems: tuple[Problem, ...] = ()
    samples: tuple[str, ...] = ()
    markers: int = 0
    evidence: str = ""
    notes: tuple[str, ...] = ()
    call_rate: tuple[float, ...] = ()
    heterozygosity: tuple[float, ...] = ()
    attempts: int = 0

    @property
    def used(self) -> bool:
        """Whether its calls are used."""
        return self.state is FileState.USED

    def entry(self) -> dict[str, Any]:
        """The outcome as plain data."""
        read = {name: getattr(self, name) for name in _OF_READ_FILES} if self.evidence else {}
        return {
            "state": self.state.value,
            "digest": self.digest,
            "attempts": self.attempts,
            "problems": [p.entry() for p in self.problems],
            **{name: list(value) if isinstance(value, tuple) else value for name, value in read.items()},
        }

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> FileOutcome:
        """An outcome from plain data."""
        values: dict[str, Any] = {n: tuple(v) if isinstance(v, list) else v for n, v in entry.items()}
        values["state"] = FileState(entry["state"])
        values["problems"] = tuple(Problem.of(p) for p in entry["problems"])
        return cls(**values)

    def record(self) -> dict[str, Any]:
        """What the record of the run says of it."""
        known = ("state", "markers", "evidence", "notes")
        return {name: value for name, value in self.entry().items() if name in known}

    def set_aside(self, problem: Problem) -> FileOutcome:
        """The outcome where a further problem forbids to use the file."""
        return replace(self, state=FileState.SET_ASIDE, problems=(*self.problems, problem))


Outcomes = Mapping[str, FileOutcome]
"""By batch, in order of name."""


def outcome_of_calls(batch: CallBatch, digest: str, path: str) -> FileOutcome:
    """The outcome of a genotype file that was read: its samples with their rates, and remarks."""
    call_rate, heterozygosity = _sample_rates(batch)
    return FileOutcome(
        FileState.USED,
        digest,
        tuple(reading_problems(batch, path)),
        tuple(batch.samples),
        len(batch.markers),
        str(batch.evidence),
        tuple(batch.notes),
        call_rate,
        heterozygosity,
    )


def outcome_set_aside(problems: Sequence[Problem], digest: str = "") -> FileOutcome:
    """The outcome of a genotype file that cannot be trusted."""
    return FileOutcome(FileState.SET_ASIDE, digest, tuple(problems))


def _sample_rates(batch: CallBatch) -> tuple[tuple[float, ...], tuple[float, ...]]:
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
    return (
        tuple(np.round(called / markers, 6).tolist()),
        tuple(np.round(het / np.maximum(called, 1), 6).tolist()),
    )


def stored_batches(outcomes: Outcomes) -> tuple[StoredBatch, ...]:
    """The genotype files that could be read."""
    return tuple(StoredBatch(name, o.digest, o.samples, o.markers) for name, o in outcomes.items() if o.used)


def samples_read(outcomes: Outcomes) -> dict[str, tuple[str, ...]]:
    """Samples of the files that are used, by batch."""
    return {name: o.samples for name, o in outcomes.items() if o.used}


def files_not_used(outcomes: Outcomes) -> set[str]:
    """Batches of the files that are not used."""
    return {name for name, o in outcomes.items() if not o.used}


def problems_of_files(outcomes: Outcomes) -> Iterable[Problem]:
    """Everything that is told of genotype files."""
    return (p for o in outcomes.values() for p in o.problems)
