"""The index of a season: a digest of every input, and of the slice of inputs each step depends on.

Read when the workflow is parsed. A step is run again exactly when the digest of its own slice changes, so
a new plate, a changed threshold or a corrected operator name sets off what depends on it and nothing else.
File contents are hashed only where size, times or inode differ from the last look.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pandas as pd

from crossproof import METHOD_VERSION, RATES_VERSION, __version__
from crossproof.errors import InputError, Problem, Severity, error
from crossproof.inference.compilation import pays
from crossproof.io.config.season_config import Config, find_config, read_config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.io.results.tables import read_parquet
from crossproof.season.corrections import apply_corrections
from crossproof.season.input_files import input_files, record_sheets
from crossproof.season.job_sizes import parts_of, suitable_buckets
from crossproof.season.kept_loops import loops_are_kept
from crossproof.season.past_seasons import previous_problems
from crossproof.season.run_config import config_of_run, kept_index, remembered
from crossproof.season.season_digests import batch_digests, step_digests
from crossproof.season.work_folder import (
    WorkFolder,
    bucket_of,
    digest_of,
    file_sha256,
    read_kept,
    stat_key,
    write_kept,
)

RESULT_FILES = {
    "verdicts": (
        "verdicts.csv", "verdicts.parquet", "plates.csv", "samples.csv", "markers.csv", "lines.csv",
        "problems.csv", "changes.csv",
    ),
    "rates": (
        "crosses.csv", "operators.csv", "factors.csv", "rates_by.csv", "learning.csv", "control_chart.csv",
    ),
    "report": ("report.html", "summary.html", "worklist.xlsx", "labels.html", "run.json"),
    "plan": tuple(
        f"plan/plan{name}"
        for name in (
            ".html", "_crosses.csv", "_markers.csv", "_numbers.csv", "_samples.csv", "_weeks.csv",
            "_sisters.csv",
        )
    ),
}  # fmt: skip
"""Files below results/ that each rule writes."""

INDEX_FORMAT = 7

MOST_READINGS = 3
"""How often sheets that are being written to are read before they are taken as they are."""


@dataclass(frozen=True)
class SeasonIndex:
    """What the workflow needs to know of a season before it plans its jobs.

    `batches`: digest of each genotype file with its reading options. `steps`: digest of the slice of
    records and settings behind each step. `inputs`: SHA-256 of every input file. `dealt`: number of buckets
    that suited the season when it was first seen. `parts`: into how many jobs the reading of a large indexed
    file is cut, for the files where it is. `without_data`, `left_out`: see `Corrected`.
    """

    folder: WorkFolder
    config: Config
    batches: Mapping[str, str]
    steps: Mapping[str, str]
    inputs: Mapping[str, str]
    problems: tuple[Problem, ...]
    corrections: tuple[str, ...]
    dismissed: tuple[tuple[str, str], ...]
    dealt: int
    parts: Mapping[str, int]
    without_data: tuple[Mapping[str, Any], ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def buckets(self) -> int:
        """Number of buckets that batches and crosses are dealt into."""
        return min(self.config.buckets, self.dealt)

    def results_of(self, rule: str) -> list[str]:
        """Files of one rule, relative to the season folder."""
        return [f"results/{name}" for name in RESULT_FILES[rule]]

    def result_files(self) -> list[str]:
        """All files of a run, relative to the season folder; a plan is made only when asked for."""
        return [f for rule in ("verdicts", "rates", "report") for f in self.results_of(rule)]

    def slices(self) -> dict[str, dict[str, Any]]:
        """Digest of every bucket of plants and plates, as the panel job wrote them.

        "ingest" holds, for every bucket of plants, the buckets of the genotype files that hold their calls.
        """
        empty: dict[str, dict[str, Any]] = {"verify": {}, "examine": {}, "ingest": {}}
        return read_kept(self.folder.work("panel", "slices.json")) or empty

    def batch_buckets(self) -> dict[int, list[str]]:
        """Genotype files of each bucket that has any."""
        dealt: dict[int, list[str]] = {}
        for name in sorted(self.batches):
            dealt.setdefault(bucket_of(name, self.buckets), []).append(name)
        return dealt

    def ingest_digest(self, bucket: int) -> str:
        """Digest of one ingest job: its files, and how the last attempt went."""
        names = self.batch_buckets().get(bucket, [])
        return digest_of("ingest", [(n, self.batches[n]) for n in names], self.attempt(bucket))

    def attempt(self, bucket: int) -> str:
        """What the last attempt contributes to the digest of an ingest job.

        A file that failed by our fault is tried again each time, one that was set aside when the sheets
        change: the layout of a table may have been unclear because they did not list its samples yet. Once
        all is well the value stays the one under which that came about, so that it sets nothing off.
        """
        last = read_kept(self.folder.work("ingest-attempts", f"{bucket}.json")) or {}
        now = {n: self.batches[n] for n in self.batch_buckets().get(bucket, [])}
        failed, aside = sum(last.get("failed", {}).values()), last.get("set aside", False)
        if failed or aside:
            return f"{failed}/{self.steps['samples'] if aside else ''}"
        return str(last["ran"]) if last.get("batches") == now else ""

    def panel_digest(self) -> str:
        """Digest of the panel job."""
        return digest_of(
            "panel", sorted(self.batches.items()), self.steps["panel"], calibration_param(self.folder)
        )

    @property
    def run_digest(self) -> str:
        """Digest of everything this run's results follow from; stands in every report."""
        return digest_of(
            sorted(self.batches.items()), sorted(self.steps.items()), calibration_param(self.folder)
        )


