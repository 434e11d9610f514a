"""`crossproof labels`: labels of the kept plants on sheets of any size."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from crossproof.errors import UsageError
from crossproof.field.kept_labels import LEAST_SIZE, build_labels, kept_labels_page
from crossproof.field.sheets import Sheet, write_page
from crossproof.io.config.season_config import find_config, read_config
from crossproof.io.results.reading import PLANT_KEYS, read_table
from crossproof.report.content.inputs import ReportInputs
from crossproof.season.code_season import code_season
from crossproof.season.work_folder import read_json

PAGE = Path("field") / "kept_labels.html"


@dataclass(frozen=True)
class KeptLabels:
    """The page as it was written: how many labels, and how many of them without a code."""

    path: Path
    count: int
    without_code: int


def print_labels(where: Path, sheet: Sheet, place: str = "", out: Path | None = None) -> KeptLabels:
    """Write the labels of the plants that the last run says to keep.

    `place`: only plants whose place begins so. Raises UsageError without results, or for a label too small.
    """
    config = read_config(find_config(where), genotypes_come=True, wells_come=True)
    results = config.root / "results"
    if not (results / "verdicts.csv").exists():
        raise UsageError.at(
            "results/verdicts.csv", "This season has no results yet.", "Run it first: crossproof run"
        )
    if sheet.label.width < LEAST_SIZE.width or sheet.label.height < LEAST_SIZE.height:
        raise UsageError.at(
            "--size",
            "A label of this size has no room for place, cross, pod, season and code.",
            f"Choose one of at least {LEAST_SIZE} mm.",
            value=str(sheet.label),
        )
    verdicts = read_table(results / "verdicts.csv", PLANT_KEYS)
    if place:
        verdicts = verdicts[verdicts["place"].str.casefold().str.startswith(place.casefold())]
    if (results / "crosses.csv").exists():
        dates = read_table(results / "crosses.csv").set_index("cross_id")["date"].to_dict()
        verdicts = verdicts.assign(date=[dates.get(c, "") for c in verdicts["cross_id"]])
    season = code_season(config)
    labels = build_labels(ReportInputs(verdicts), season, sheet, codes=None)
    run = read_json(results / "run.json") or {}
    html = kept_labels_page(
        labels,
        title=" ".join(t for t in (config.crop, config.season) if t),
        season=season or config.season,
        digest=str(run.get("run_digest", "")),
        sheet=sheet,
    )
    path = write_page(out or config.root / PAGE, html)
    return KeptLabels(path, len(labels), sum(not label.code for label in labels))
