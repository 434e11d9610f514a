"""Run one step of the workflow and give its exit status."""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import time
import traceback
from collections.abc import Sequence
from enum import StrEnum
from importlib import import_module
from pathlib import Path

from crossproof.errors import CrossproofError, InputError, machine_problem
from crossproof.season.index import index_of_run
from crossproof.season.processes import keep_memory
from crossproof.season.work_folder import WorkFolder
from crossproof.steps.refusal import write_refusal


class Rule(StrEnum):
    """Rules of the workflow: each is a module of this package that holds a function of the same name."""

    PART = "part"
    INGEST = "ingest"
    PANEL = "panel"
    DRIFT = "drift"
    VERIFY = "verify"
    EXAMINE = "examine"
    VERDICTS = "verdicts"
    RATES = "rates"
    REPORT = "report"
    GATE = "gate"
    PLAN = "plan"


ARGUMENTS = {
    Rule.PART: ("file", "part"),
    Rule.INGEST: ("bucket",),
    Rule.PANEL: ("threads",),
    Rule.VERIFY: ("bucket",),
    Rule.EXAMINE: ("threads",),
    Rule.VERDICTS: ("threads",),
    Rule.RATES: ("threads",),
    Rule.REPORT: ("threads",),
}
"""What a rule's function takes after the season's index."""
JUDGING = frozenset({Rule.PANEL, Rule.VERIFY})
"""Rules that judge families."""


def run(arguments: Sequence[str]) -> int:
    """Run the step named in `arguments` in the current folder; exit status of the contract."""
    parser = argparse.ArgumentParser(prog="python -m crossproof.steps", description=__doc__)
    parser.add_argument("step", type=Rule, choices=list(Rule))
    parser.add_argument("--bucket", type=int, default=0)
    parser.add_argument("--file", default="", help="digest of a genotype file that is read in parts")
    parser.add_argument("--part", type=int, default=0)
    parser.add_argument("--threads", type=int, default=1, help="processes that the job may use")
    parser.add_argument("--season", type=Path, default=Path("config.yaml"), help="configuration file")
    given = parser.parse_args(arguments)
    folder = WorkFolder(given.season.absolute().parent)
    keep_memory()
    # What a job makes it needs to its end: looking through all of it for rubbish is a tenth of a large one.
    gc.set_threshold(100_000, 50, 1000)
    started = time.process_time()
    try:
        status = _run(given.step, given)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        helpers = resource.getrusage(resource.RUSAGE_CHILDREN)
        shared = helpers.ru_utime + helpers.ru_stime
        apart = f"; {shared:.2f} s of it by {max(given.threads, 1)} processes" if shared >= 0.005 else ""
        total = time.process_time() - started + shared
        print(f"{given.step}: {total:.2f} s of processor time, {peak} MiB at most{apart}")
        return status
    except InputError as refused:
        print(refused, file=sys.stderr)
        write_refusal(folder, refused.problems)
        return refused.exit_status
    except CrossproofError as known:
        print(known, file=sys.stderr)
        return known.exit_status
    except Exception as fault:
        problem = machine_problem(fault) if isinstance(fault, OSError) else None
        print(problem.sentence() if problem else traceback.format_exc(), file=sys.stderr)
        return 3


def _run(rule: Rule, given: argparse.Namespace) -> int:
    """Call a rule's function; what it returns is the exit status, None for 0."""
    index = index_of_run(given.season.absolute().parent)
    # Only this rule's module: a job that reads one file should not wait for a charting library.
    step = getattr(import_module(f"crossproof.steps.{rule}"), rule.value)
    status: int | None = step(index, *(getattr(given, name) for name in ARGUMENTS.get(rule, ())))
    return status or 0
