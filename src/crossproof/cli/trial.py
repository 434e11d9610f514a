"""Commands of invented seasons: simulate, score."""

from __future__ import annotations

from pathlib import Path

import click

from crossproof.cli.group import FOLDER, example, guarded, main


@main.command(epilog=example("crossproof simulate trial --preset clean60 --seed 7"))
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--preset", default="nursery", show_default=True, help="Kind of season; `list` names them.")
@click.option(
    "--seed", default=1, show_default=True, type=click.IntRange(0), help="Seed of the random numbers."
)
@guarded
def simulate(folder: Path, preset: str, seed: int) -> None:
    """Write an invented season whose truth is known (truth.csv)."""
    from crossproof.simulate import simulate_folder

    click.echo(simulate_folder(folder, preset=preset, seed=seed))


@main.command(epilog=example("crossproof score trial trial/truth.csv"))
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.argument("truth", metavar="TRUTH", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@guarded
def score(folder: Path, truth: Path) -> None:
    """Compare the verdicts of DIR with known truth: a CSV with sample_id and truth."""
    from crossproof.score import score_folder

    click.echo(score_folder(folder, truth))
