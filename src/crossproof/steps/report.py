"""The page, the worklist, the labels, and run.json."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from crossproof import METHOD_VERSION, __version__
from crossproof.errors import InputError, error
from crossproof.exchange.miappe import miappe_block
from crossproof.inference.season_model import Panel, Wells
from crossproof.model.arrays import Int8s, Ints
from crossproof.model.genotypes import n_genotypes
from crossproof.model.sentinels import MISSING
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import PlantCalls, ReportInputs
from crossproof.report.draw.html import render
from crossproof.season.evidence import load_wells, read_located
from crossproof.season.index import RESULT_FILES, SeasonIndex, read_record
from crossproof.season.work_folder import read_json, write_bytes, write_json
from crossproof.steps.findings import read_findings
from crossproof.steps.ingest import ingested
from crossproof.steps.panel import read_panel

LIBRARIES = ("numpy", "pandas", "scipy", "scikit-allel", "statsmodels", "snakemake", "cyvcf2")
MOST_MARKERS = 500
"""Markers per plant that the page carries; `crossproof explain` shows all."""


def report(index: SeasonIndex) -> None:
    """Write report.html, worklist.xlsx, labels.html and run.json."""
    from crossproof.report.draw.labels import render as render_labels
    from crossproof.report.draw.xlsx import write_worklist

    run = run_record(index)
    inputs = report_inputs(index, run)
    content = build_content(inputs, lambda said: print(said, flush=True))
    results = index.folder.results
    write_bytes(results / "report.html", render(content).encode("utf-8"))
    write_bytes(results / "labels.html", render_labels(content).encode("utf-8"))
    write_worklist(content, results / "worklist.xlsx")
    write_json(results / "run.json", run)


def run_record(index: SeasonIndex) -> dict[str, Any]:
    """Versions, configuration, digests of every input, counts and time of a run."""
    states = ingested(index)
    verdicts = pd.read_parquet(index.folder.results / "verdicts.parquet", columns=["verdict", "decision"])
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
        "genotype_files": {
            name: {k: s[k] for k in ("state", "markers", "evidence", "notes") if k in s}
            for name, s in states.items()
        },
        "counts": {
            "plants": len(verdicts),
            "verdicts": verdicts["verdict"].value_counts().sort_index().to_dict(),
            "decisions": verdicts["decision"].value_counts().sort_index().to_dict(),
        },
        "calibration_drift": read_json(index.folder.work("drift.json")),
        "miappe": miappe_block(
            read_record(index.folder, "crosses"),
            read_record(index.folder, "samples"),
            title=" ".join(t for t in (index.config.crop, index.config.season) if t),
        ),
    }


def report_inputs(
    index: SeasonIndex,
    run: Mapping[str, Any],
    plants: set[str] | None = None,
    most_markers: int | None = MOST_MARKERS,
) -> ReportInputs:
    """All result tables and the calls of `plants` (None: all) for the report."""
    frames = {}
    for rule in ("verdicts", "rates"):
        for name in RESULT_FILES[rule]:
            path = index.folder.results / name
            if name.endswith(".csv") and path.exists():
                frames[name.removesuffix(".csv")] = _read(path)
    frames["verdicts"] = _joined_to_records(frames["verdicts"], read_record(index.folder, "crosses"))
    known = ReportInputs.__dataclass_fields__
    return ReportInputs(
        **{name: frame for name, frame in frames.items() if name in known},
        config=index.config.to_dict(),
        run=run,
        findings=read_findings(index).rows,
        calls=plant_calls(index, plants, most_markers),
        corrections=[{"sentence": c} for c in index.corrections],
    )


def _read(path: Any) -> pd.DataFrame:
    """A result table as the user would open it: identifiers stay text."""
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    return frame


def _joined_to_records(verdicts: pd.DataFrame, crosses: pd.DataFrame) -> pd.DataFrame:
    """Verdicts with the date and operator of their cross."""
    extra = crosses[["cross_id", "date", "operator"]]
    kept = [c for c in verdicts.columns if c not in ("date", "operator")]
    return verdicts[kept].merge(extra, on="cross_id", how="left")


def plant_calls(index: SeasonIndex, plants: set[str] | None, most_markers: int | None) -> PlantCalls:
    """Calls of plants (None: all) and consensus of lines, at no more than `most_markers` markers."""
    samples = read_record(index.folder, "samples")
    joined, panel = read_panel(index.folder)
    located = read_located(index.folder.work("panel", "located"))
    progeny = samples[samples["role"] == "progeny"]
    if plants is not None:
        progeny = progeny[progeny["plant"].isin(plants)]
    wanted = np.zeros(len(samples), dtype=bool)
    wanted[progeny.index] = True
    wells = load_wells(index.folder, joined, located, wanted & (located[0] >= 0))
    chosen = _chosen_markers(panel, len(joined.markers), most_markers)
    groups = progeny.groupby("plant", sort=False).indices
    names = tuple(str(p) for p in groups)
    codes = np.full((len(chosen), len(names)), MISSING, dtype=np.int8)
    rows = progeny.index.to_numpy()
    rounds = max((len(places) for places in groups.values()), default=0)
    for turn in range(rounds):
        column = np.array([i for i, p in enumerate(groups.values()) if len(p) > turn], dtype=np.int64)
        well = np.array([rows[p[turn]] for p in groups.values() if len(p) > turn], dtype=np.int64)
        found = genotype_calls(wells, panel, chosen, well)
        part = codes[:, column]
        codes[:, column] = np.where(part == MISSING, found, part)
    take = joined.markers.take(chosen)
    return PlantCalls(
        take.ids, take.chrom, take.pos, take.alleles, names, codes, panel.lines, line_calls(panel, chosen)
    )


def _chosen_markers(panel: Panel, n_markers: int, most: int | None) -> Ints:
    """Markers to show, in genome order: all, or evenly those that tell lines apart best."""
    usable = np.flatnonzero(panel.set_aside == "") if n_markers else np.zeros(0, dtype=np.int64)
    if most is None or n_markers <= most:
        return np.arange(n_markers)
    spread = np.zeros(n_markers)
    for block in panel.blocks:
        spread[block.rows] = 1 - (block.q**2).sum(axis=1)
    windows = np.array_split(usable, most)
    return np.array([w[np.argmax(spread[w])] for w in windows if len(w)], dtype=np.int64)


def genotype_calls(wells: Wells, panel: Panel, rows: Ints, well: Ints) -> Int8s:
    """Genotype numbers (marker, well), MISSING where there is no whole call."""
    codes = wells.codes(rows, well)
    n_g = np.array([n_genotypes(int(k)) for k in wells.markers.n_alleles[rows]])
    return np.where(codes < n_g[:, None], codes, MISSING).astype(np.int8)


def line_calls(panel: Panel, rows: Ints, sure: float = 0.9) -> Int8s:
    """Consensus genotype (marker, line) of each line's main version, MISSING where it is not clear."""
    place = {int(r): i for i, r in enumerate(rows)}
    out = np.full((len(rows), len(panel.lines)), MISSING, dtype=np.int8)
    main = [int(panel.versions(line)[0]) if len(panel.versions(line)) else -1 for line in panel.lines]
    for block in panel.blocks:
        here = [(i, place[int(r)]) for i, r in enumerate(block.rows) if int(r) in place]
        for line, version_number in enumerate(main):
            if version_number < 0 or not here:
                continue
            source, target = np.array([h[0] for h in here]), np.array([h[1] for h in here])
            consensus = block.consensus[source, version_number]
            best = consensus.argmax(axis=1)
            out[target, line] = np.where(consensus.max(axis=1) >= sure, best, MISSING)
    return out


def explain_season_plant(index: SeasonIndex, plant: str) -> Any:
    """What `crossproof explain` prints for one plant."""
    from crossproof.report.content.explain import explain_plant, find_plant

    if not (index.folder.results / "verdicts.csv").exists():
        season = index.folder.season
        raise InputError(
            error("results/verdicts.csv", "There are no verdicts yet.", f"First run: crossproof run {season}")
        )
    inputs = report_inputs(index, read_json(index.folder.results / "run.json") or {}, plants=set())
    name = str(find_plant(inputs.verdicts, plant)["plant"])
    return explain_plant(report_inputs(index, inputs.run, plants={name}, most_markers=None), plant)
