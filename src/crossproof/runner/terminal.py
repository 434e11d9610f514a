"""What the terminal shows. Names of the user are shown as text, never read as markup."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console, RenderableType
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from crossproof import __version__
from crossproof.errors import Problem, Severity
from crossproof.io.records.causes import by_cause, unacknowledged
from crossproof.text import count_of, plain

STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "dim"}
MOST_SHOWN = 60


def show_problems(
    problems: Iterable[Problem], *, all_well: bool = False, console: Console | None = None
) -> int:
    """Print problems by cause, the worst first, and return the exit status they ask for."""
    console = console or Console(stderr=not all_well, highlight=False, soft_wrap=True)
    causes = by_cause(problems)
    counts = {s: sum(c.severity is s for c in causes) for s in Severity}
    for cause in causes[:MOST_SHOWN]:
        line = Text(f"{cause.severity.value:8}", style=STYLES[cause.severity])
        line.append(plain(cause.where()), style="bold")
        if cause.values:
            line.append(f"  found: {plain(cause.found())[:80]}", style="default")
        console.print(line)
        console.print(Text(f"        {plain(cause.first.problem)}"))
        console.print(Text(f"        How to fix it: {plain(cause.first.remedy)}", style="cyan"))
        if all_well and cause.severity is Severity.WARNING:
            console.print(Text(f"        Read and all right? acknowledged: [{cause.code}]", style="dim"))
    if len(causes) > MOST_SHOWN:
        console.print(Text(f"... and {len(causes) - MOST_SHOWN} more; results/problems.csv lists them all."))
    if all_well and not causes:
        console.print(Text("No problems found."))
    elif causes:
        said = [f"{n} {s.value}{'s' if n != 1 else ''}" for s, n in counts.items() if n]
        console.print(Text(", ".join(said) + "."))
    return 2 if counts[Severity.ERROR] else 0


def show_checked(problems: Iterable[Problem], acknowledged: Collection[str], *, as_json: bool) -> int:
    """Print what `check` found, without what the user has acknowledged; returns the exit status."""
    kept, left = unacknowledged(problems, acknowledged)
    if as_json:
        causes = by_cause(kept)
        counts = {s.value: sum(c.severity is s for c in causes) for s in Severity}
        told = {"counts": counts, "acknowledged": left, "causes": [c.plain() for c in causes]}
        print(json.dumps(told, ensure_ascii=False, indent=2))
        return 2 if counts[Severity.ERROR.value] else 0
    status = show_problems(kept, all_well=True)
    if left:
        console = Console(highlight=False, soft_wrap=True)
        verb = "is" if left == 1 else "are"
        console.print(Text(f"{count_of(left, 'warning')} acknowledged in config.yaml {verb} not shown."))
    return status


def show_fault(details: str) -> None:
    """Say plainly that the fault is ours, and what to send."""
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    console.print(
        Text(
            "This is an internal error of crossproof, not a problem with your files. "
            "None of your files was changed."
        )
    )
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
    # A moving line has a thread of its own, and Snakemake's process is forked before there is one.
    with Progress(*columns, console=console, transient=True, auto_refresh=False) as bar:
        task = bar.add_task("planning the work", total=None)
        bar.refresh()

        def move(stage: str, done: int, total: int) -> None:
            if not bar.live.auto_refresh:
                bar.stop()
                bar.live.auto_refresh = True
                bar.start()
            bar.update(task, description=stage, completed=done, total=total or None)

        yield move


def show(what: RenderableType) -> None:
    """Print something renderable."""
    Console(highlight=False).print(what)
