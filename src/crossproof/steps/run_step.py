"""Run one step of the workflow and give its exit status."""

from __future__ import annotations

import argparse
import resource
import sys
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from crossproof.errors import CrossproofError, InputError, machine_problem
from crossproof.season.index import index_of_run
from crossproof.season.work_folder import WorkFolder
from crossproof.steps.refusal import write_refusal

STEPS = (
    "part",
    "ingest",
    "panel",
    "drift",
    "verify",
    "examine",
    "verdicts",
    "rates",
    "report",
    "gate",
    "plan",
)


def run(arguments: Sequence[str]) -> int:
    """Run the step named in `arguments` in the current folder; exit status of the contract."""
    parser = argparse.ArgumentParser(prog="python -m crossproof.steps", description=__doc__)
    parser.add_argument("step", choices=STEPS)
    parser.add_argument("--bucket", type=int)
    parser.add_argument("--file", default="", help="digest of a genotype file that is read in parts")
    parser.add_argument("--part", type=int, default=0)
    parser.add_argument("--season", type=Path, default=Path("config.yaml"), help="configuration file")
    given = parser.parse_args(arguments)
    folder = WorkFolder(given.season.absolute().parent)
    started = time.process_time()
    try:
        status = _run(given.step, given.bucket, given.season, (given.file, given.part))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        print(f"{given.step}: {time.process_time() - started:.2f} s of processor time, {peak} MiB at most")
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


def _run(step: str, bucket: int | None, season: Path, part: tuple[str, int]) -> int:
    index = index_of_run(season.absolute().parent)
    # Each step imports what it needs only: a job that reads one file should not wait for a charting library.
    if step == "ingest":
        from crossproof.steps.ingest import ingest

        ingest(index, bucket or 0)
    elif step == "part":
        from crossproof.steps.ingest_parts import ingest_part

        ingest_part(index, *part)
    elif step == "panel":
        from crossproof.steps.panel import panel

        panel(index)
    elif step == "drift":
        from crossproof.steps.calibrate import drift

        drift(index)
    elif step == "verify":
        from crossproof.steps.verify import verify

        verify(index, bucket or 0)
    elif step == "examine":
        from crossproof.steps.examine import examine

        examine(index)
    elif step == "verdicts":
        from crossproof.steps.verdicts import verdicts

        verdicts(index)
    elif step == "rates":
        from crossproof.steps.rates import rates

        rates(index)
    elif step == "report":
        from crossproof.steps.report import report

        report(index)
    elif step == "plan":
        from crossproof.steps.plan import plan

        plan(index)
    else:
        from crossproof.steps.gate import gate

        return gate(index)
    return 0
