"""How a run or a plan ended, shown in the terminal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.text import Text

from crossproof.runner.summary import season_summary
from crossproof.runner.workflow import RunOutcome
from crossproof.text import plain


def show_outcome(folder: Path, outcome: RunOutcome) -> None:
    """The summary of a finished run, or the end of the log of one that stopped."""
    _show(folder, outcome, "Report", "report.html", season_summary)


def show_plan(folder: Path, outcome: RunOutcome) -> None:
    """Where the plan is, or why there is none."""
    _show(folder, outcome, "Plan", "plan/plan.html")


def _show(
    folder: Path, outcome: RunOutcome, what: str, page: str, summary: Callable[[Path], object] | None = None
) -> None:
    if outcome.status == 3:
        show_log_end(outcome)
        return
    console = Console(highlight=False, soft_wrap=True)
    results = (folder.parent if folder.is_file() else folder) / "results"
    if summary is not None:
        console.print(summary(results))
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
