"""What was understood of a file: the entry it gets, the lists beside it, and how this is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from crossproof.receive.questions import Options

Value = str | int | tuple[str, ...]


@dataclass(frozen=True)
class Misfit:
    """One cause for which something of the file does not fit: how often, and the first few."""

    cause: str
    count: int
    first: tuple[str, ...]
    remedy: str

    def sentence(self) -> str:
        """The misfit on one line."""
        shown = ", ".join(self.first[:5]) + (" ..." if self.count > 5 else "")
        return f"{self.cause}: {self.count} ({shown}). {self.remedy}"


@dataclass(frozen=True)
class Understanding:
    """All that was understood of a file.

    `entry`: keys of the file's entry in config.yaml, without batch and path. `samples`, `markers`: names in
    the file and what they stand for, where that differs. `said`: what and how, in the order shown.
    """

    batch: str
    entry: Mapping[str, Value]
    samples: Mapping[str, str]
    markers: Mapping[str, str]
    said: tuple[tuple[str, str], ...]
    misfits: tuple[Misfit, ...] = ()
    preview: tuple[tuple[str, ...], ...] = ()
    n_samples: int = 0
    n_markers: int = 0


@dataclass
class Saying:
    """Collects what is said while a file is being understood."""

    options: Options
    lines: list[tuple[str, str]] = field(default_factory=list)
    misfits: list[Misfit] = field(default_factory=list)

    def add(self, what: str, text: str) -> None:
        """Say one thing."""
        self.lines.append((what, text))

    def misfit(self, cause: str, found: Sequence[str], remedy: str) -> None:
        """Say what does not fit, where there is any."""
        if found:
            self.misfits.append(Misfit(cause, len(found), tuple(found[:5]), remedy))
