"""`python -m crossproof.runner.engine ARGUMENTS`: Snakemake with crossproof's log handler.

The handler is registered here, in the process, through Snakemake's logger plugin interface: nothing needs to
be installed under a name of its own.

Where the environment says where jobs are asked for, the process that runs them (`warm.py`) is forked from
this one, before Snakemake is loaded: what both need is loaded once.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

from crossproof.runner import events
from crossproof.runner.ask import SOCKET
from crossproof.runner.events import EVENTS_TO
from crossproof.runner.warm import serve
from crossproof.season.processes import end_with_parent

IDLE_SECONDS = 0.5
"""What the process that runs the jobs is given to end by itself."""


def run(arguments: Sequence[str]) -> None:
    """Run Snakemake's command line; ends with SystemExit as that does."""
    gc.disable()  # what is loaded stays
    here = SOCKET in os.environ
    with warm_process():
        from snakemake.cli import args_to_api, parse_args
        from snakemake.exceptions import print_exception
        from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

        gc.freeze()
        gc.enable()
        LoggerPluginRegistry().register_plugin(f"snakemake_logger_plugin_{events.PLUGIN}", events)
        # As `snakemake.cli.main`, but for one setting.
        try:
            parser, given = parse_args([*arguments, "--logger", events.PLUGIN])
            if here:
                # A limit on jobs started in a second, meant for clusters. To keep it, Snakemake looks at all
                # jobs again a second after each time it did, so more and more often, and cannot end sooner.
                given.max_jobs_per_timespan = None
            done = args_to_api(given, parser)
        except Exception as fault:
            print_exception(fault)
            done = False
        sys.exit(0 if done else 1)


@contextmanager
def warm_process() -> Iterator[None]:
    """The process that runs the jobs of a local run, for as long as Snakemake works."""
    where = os.environ.get(SOCKET)
    if where is None:
        yield
        return
    import crossproof.runner.support  # noqa: F401 - what the Snakefile and the jobs both need

    waiting, going_on = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(going_on)
        _serve(Path(where), waiting)
    os.close(waiting)
    try:
        yield
    finally:
        os.close(going_on)
        patience = time.monotonic() + IDLE_SECONDS
        while os.waitpid(process, os.WNOHANG) == (0, 0):
            if time.monotonic() > patience:
                # Still loading its libraries for jobs that there were none of, or one is hard to stop.
                os.kill(process, signal.SIGTERM)
                os.waitpid(process, 0)
                break
            time.sleep(0.005)


def _serve(where: Path, until_closed: int) -> NoReturn:
    """Be the process that runs the jobs until the handle `until_closed` is at its end."""
    status = 1
    try:
        # A session of its own: what stops Snakemake's group stops its jobs by their callers.
        os.setsid()
        end_with_parent()
        os.dup2(until_closed, sys.stdin.fileno())
        # Whoever reads the events waits for the last holder of this handle.
        if EVENTS_TO in os.environ:
            os.close(int(os.environ.pop(EVENTS_TO)))
        serve(where)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


if __name__ == "__main__":
    run(sys.argv[1:])
