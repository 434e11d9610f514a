"""Receiving a file at the terminal: questions asked, and what was understood shown."""

from __future__ import annotations

import shlex
import sys
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.text import Text

from crossproof.errors import InputError, PlateError
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.receive import Receipt, receive
from crossproof.text import count_of, plain

MOST_QUESTIONS = 8


def receive_asking(folder: Path, file: Path, options: Options, *, dry_run: bool) -> Receipt:
    """Receive a file; at a terminal what is unclear is asked. Raises InputError otherwise."""
    for _ in range(MOST_QUESTIONS):
        try:
            return receive(folder, file, options, dry_run=dry_run)
        except Unclear as question:
            if not (sys.stdin.isatty() and sys.stderr.isatty()):
                raise
            answered = _ask(question, options)
            if answered is None:
                raise
            options = answered
        except PlateError as refused:
            raise InputError(refused.problems) from refused
    return receive(folder, file, options, dry_run=dry_run)


def _ask(question: Unclear, options: Options) -> Options | None:
    """The options with an answer; None where this is no question that one line can answer."""
    name = question.option.removeprefix("--").replace("-", "_")
    if not question.choices or name not in {f.name for f in fields(Options)}:
        return None
    problem = question.problems[0]
    click.echo(plain(problem.problem), err=True)
    click.echo(plain(problem.remedy), err=True)
    for number, choice in enumerate(question.choices, 1):
        click.echo(f"  {number}  {plain(choice)}", err=True)
    picked = click.prompt(
        "Number (0 to stop)", type=click.IntRange(0, len(question.choices)), default=0, err=True
    )
    answer: dict[str, Any] = {name: question.choices[picked - 1]}
    return replace(options, **answer) if picked else None


def show_receipt(folder: Path, file: Path, receipt: Receipt, *, dry_run: bool) -> None:
    """Print what was understood, what does not fit, and what comes next."""
    console = Console(highlight=False, soft_wrap=True)
    told = receipt.understood
    console.print(Text(f"{plain(file.name)}: batch {plain(told.batch)}", style="bold"))
    for what, text in told.said:
        line = Text(f"  {what:<13}", style="cyan")
        line.append(plain(text), style="default")
        console.print(line)
    if told.preview:
        widths = [max(len(r[i]) for r in told.preview) for i in range(len(told.preview[0]))]
        for row in told.preview:
            cells = "  ".join(plain(c)[:16].ljust(min(w, 16)) for c, w in zip(row, widths, strict=True))
            console.print(Text(f"      {cells}".rstrip(), style="dim"))
    for misfit in told.misfits:
        console.print(Text(f"! {plain(misfit.sentence())}", style="yellow"))
    console.print(Text(f"  entry        - {plain(receipt.line)}"))
    where = shlex.quote(str(folder))
    if dry_run:
        console.print(Text("Nothing was written (--dry-run)."))
        return
    root = folder.parent if folder.is_file() else folder
    names = ", ".join(plain(_shown(p, root)) for p in receipt.written)
    console.print(Text(f"Written: {names} ({count_of(told.n_samples, 'sample')})."))
    console.print(Text(f"Next: crossproof check {where}"))


def _shown(path: Path, root: Path) -> str:
    try:
        return path.relative_to(root).as_posix()
    except ValueError:
        return str(path)
