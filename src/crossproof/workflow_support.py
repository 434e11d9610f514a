"""What the Snakefile needs to find itself and its season."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any


def workflow_folder() -> Path:
    """The folder of the workflow: inside the installed package, or beside `src` in a clone."""
    packaged = Path(__file__).parent / "workflow"
    return packaged if packaged.exists() else Path(__file__).parents[2] / "workflow"


def season_config(config: Mapping[str, Any], configfiles: Sequence[str | Path], basedir: str | Path) -> Path:
    """Absolute path of the season's configuration file.

    The last file given with --configfile; without one the demo season beside the workflow, so that
    `snakemake --lint` and `snakemake -n` have something to look at.
    """
    if configfiles:
        return Path(configfiles[-1]).resolve()
    demo = Path(basedir).resolve()
    for parent in (demo, *demo.parents):
        candidate = parent / "demo_genotypes" / "config.yaml"
        if candidate.exists():
            return candidate
    raise FileNotFoundError("No season: give one with --configfile SEASON/config.yaml")
