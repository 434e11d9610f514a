"""`python -m crossproof.runner.engine ARGUMENTS`: Snakemake with crossproof's log handler.

The handler is registered here, in the process, through Snakemake's logger plugin interface: nothing needs to
be installed under a name of its own.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from snakemake.cli import main
from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

from crossproof.runner import events


def run(arguments: Sequence[str]) -> None:
    """Run Snakemake's command line; ends with SystemExit as that does."""
    LoggerPluginRegistry().register_plugin(f"snakemake_logger_plugin_{events.PLUGIN}", events)
    main([*arguments, "--logger", events.PLUGIN])


if __name__ == "__main__":
    run(sys.argv[1:])
