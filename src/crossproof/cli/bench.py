"""Commands of the bench: sample, labels, done."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from crossproof.cli.group import FOLDER, example, guarded, main


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
@click.option("--house", default="", help="Where the trays stand; the first word of the new places.")
@click.option(
    "--paper", default="a4", show_default=True, type=click.Choice(["a4", "letter", "roll"]),
    help="What the tray labels are printed on.",
)  # fmt: skip
@click.option("--size", default="60x25", show_default=True, help="Width and height of a tray label in mm.")
@guarded
def sample(folder: Path, paper: str, size: str, **said: Any) -> None:
    """Seeds to sow and plants to sample next: plate maps, tray labels and the samples sheet, filled in.

    Where it saves tests, few seeds of a cross are sown first; after a run the same command goes on where more
    are needed. Nothing that is there is written over.
    """
    from crossproof.field.sheets import Paper, read_size
    from crossproof.steps.sample import SampleOptions, sample_season
    from crossproof.text import count_of, plain

    made = sample_season(folder, SampleOptions(paper=Paper(paper), label=read_size(size), **said))
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
