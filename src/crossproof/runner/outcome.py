"""How a run or a plan ended, shown in the terminal."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.text import Text

from crossproof.model.results import Provable
from crossproof.runner.summary import season_summary
from crossproof.runner.workflow import RunOutcome
from crossproof.text import count_of, plain

_NAMED = 5


def show_outcome(folder: Path, outcome: RunOutcome) -> None:
    """The summary of a finished run, or the end of the log of one that stopped."""
    _show(folder, outcome, "Report", "report.html", season_summary)


def show_plan(folder: Path, outcome: RunOutcome) -> None:
    """Where the plan is, or why there is none, and which crosses wait."""
    _show(folder, outcome, "Plan", "plan/plan.html", _waiting)


def _waiting(results: Path) -> Text:
    """The planned crosses that wait for a parent to be typed; empty where none does."""
    table = results / "plan" / "plan_crosses.csv"
    if not table.is_file():
        return Text("")
    with table.open(encoding="utf-8", newline="") as handle:
        rows = [r for r in csv.DictReader(handle) if r["verifiable"] == Provable.UNTYPED]
    if not rows:
        return Text("")
    named = ", ".join(plain(f"{r['cross_id']} ({r['mother']} x {r['father']})") for r in rows[:_NAMED])
    more = f" and {len(rows) - _NAMED} more" if len(rows) > _NAMED else ""
    said = f"{count_of(len(rows), 'cross waits', 'crosses wait')} for a parent to be typed: {named}{more}."
    return Text(said, style="yellow")


def _show(
    folder: Path, outcome: RunOutcome, what: str, page: str, summary: Callable[[Path], object] | None = None
) -> None:
    if outcome.status == 3:
        show_log_end(outcome)
        return
    console = Console(highlight=False, soft_wrap=True)
    results = (folder.parent if folder.is_file() else folder) / "results"
    if summary is not None and (said := summary(results)):
        console.print(said)
    for reason in outcome.reasons:
        console.print(Text("! " + plain(reason), style="yellow"))
    console.print(Text(f"Done in {outcome.seconds:.1f} s."))
    console.print(Text(f"{what}: {(results / page).resolve()}"))


def show_log_end(outcome: RunOutcome) -> None:
    """The end of the workflow's log, for a run that stopped."""
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    for line in outcome.tail:
        console.print(Text(plain(line), style="dim"))
    for reason in outcome.reasons:
        console.print(Text(plain(reason), style="bold red"))
    console.print(
        Text(f"The whole log: {outcome.log}. Run the same command again to continue where it stopped.")
    )
