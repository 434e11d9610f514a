"""What the terminal shows. Names of the user are shown as text, never read as markup."""

from __future__ import annotations

import os
import platform
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console, RenderableType
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from crossproof import __version__
from crossproof.errors import Problem, Severity

if TYPE_CHECKING:
    from crossproof.runner.workflow import RunOutcome

STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "dim"}
MOST_SHOWN = 60


def plain(text: object) -> str:
    """Text without control or direction-changing characters."""
    return "".join(
        c
        if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp")
        else f"<U+{ord(c):04X}>"
        for c in str(text)
    )


def count_of(number: int, one: str, many: str = "") -> str:
    """A number and its noun: 1 plant, 2 plants."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def show_problems(
    problems: Iterable[Problem], *, all_well: bool = False, console: Console | None = None
) -> int:
    """Print problems by file, errors first, and return the exit status they ask for."""
    console = console or Console(stderr=not all_well, highlight=False, soft_wrap=True)
    problems = list(problems)
    counts = {s: sum(p.severity is s for p in problems) for s in Severity}
    for p in problems[:MOST_SHOWN]:
        where = plain(p.file) + (f", row {p.row}" if p.row is not None else "")
        where += f", column {plain(p.column)}" if p.column else ""
        line = Text(f"{p.severity.value:8}", style=STYLES[p.severity])
        line.append(where, style="bold")
        if p.value:
            line.append(f"  found: {plain(p.value)[:80]}", style="default")
        console.print(line)
        console.print(Text(f"        {plain(p.problem)}"))
        console.print(Text(f"        To mend it: {plain(p.remedy)}", style="cyan"))
    if len(problems) > MOST_SHOWN:
        console.print(
            Text(f"... and {len(problems) - MOST_SHOWN} more; results/problems.csv lists them all.")
        )
    if all_well and not problems:
        console.print(Text("No problems found."))
    elif problems:
        said = [f"{n} {s.value}{'s' if n != 1 else ''}" for s, n in counts.items() if n]
        console.print(Text(", ".join(said) + "."))
    return 2 if counts[Severity.ERROR] else 0


def show_fault(details: str) -> None:
    """Say plainly that the fault is ours, and what to send."""
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    console.print(Text("This is a fault of crossproof, not of your files. Nothing of yours was changed."))
    console.print(Text(f"crossproof {__version__}, Python {platform.python_version()}, {platform.system()}"))
    console.print(Text(plain(details)))


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None]]:
    """A progress line on a real terminal, one plain line per stage elsewhere."""
    console = Console(stderr=True, highlight=False)
    if not console.is_terminal or os.environ.get("TERM") == "dumb":
        seen: set[str] = set()

        def say(stage: str, done: int, total: int) -> None:
            if stage not in seen:
                seen.add(stage)
                console.print(Text(f"{stage} ..."))

        yield say
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("planning the work", total=None)
        yield lambda stage, done, total: bar.update(
            task, description=stage, completed=done, total=total or None
        )


def show(what: RenderableType) -> None:
    """Print something renderable."""
    Console(highlight=False).print(what)


def show_outcome(folder: Path, outcome: RunOutcome) -> None:
    """The summary of a finished run, or the end of the log of one that stopped."""
    from crossproof.runner.summary import season_summary

    console = Console(highlight=False, soft_wrap=True)
    results = (folder.parent if folder.is_file() else folder) / "results"
    if outcome.status == 3:
        show_log_end(outcome)
        return
    console.print(season_summary(results))
    for reason in outcome.reasons:
        console.print(Text("! " + plain(reason), style="yellow"))
    console.print(Text(f"Done in {outcome.seconds:.1f} s."))
    console.print(Text(f"Report: {(results / 'report.html').resolve()}"))


def show_plan(folder: Path, outcome: RunOutcome) -> None:
    """Where the plan is, or why there is none."""
    console = Console(highlight=False, soft_wrap=True)
    results = (folder.parent if folder.is_file() else folder) / "results"
    if outcome.status == 3:
        show_log_end(outcome)
        return
    console.print(Text(f"Done in {outcome.seconds:.1f} s."))
    console.print(Text(f"Plan: {(results / 'plan' / 'plan.html').resolve()}"))


def show_log_end(outcome: RunOutcome) -> None:
    """The end of the workflow's log, for a run that stopped."""
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    for line in outcome.tail:
        console.print(Text(plain(line), style="dim"))
    for reason in outcome.reasons:
        console.print(Text(plain(reason), style="bold red"))
    console.print(
        Text(f"The whole log: {outcome.log}. Run the same command again to go on where it stopped.")
    )