def calibration_param(folder: WorkFolder) -> str:
    """What the calibration file contributes to the panel's digest.

    The panel job itself writes the file, which must not make it run again: while the file is as the job
    left it, the value is the one the job ran under.
    """
    state = read_kept(folder.work("calibration_state.json")) or {}
    sha = file_sha256(folder.calibration) if folder.calibration.exists() else "absent"
    if state.get("sha256") == sha:
        return str(state["param"])
    if sha == "absent":
        return f"after {state['sha256']}" if state else "first"
    return sha


def build_index(where: Path) -> SeasonIndex:
    """Read and check a season's records, hash its inputs, and say what each step depends on.

    Raises InputError where records or configuration have errors. The result is kept in the season's hidden
    folder and used again while no input has changed.
    """
    config_path = find_config(where).absolute()
    folder = WorkFolder(config_path.parent)
    return _kept_index(folder, config_path) or _read_index(folder, config_path)


def clear_refusal(folder: WorkFolder) -> None:
    """Have problems.csv written again where it tells of inputs that have been mended since."""
    if folder.refused.exists():
        (folder.results / "problems.csv").unlink(missing_ok=True)
        folder.refused.unlink()


def index_of_run(season: Path) -> SeasonIndex:
    """The index that the run at work was planned with, whatever has become of the inputs since.

    `season`: the season folder. All jobs of a run work from this one reading of configuration and records.
    Raises InputError where there is none that fits, or where a sheet it names is gone.
    """
    folder = WorkFolder(season.absolute())
    kept = kept_index(folder)
    if kept.get("version") != _version() or not _records_fit(folder, kept):
        raise InputError.at(
            str(folder.index),
            "The season's index is missing, damaged, or of another version of crossproof.",
            "Run the season again: crossproof run DIR",
        )
    return _index_from(folder, config_of_run(folder, kept), kept)


def changed_inputs(index: SeasonIndex, only: Iterable[str] | None = None) -> list[str]:
    """Names of inputs that are no longer as they were when the index was made; `only`: look at these."""
    known = kept_index(index.folder).get("files", {})
    changed = []
    for name in sorted(index.inputs if only is None else only):
        path, entry = index.config.root / name, known.get(name)
        try:
            same = entry is None or stat_key(path) == entry["stat"] or file_sha256(path) == entry["sha256"]
        except OSError:
            same = False
        if not same:
            changed.append(name)
    return changed


def require_unchanged(index: SeasonIndex, only: Iterable[str] | None = None) -> None:
    """Raise InputError where an input was changed since the index was made; `only`: look at these."""
    changed = changed_inputs(index, only)
    if changed:
        raise InputError(
            error(
                name,
                "The file was changed while it ran; what the run wrote describes the file as it was.",
                "Run the same command again.",
            )
            for name in changed
        )


def _kept_index(folder: WorkFolder, config_path: Path) -> SeasonIndex | None:
    kept = read_kept(folder.index) or {}
    if kept.get("version") != _version() or kept.get("config") != config_path.name:
        return None
    config = _unchanged(folder, config_path, kept)
    return None if config is None else _index_from(folder, config, kept)


def _index_from(folder: WorkFolder, config: Config, kept: Mapping[str, Any]) -> SeasonIndex:
    return SeasonIndex(
        folder,
        config,
        kept["batches"],
        kept["steps"],
        {name: entry["sha256"] for name, entry in kept["files"].items()},
        tuple(Problem.of(p) for p in kept["problems"]),
        tuple(kept["corrections"]),
        tuple((subject, name) for subject, name in kept["dismissed"]),
        int(kept["dealt"]),
        kept["parts"],
        tuple(kept["without_data"]),
        tuple(kept["left_out"]),
    )


