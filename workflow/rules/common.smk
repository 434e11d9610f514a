# The season, its index, and where things are.
import sys
from pathlib import Path

from snakemake.exceptions import WorkflowError

from crossproof.errors import CrossproofError
from crossproof.season.index import build_index, clear_refusal, index_of_run
from crossproof.runner.support import (
    ending,
    hold_season,
    season_config,
    set_step_command,
)

SEASON = season_config(workflow.configfiles, workflow.basedir)


workdir: str(SEASON.parent)


try:
    # The jobs of a cluster read this file too, and take the index that their run was planned with.
    main = workflow.is_main_process
    INDEX = build_index(SEASON) if main else index_of_run(SEASON.parent)
    if main:
        hold_season(INDEX)
        clear_refusal(INDEX.folder)
except CrossproofError as refused:
    raise WorkflowError(f"The season's inputs cannot be used:\n{refused}") from None

set_step_command(workflow.deployment_settings.deployment_method)

RESULTS = INDEX.result_files()
PLANNED = [
    p
    for p in ("planned.csv", "planned.tsv", "planned.xlsx")
    if (SEASON.parent / p).exists()
]


def work(name):
    return f".crossproof/work/{name}"


def ingested():
    return [work(f"ingest/{bucket}.json") for bucket in sorted(INDEX.batch_buckets())]


def records(*names):
    # Written with the index when the workflow is read, and known by their digests.
    return ancient([f".crossproof/records/{name}.parquet" for name in names])


MARKERS = ["markers"] if INDEX.config.markers_file is not None else []
PANEL = [
    work(f"panel/{name}")
    for name in ("slices.json", "joined", "fit", "located", "typing", "families")
]


def genotypes_of(wildcards):
    # Only the bucket's own files: a job whose list of inputs grew would run again. A name with braces would
    # be taken for a wildcard; such a file is known by the digest of its job alone.
    names = INDEX.batch_buckets().get(int(wildcards.bucket), [])
    paths = {g.batch: str(g.path) for g in INDEX.config.genotypes}
    plain = [paths[n] for n in names if not set("{}") & set(paths[n])]
    return [p for p in plain if (SEASON.parent / p).exists()]


def parts_of(wildcards):
    names = INDEX.batch_buckets().get(int(wildcards.bucket), [])
    return [
        work(f"parts/{INDEX.batches[n]}/{part}.json")
        for n in names
        for part in range(INDEX.parts.get(n, 0))
    ]


def file_in_parts(wildcards):
    paths = {INDEX.batches[g.batch]: str(g.path) for g in INDEX.config.genotypes}
    path = paths[wildcards.digest]
    return [] if set("{}") & set(path) else [path]


def slice_of(kind, bucket):
    checkpoints.panel.get()
    return INDEX.slices()[kind].get(str(bucket), "")


def ingested_of(wildcards):
    # The files of the bucket's own families only: a job whose list of inputs grew would run again.
    checkpoints.panel.get()
    buckets = INDEX.slices()["ingest"].get(str(wildcards.bucket), [])
    return [work(f"ingest/{bucket}.json") for bucket in buckets]


def verified(wildcards):
    checkpoints.panel.get()
    return [
        work(f"verify/{bucket}.npz")
        for bucket in sorted(INDEX.slices()["verify"], key=int)
    ]


def slice_of_season(wildcards):
    # Where wells lie and what was dismissed does not make the panel again, so its digest does not tell.
    return INDEX.steps["plates"] + slice_of("examine", "season")


# What `snakemake --report` shows of the results, and under which heading; captions stand in report/.
CATEGORY = {
    "report": "What to do",
    "worklist": "What to do",
    "labels": "What to do",
    "verdicts": "Tables",
    "crosses": "Tables",
    "operators": "Tables",
    "factors": "Tables",
    "plates": "Checks",
    "problems": "Checks",
    "run": "Checks",
}


def captioned(paths):
    shown = []
    for path in paths:
        name, _, ending = Path(path).name.partition(".")
        if name in CATEGORY and ending != "parquet":
            path = report(
                path, caption=f"../report/{name}.rst", category=CATEGORY[name]
            )
        shown.append(path)
    return shown


def threads_of_examine():
    # Few, so that the job fits on any node; a small season needs no second process.
    return min(16, 1 + len(INDEX.batches) // 50)


def threads_of_report():
    # Page, labels, summary and the sheets of the workbook side by side, where they take longer than another process costs.
    return 1 if len(INDEX.batches) < 50 else 8


def threads_of_tables():
    # The tables side by side; a small season needs no second process.
    return min(8, 1 + len(INDEX.batches) // 50)
