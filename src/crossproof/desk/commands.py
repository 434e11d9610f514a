"""Commands that the desk has carried out for what is printed: the same that a terminal would run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace

MOST_SECONDS = 300.0
_OF_THE_TERMINAL = ("Next:", "Then:", "  crosses: ")
"""Starts of lines that say what to do in a terminal; the pages say what comes next."""
TICKED = "field/ticked.csv"
"""Where ticks of a phone are kept, as a list that `crossproof done` reads."""


class Kind(StrEnum):
    """How a choice is asked for."""

    NUMBER = "number"
    TEXT = "text"
    CHOICE = "choice"
    YES = "yes"


@dataclass(frozen=True)
class Choice:
    """One option of a command, as a form asks for it."""

    option: str
    label: str
    kind: Kind
    values: tuple[tuple[str, str], ...] = ()
    low: int = 0
    high: int = 100_000
    length: int = 80

    @property
    def name(self) -> str:
        """Its name in the form."""
        return self.option.removeprefix("--").replace("-", "_")

    def allows(self, text: str) -> bool:
        """Whether the command may be given this."""
        if self.kind is Kind.CHOICE:
            return text in dict(self.values)
        if self.kind is Kind.NUMBER:
            return text.isascii() and text.isdigit() and self.low <= int(text[:9]) <= self.high
        return len(text) <= self.length


@dataclass(frozen=True)
class Command:
    """A command of crossproof that makes something to print or compares a list."""

    name: str
    title: str
    told: str
    button: str
    choices: tuple[Choice, ...] = ()
    arguments: tuple[str, ...] = ()


_SHEETS = (("a4", "A4"), ("letter", "Letter"))
_PAPER = Choice("--paper", "Paper", Kind.CHOICE, (*_SHEETS, ("roll", "Roll of labels")))
_PAGES = Choice("--paper", "Paper", Kind.CHOICE, _SHEETS)
_SIZE = Choice("--size", "Width x height of a label in mm (empty: the usual size)", Kind.TEXT, length=12)

COMMANDS = (
    Command(
        "tags", "Tags",
        "A tag with a code for every planned cross that has none yet (the sheet planned.csv).",
        "Make the tags",
        (
            Choice("--empty", "Instead: so many tags without parents", Kind.NUMBER, low=1, high=5000),
            Choice("--flowers-per-tag", "Flowers on one tag (empty: one tag for each cross)", Kind.NUMBER),
            Choice("--note", "A line of your own on every tag, such as a biosafety mark", Kind.TEXT),
            _PAPER, _SIZE,
        ),
    ),
    Command(
        "book", "Crossing book",
        "Pages to carry in walking order, and a workbook to fill in. Send the filled workbook in place of "
        "the crosses on the page Sheets.",
        "Make the book",
        (_PAGES,),
    ),
    Command(
        "sample", "Seeds to sow, plates, tray labels",
        "Which seeds to sow and which plants to sample next, with plate maps, tray labels and the sheet of "
        "wells filled in. Keep remnant seed of everything that cannot be made again.",
        "Choose seeds and fill plates",
        (
            Choice("--house", "Where the trays stand", Kind.TEXT),
            Choice("--pots", "Pots or cells of a tray (empty: 50)", Kind.NUMBER, low=1, high=1000),
            Choice("--keep-back", "Seeds of every cross that are never sown", Kind.NUMBER),
            Choice("--at-once", "Sow at once all seeds that may be needed", Kind.YES),
            _PAPER, _SIZE,
        ),
    ),
    Command(
        "labels", "Labels of kept plants",
        "For other paper than A4, or one house alone. A run makes them for A4 by itself.",
        "Make the labels",
        (Choice("--place", "Only plants in this place (empty: all)", Kind.TEXT), _PAPER, _SIZE),
    ),
    Command(
        "done", "What was ticked at the bench",
        "Compares what was ticked on a phone with what was decided.",
        "Compare", arguments=(TICKED,),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Carried:
    """What a command said, and how it ended."""

    command: Command
    status: int
    said: tuple[str, ...]


def commands_for(place: SeasonPlace) -> tuple[Command, ...]:
    """The commands that the season has something for."""
    return tuple(c for c in COMMANDS if all((place.path / a).is_file() for a in c.arguments))


def command_named(place: SeasonPlace, name: str) -> Command:
    """The command of this name; raises Refused."""
    for command in commands_for(place):
        if command.name == name:
            return command
    raise Refused(404, "There is no such command.", "Choose one on the page Field and print.")


def words_of(command: Command, given: Sequence[tuple[str, str]]) -> list[str]:
    """The options of a command from the fields of its form; raises Refused for what no field allows."""
    fields = dict(given)
    words: list[str] = []
    for choice in command.choices:
        text = " ".join(fields.get(choice.name, "").split())
        if not text:
            continue
        if choice.kind is Kind.YES:
            words.append(choice.option)
            continue
        if not choice.allows(text):
            raise Refused(
                422, f"{choice.label}: {text[:40]!r} will not do.", "Go back and choose another value."
            )
        words.append(f"{choice.option}={text}")
    return words


def carry_out(place: SeasonPlace, command: Command, words: Sequence[str]) -> Carried:
    """Run a command on a season to its end. Words are passed one by one: no shell reads them."""
    arguments = [str(place.path / a) for a in command.arguments]
    done = subprocess.run(
        [sys.executable, "-m", "crossproof.cli", command.name, *words, "--", str(place.path), *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=MOST_SECONDS,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "200", "TERM": "dumb"},
    )
    lines = done.stdout.decode("utf-8", "replace").replace(f"{place.path}{os.sep}", "").splitlines()
    said = [line for line in lines if line.strip() and not line.startswith(_OF_THE_TERMINAL)]
    return Carried(command, done.returncode, tuple(said[-60:]))


def printed(place: SeasonPlace) -> dict[str, Path]:
    """What lies in the season's folder field/, by its name there."""
    root = place.path / "field"
    found = {}
    if root.is_dir() and not root.is_symlink():
        for path in sorted(root.iterdir(), key=lambda p: p.stat().st_mtime, reverse=True):
            if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
                found[path.name] = path
    return found
