"""What a person is asked, or has to settle with an option."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crossproof.errors import UsageError, error


@dataclass(frozen=True)
class Options:
    """What the user says of a file; None or empty where nothing was said."""

    batch: str | None = None
    sheet: str | None = None
    header_row: int | None = None
    layout: str | None = None
    names: Path | None = None
    marker_names: Path | None = None
    plate: str | None = None
    missing: tuple[str, ...] = ()
    ignore_columns: tuple[str, ...] = ()
    counted_allele: str | None = None
    strand: str | None = None
    alleles: str | None = None


class Unclear(UsageError):
    """Something only a person can know. `option` settles it; `choices` are the likely answers, if few."""

    def __init__(
        self, file: str, problem: str, option: str, choices: Sequence[str] = (), *, remedy: str = ""
    ) -> None:
        self.option, self.choices = option, tuple(choices)
        said = " or ".join(f"{option} {shlex.quote(c)}" for c in self.choices[:6])
        super().__init__(error(file, problem, remedy or f"Say which: {said or option}."))

    def __reduce__(self) -> tuple[type, tuple[Any, ...]]:  # pragma: no cover - for completeness
        problem = self.problems[0]
        return Unclear, (problem.file, problem.problem, self.option, self.choices)
