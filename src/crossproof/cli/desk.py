"""The command that opens the desk in a browser."""

from __future__ import annotations

from pathlib import Path

import click

from crossproof.cli.group import example, guarded, main


@main.command(epilog=example("crossproof desk ~/crosses"))
@click.argument(
    "folder", metavar="[FOLDER]", required=False, default=".",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
)  # fmt: skip
@click.option("--port", default=0, type=click.IntRange(0, 65535), help="Port; by default a free one.")
@click.option("--cores", default=2, show_default=True, type=click.IntRange(1), help="Jobs of a run at once.")
@click.option(
    "--idle", default=120.0, show_default=True, type=click.FloatRange(1, 10_000),
    help="Minutes without use after which the desk closes.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@guarded
def desk(folder: Path, port: int, cores: int, idle: float, no_browser: bool) -> int:
    """The whole work in a browser on this machine: the seasons of FOLDER, or one season.

    Answers this machine only, and only the browser that opens the address it prints. Keeps nothing but the
    season folders: the commands and the desk can be used in turn.
    """
    import importlib.util

    missing = [m for m in ("starlette", "uvicorn", "python_multipart") if importlib.util.find_spec(m) is None]
    if missing:
        raise click.ClickException(
            "The desk needs further packages. Install them with: pip install 'crossproof[desk]'"
        )
    from crossproof.desk.serve import serve_desk

    serve_desk(folder, port=port, cores=cores, idle_minutes=idle, browser=not no_browser, say=click.echo)
    return 0
