"""Commands of the bench: sample, labels, done."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from crossproof.cli.field import PAPER, SHEET
from crossproof.cli.group import FOLDER, LIST_FILE, example, guarded, main


@main.command(epilog=example("crossproof sample nursery_2027 --house 'house 1'"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--at-once", is_flag=True, help="Sow at once all seeds that may be needed, in one round.")
@click.option(
    "--keep-back", default=0, show_default=True, type=click.IntRange(0),
    help="Seeds of every cross that are never sown.",
)  # fmt: skip
@click.option(
    "--pots", default=50, show_default=True, type=click.IntRange(1, 1000), help="Pots or cells of a tray."
)
@click.option("--house", default="", help="Where the trays stand; new places begin with this.")
@click.option("--size", default="60x25", show_default=True, help="Width x height of a tray label, in mm.")
@PAPER
@SHEET[1]
@SHEET[2]
@guarded
def sample(folder: Path, paper: str, size: str, margin: float, gap: float, **said: Any) -> None:
    """Seeds to sow and plants to sample next: plate maps, tray labels and the samples sheet, filled in.

    Where it saves tests, few seeds of a cross are sown first; after a run the same command
    continues where more are needed. Nothing that is there is written over.
    """
    from crossproof.field.sheets import Paper, read_size, sheet_of
    from crossproof.steps.sample import SampleOptions, sample_season
    from crossproof.text import count_of, plain

    sheet = sheet_of(Paper(paper), read_size(size), margin=margin, gap=gap)
    made = sample_season(folder, SampleOptions(sheet=sheet, **said))
    new = sum(p.new for p in made.plan.plants)
    again = len(made.plan.plants) - new
    if made.files:
        plates = count_of(len(made.plan.plates), "plate")
        click.echo(
            f"{count_of(new, 'seed')} to sow, {count_of(again, 'plant')} to sample again, on {plates}."
        )
    else:
        click.echo("Nothing to sow or to sample now.")
    for note in made.notes:
        click.echo(plain(note))
    for file in made.files:
        click.echo(f"Written: {file}")
    if made.files:
        click.echo("Keep remnant seed of everything that cannot be made again.")
        click.echo(f"Next: crossproof receive {shlex.quote(str(folder))} FILE")


@main.command(epilog=example("crossproof labels nursery_2027 --paper roll --size 70x30"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--place", default="", help="Only plants whose place begins with this, such as 'house 1'.")
@click.option("--size", default="63x36", show_default=True, help="Width x height of a label, in mm.")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), help="Default: DIR/field/kept_labels.html."
)
@PAPER
@SHEET[1]
@SHEET[2]
@guarded
def labels(
    folder: Path, place: str, size: str, out: Path | None, paper: str, margin: float, gap: float
) -> None:
    """Print labels of the plants to keep: place, cross, pod, season and QR code.

    A run writes them for A4 in results/labels.html; this command prints other sizes, or one house alone.
    """
    from crossproof.field.sheets import Paper, read_size, sheet_of
    from crossproof.steps.kept_labels import print_labels
    from crossproof.text import count_of

    sheet = sheet_of(Paper(paper), read_size(size), margin=margin, gap=gap)
    made = print_labels(folder, sheet, place, out)
    without = f", {made.without_code} without a code" if made.without_code else ""
    click.echo(f"{made.path}: {count_of(made.count, 'label')}{without}. Print at 100 % scale.")


@main.command(epilog=example("crossproof done nursery_2027 scanned.csv"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("lists", metavar="LIST ...", nargs=-1, required=True, type=LIST_FILE)
@guarded
def done(folder: Path, lists: tuple[Path, ...]) -> int:
    """Compare what was done at the bench, as scanned, with what was decided; writes results/done.csv.

    A LIST has the columns plant (the code as scanned, or the name) and action (keep, cull, sample, gone), and
    place where it was noted; the sheet Scan of worklist.xlsx is such a list. Several lists are read as one.
    Exit status 1 where something is left to do or was done wrongly.
    """
    from crossproof.runner.terminal import show_problems
    from crossproof.steps.done import compare_lists, summary

    made = compare_lists(folder, lists)
    show_problems(made.warnings)
    said, status = summary(made.table)
    for sentence in said:
        click.echo(sentence)
    click.echo(f"Every plant: {made.path}")
    return status