def _read_index(folder: WorkFolder, config_path: Path) -> SeasonIndex:
    season = _read_at_once(config_path)
    problems = list(season.problems)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(sorted(set(problems), key=_order))
    return _fresh_index(folder, config_path, season, problems, read_kept(folder.index) or {})


def _read_at_once(config_path: Path) -> Season:
    """The records, read while nobody wrote to them: digests are taken afterwards, and of what was read."""
    for _ in range(MOST_READINGS):
        started = time.time_ns()
        season = read_season(config_path)
        sheets = [config_path, *record_sheets(season.config)]
        if all(p.stat().st_ctime_ns < started for p in sheets if p.exists()):
            break
        time.sleep(0.05)
    return season


def _fresh_index(
    folder: WorkFolder, config_path: Path, season: Season, problems: list[Problem], last: Mapping[str, Any]
) -> SeasonIndex:
    config = season.config
    known = last.get("files", {})
    files: dict[str, dict[str, Any]] = {}
    for path in sorted({config_path, *input_files(config)}):
        if not path.exists():
            continue
        name, key = config.shown(path), stat_key(path)
        before = known.get(name)
        sha = before["sha256"] if before and before["stat"] == key else file_sha256(path)
        files[name] = {"stat": key, "sha256": sha}
    corrected = apply_corrections(season.samples, season.crosses, season.corrections)
    samples, crosses = corrected.samples.reset_index(drop=True), corrected.crosses.reset_index(drop=True)
    echo = tuple(f"{a.correction.sentence()}: {a.effect}" for a in corrected.applied)
    dismissed = tuple(sorted(corrected.dismissed))
    problems = sorted({*problems, *corrected.problems, *previous_problems(config)}, key=_order)
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    hashes = {name: entry["sha256"] for name, entry in files.items()}
    batches = batch_digests(config, hashes, season.markers)
    steps = step_digests(config, replace(corrected, samples=samples, crosses=crosses), problems)
    records, frames = {}, {"samples": samples, "crosses": crosses, "markers": season.markers}
    for name, frame in frames.items():
        if frame is not None:
            data = bytes(frame.to_parquet(index=False))
            write_bytes(folder.records / f"{name}.parquet", data)
            records[name] = sha256(data).hexdigest()
    kept: dict[str, Any] = {
        "version": _version(),
        "config": config_path.name,
        "configuration": config_path.read_text(encoding="utf-8-sig", errors="replace"),
        "records": records,
        "files": files,
        "batches": batches,
        "steps": steps,
        "problems": [p.entry() for p in problems],
        "corrections": list(echo),
        "dismissed": [list(d) for d in dismissed],
        "without_data": json.loads(corrected.without_data.to_json(orient="records")),
        "left_out": sorted(corrected.left_out),
        "compiled": pays(len(crosses), loops_are_kept()),
        "dealt": last.get("dealt") or suitable_buckets(len(batches)),
        "parts": {g.batch: n for g in config.genotypes if (n := parts_of(g.file)) > 1},
    }
    write_kept(folder.index, kept)
    return _index_from(folder, config, kept)


def read_record(folder: WorkFolder, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """One of the checked record tables ("samples", "crosses", "markers") as the index left it, or some of its
    columns."""
    return read_parquet(folder.records / f"{name}.parquet", columns)


def _version() -> str:
    return f"{__version__}/{METHOD_VERSION}/{RATES_VERSION}/{INDEX_FORMAT}"


def _order(problem: Problem) -> tuple[Any, ...]:
    rank = {Severity.ERROR: 0, Severity.WARNING: 1, Severity.NOTE: 2}[problem.severity]
    return (rank, problem.file, problem.row or 0, problem.column, problem.value, problem.problem)


def _records_fit(folder: WorkFolder, kept: Mapping[str, Any]) -> bool:
    """Whether the kept tables of records are the ones that the index speaks of."""
    try:
        return all(file_sha256(folder.records / f"{n}.parquet") == s for n, s in kept["records"].items())
    except OSError:
        return False


def _unchanged(folder: WorkFolder, config_path: Path, kept: Mapping[str, Any]) -> Config | None:
    """The configuration, where neither it nor any other input has changed since the index was kept."""
    try:
        if stat_key(config_path) != kept["files"][kept["config"]]["stat"]:
            return None
        config = remembered(folder) or read_config(config_path)
        there = sorted({config.shown(p) for p in [config.source, *input_files(config)] if p.exists()})
        same = (
            there == sorted(kept["files"])
            and all(stat_key(folder.season / name) == entry["stat"] for name, entry in kept["files"].items())
            and _records_fit(folder, kept)
        )
        return config if same else None
    except (OSError, KeyError, InputError):
        return None
