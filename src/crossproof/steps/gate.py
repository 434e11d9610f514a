"""How the run ended: what was set aside or held, and the exit status that follows."""

from __future__ import annotations

import shutil

from crossproof.model.findings import Hold
from crossproof.model.results import FileState
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import write_kept
from crossproof.steps.findings import read_findings
from crossproof.steps.ingest import ingested
from crossproof.text import count_of


def gate(index: SeasonIndex) -> int:
    """Write the outcome and return the exit status of the job.

    The outcome's own status is 0 where all is well, 1 where something was set aside or held, 3 where reading
    a file failed by an internal error. The job fails with 3, and with 1 where the settings ask for it.
    """
    files = ingested(index)
    findings = read_findings(index)
    reasons = []
    for name, outcome in files.items():
        if not outcome.used:
            first, more = outcome.problems[0], len(outcome.problems) - 1
            reasons.append(
                f"Genotype file {name} was set aside: {first.problem}"
                + (f" (and {more} more problems, see results/problems.csv)" if more else "")
            )
    tables = findings.tables
    for plate in sorted(tables.held_plates):
        reasons.append(f"Plate {plate} is held: {tables.plates.get(plate, 'see plates.csv')}")
    for f in findings.found:
        if f.hold is Hold.SAMPLES:
            named = f"{f.name}: {count_of(len(f.samples), 'sample')} in doubt"
            reasons.append(f"{named}. {f.evidence}")
    faulty = any(o.state is FileState.ERROR for o in files.values())
    status = 3 if faulty else 1 if reasons else 0
    kept = {"digest": index.run_digest, "status": status, "reasons": reasons}
    write_kept(index.folder.work("outcome.json"), kept)
    _prune(index)
    for reason in reasons:
        print(reason)
    if status == 1 and not index.config.fail_when_held:
        status = 0
    if status == 0:
        write_kept(index.folder.work("gate.json"), kept)
    return status


def _prune(index: SeasonIndex) -> None:
    """Delete stored calls of files as they were before: they would only be read again."""
    kept = set(index.batches.values())
    for folder in index.folder.calls("x").parent.glob("*"):
        if folder.name not in kept:
            shutil.rmtree(folder, ignore_errors=True)
