"""The page, the worklist, the labels, and run.json."""

from __future__ import annotations

import datetime as dt
import platform
import shlex
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import partial
from importlib.metadata import version
from typing import Any

import pandas as pd

from crossproof import METHOD_VERSION, __version__
from crossproof.errors import InputError, Problem, Severity
from crossproof.exchange.miappe import miappe_block
from crossproof.field.codes import code_of_plant
from crossproof.io.files.atomic import write_bytes, write_json
from crossproof.io.records.causes import by_cause, unacknowledged
from crossproof.io.results.reading import read_table
from crossproof.io.results.tables import read_parquet
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import CODES, ReportInputs
from crossproof.report.draw.html import render
from crossproof.season.code_season import code_season
from crossproof.season.index import RESULT_FILES, SeasonIndex, read_record
from crossproof.season.plant_calls import plant_calls
from crossproof.season.processes import forked_map
from crossproof.season.work_folder import read_json, read_kept
from crossproof.steps.findings import read_findings
from crossproof.steps.ingest import ingested

LIBRARIES = ("numpy", "pandas", "scipy", "scikit-allel", "snakemake", "cyvcf2")
MOST_MARKERS = 500
"""Markers per plant that the page carries; `crossproof explain` shows all."""


def report(index: SeasonIndex, threads: int = 1) -> None:
    """Write report.html, summary.html, worklist.xlsx, labels.html and run.json, by so many processes."""
    from crossproof.field.kept_labels import build_labels, kept_labels_page
    from crossproof.report.draw.summary_page import summary_page
    from crossproof.report.draw.xlsx import worklist_bytes

    run = run_record(index)
    inputs = report_inputs(index, run)
    content = build_content(inputs, lambda said: print(said, flush=True))
    season = inputs.code_season
    drawn: dict[str, Callable[[], bytes]] = {
        # Calls of all plants, which only the page shows, are read by the process that draws it.
        "report.html": lambda: render(
            replace(content, inputs=replace(inputs, calls=plant_calls(index, None, MOST_MARKERS)))
        ).encode("utf-8"),
        "worklist.xlsx": lambda: worklist_bytes(content, partial(forked_map, processes=threads // 2)),
        "labels.html": lambda: kept_labels_page(
            build_labels(inputs, season),
            title=content.title,
            season=season or content.season,
            digest=content.digest,
        ).encode("utf-8"),
        "summary.html": lambda: summary_page(inputs, index.run_digest).encode("utf-8"),
    }
    names = list(drawn)
    files = forked_map(lambda name: drawn[name](), names, threads)
    for name, data in zip(names, files, strict=True):
        write_bytes(index.folder.results / name, data)
    write_json(index.folder.results / "run.json", run)


def run_record(index: SeasonIndex) -> dict[str, Any]:
    """Versions, configuration, digests of every input, counts and time of a run."""
    verdicts = read_parquet(index.folder.results / "verdicts.parquet", columns=["verdict", "decision"])
    return {
        "crossproof": __version__,
        "method_version": METHOD_VERSION,
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
        "finished": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "run_digest": index.run_digest,
        "configuration": index.config.to_dict(),
        "inputs_sha256": dict(sorted(index.inputs.items())),
        "corrections_applied": list(index.corrections),
        "genotype_files": {name: outcome.record() for name, outcome in ingested(index).items()},
        "counts": {
            "plants": len(verdicts),
            "verdicts": verdicts["verdict"].value_counts().sort_index().to_dict(),
            "decisions": verdicts["decision"].value_counts().sort_index().to_dict(),
        },
        "calibration_drift": read_kept(index.folder.work("drift.json")),
        "miappe": miappe_block(
            read_record(index.folder, "crosses"),
            read_record(index.folder, "samples"),
            title=" ".join(t for t in (index.config.crop, index.config.season) if t),
        ),
    }


def report_inputs(index: SeasonIndex, run: Mapping[str, Any]) -> ReportInputs:
    """All result tables for the report, without the calls of plants."""
    frames = {}
    for rule in ("verdicts", "rates"):
        for name in RESULT_FILES[rule]:
            path = index.folder.results / name
            if name.endswith(".csv") and path.exists():
                frames[name.removesuffix(".csv")] = read_table(path)
    if "problems" in frames:
        frames["problems"] = told_by_cause(frames["problems"], index.config.acknowledged)
    frames["verdicts"] = joined_to_records(frames["verdicts"], read_record(index.folder, "crosses"))
    season = code_season(index.config)
    if season:
        verdicts = frames["verdicts"]
        keys = zip(verdicts["cross_id"], verdicts["plant"], strict=True)
        verdicts[CODES] = [code_of_plant(season, c, p).text if c and p else "" for c, p in keys]
    known = ReportInputs.__dataclass_fields__
    return ReportInputs(
        **{name: frame for name, frame in frames.items() if name in known},
        config=index.config.to_dict(),
        run=run,
        findings=read_findings(index).found,
        corrections=index.corrections,
        code_season=season,
    )


def told_by_cause(frame: pd.DataFrame, acknowledged: Collection[str]) -> pd.DataFrame:
    """Problems for the report: one row per cause, without the warnings that the user has acknowledged."""
    problems = [
        Problem(Severity(s), f, int(float(r)) if r else None, c, v, p, m)
        for s, f, r, c, v, p, m in frame.itertuples(index=False)
    ]
    rows = []
    for cause in by_cause(unacknowledged(problems, acknowledged)[0]):
        first, n = cause.first, len(cause.problems)
        alike = len({p.problem for p in cause.problems}) == 1
        more = "" if n == 1 else f" ({n} rows have this.)" if alike else f" ({n - 1} more like this.)"
        row = "" if first.row is None else str(first.row)
        columns = ", ".join(cause.columns[:5])
        rows.append(
            [
                first.severity.value,
                first.file,
                row,
                columns,
                cause.found(),
                first.problem + more,
                first.remedy,
            ]
        )
    return pd.DataFrame(rows, columns=frame.columns, dtype=str)


def joined_to_records(verdicts: pd.DataFrame, crosses: pd.DataFrame) -> pd.DataFrame:
    """Verdicts with the date and operator of their cross."""
    extra = crosses[["cross_id", "date", "operator"]]
    kept = [c for c in verdicts.columns if c not in ("date", "operator")]
    return verdicts[kept].merge(extra, on="cross_id", how="left")


def explain_season_thing(index: SeasonIndex, name: str) -> Any:
    """What `crossproof explain` prints for a plant, sample, cross, line, plate or well."""
    from crossproof.report.content.explain import explain_plant
    from crossproof.report.content.explain_thing import ThingKind, explain_thing, find_thing

    season = index.folder.season
    if not (index.folder.results / "verdicts.csv").exists():
        raise InputError.at(
            "results/verdicts.csv",
            "There are no verdicts yet.",
            f"First run: crossproof run {shlex.quote(str(season))}",
        )
    inputs = report_inputs(index, read_json(index.folder.results / "run.json") or {})
    thing = find_thing(inputs, name)
    if thing.kind is not ThingKind.PLANT:
        return explain_thing(inputs, thing, str(season))
    return explain_plant(replace(inputs, calls=plant_calls(index, {thing.name}, None)), thing.name)
