"""How the run ended: what was set aside or held, and the exit status that follows."""

from __future__ import annotations

import shutil

from crossproof.runner.terminal import count_of
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import write_json
from crossproof.steps.findings import read_findings
from crossproof.steps.ingest import ingested


def gate(index: SeasonIndex) -> int:
    """Write the outcome; 0 all well, 1 something set aside or held, 3 a fault of ours in reading a file."""
    states = ingested(index)
    findings = read_findings(index)
    reasons = []
    for name, state in states.items():
        if state["state"] != "used":
            first = state["problems"][0]
            more = len(state["problems"]) - 1
            reasons.append(
                f"Genotype file {name} was set aside: {first['problem']}"
                + (f" (and {more} more problems, see results/problems.csv)" if more else "")
            )
    tables = findings.tables
    for plate in sorted(tables.held_plates):
        reasons.append(f"Plate {plate} is held: {tables.plates.get(plate, 'see plates.csv')}")
    for row in findings.rows:
        if row["hold"] == "samples":
            reasons.append(f"{count_of(len(row['samples']), 'sample')} held: {row['evidence']}")
    faulty = any(s["state"] == "error" for s in states.values())
    status = 3 if faulty else 1 if reasons else 0
    outcome = {"digest": index.run_digest, "status": status, "reasons": reasons}
    write_json(index.folder.work("outcome.json"), outcome)
    _prune(index)
    for reason in reasons:
        print(reason)
    if status == 0:
        write_json(index.folder.work("gate.json"), outcome)
    return status


def _prune(index: SeasonIndex) -> None:
    """Delete stored calls of files as they were before: they would only be read again."""
    kept = set(index.batches.values())
    for folder in index.folder.calls("x").parent.glob("*"):
        if folder.name not in kept:
            shutil.rmtree(folder, ignore_errors=True)
