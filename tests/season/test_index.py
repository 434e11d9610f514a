"""What has to be done again after a change: digests of the slices, setting by setting, cell by cell."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from crossproof.inference.plates.checks import CheckSettings
from crossproof.io.config.season_config import Config
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.model.declaration import SETTINGS, ValueKind, default, method_settings, setting
from crossproof.model.settings import Settings
from crossproof.planning.inputs import PlanSettings
from crossproof.rates.tables.tally import RateOptions
from crossproof.season import index, run_config
from crossproof.season.corrections import apply_corrections
from crossproof.season.season_digests import batch_digests, step_digests
from crossproof.season.templates import new_season

READING = {"B01", "report"}
MODEL = {"model", "panel", "plates", "report"}
VERDICTS = {"thresholds", "verdicts", "report"}
RATES = {"rates", "report"}
REPORT = {"report"}
EXPECTED = {
    "evidence": READING, "missing": READING, "max_markers": READING, "max_input_gb": READING,
    "false_heterozygote": MODEL, "dropout": MODEL, "swap": MODEL, "floor": MODEL, "read_error": MODEL,
    "overdispersion": MODEL, "parent_departure": MODEL, "inbreeding": MODEL, "class_prior": MODEL,
    "panel_donor_share": MODEL, "max_markers_per_cross": MODEL, "max_false_heterozygote": MODEL,
    "line_conflict": MODEL, "min_marker_call_rate": MODEL, "centimorgan_per_megabase": MODEL,
    "min_call_rate": {"plates", *VERDICTS}, "min_posterior": VERDICTS, "min_markers_scored": VERDICTS,
    "target_hybrids": RATES, "rates_by": RATES, "min_group_plants": RATES, "min_group_tags": RATES,
    "success_probability": RATES, "previous_seasons": RATES, "test_cost": RATES, "currency": RATES,
    "crosses": REPORT, "samples": REPORT, "markers": REPORT, "corrections": REPORT, "columns": REPORT,
    "anthers_per_flower": REPORT, "date_order": REPORT, "acknowledged": REPORT,
    "crop": REPORT, "season": REPORT,
    "plate_wells": REPORT, "blanks_per_plate": REPORT, "parent_wells": REPORT, "randomise": REPORT,
    "split_families": REPORT,
    "max_panel_markers": REPORT, "forced_in": REPORT, "forced_out": REPORT, "min_spacing": REPORT,
    "allow_outside": REPORT, "fail_when_held": REPORT, "buckets": REPORT,
}  # fmt: skip
"""By hand, from what each step's code reads. The same sheet under another name changes the report alone."""


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    folder = tmp_path_factory.mktemp("index") / "season"
    new_season(folder)
    return read_season(folder)


def digests(season: Season, config: Config | None = None) -> dict[str, str]:
    config = config or season.config
    corrected = apply_corrections(season.samples, season.crosses, season.corrections)
    hashes = {config.shown(g.file): "sha" for g in config.genotypes}
    return batch_digests(config, hashes, season.markers) | step_digests(config, corrected, season.problems)


def changed(before: dict[str, str], after: dict[str, str]) -> set[str]:
    assert before.keys() == after.keys()
    return {name for name in before if before[name] != after[name]}


def other(name: str) -> Any:
    """An allowed value that is not the default."""
    told = setting(name)
    match told.kind:
        case ValueKind.YES_NO:
            return not told.default
        case ValueKind.CHOICE:
            return next(c for c in told.choices if c != told.default)
        case ValueKind.PRIOR:
            return (5.0, 3.0, 1.0, 1.0)
        case ValueKind.HEADINGS:
            return {"": {"tag": "cross_id"}}
        case ValueKind.TEXTS | ValueKind.PATHS:
            return ("another",)
        case ValueKind.TEXT | ValueKind.PATH:
            return "another"
    if told.kind is ValueKind.NUMBER:
        return told.default * 0.9 + 0.003
    return told.default + 1


@pytest.mark.parametrize("name", [s.name for s in SETTINGS if s.kind is not ValueKind.GENOTYPES])
def test_a_changed_setting_sets_off_what_depends_on_it_and_nothing_else(season: Season, name: str) -> None:
    config = replace(season.config, **{name: other(name)})
    assert changed(digests(season), digests(season, config)) == EXPECTED[name]


def test_a_genotype_file_read_otherwise_is_read_again(season: Season) -> None:
    (file,) = season.config.genotypes
    config = replace(season.config, genotypes=(replace(file, counted_allele="G"),))
    assert changed(digests(season), digests(season, config)) == {"B01"}


@pytest.mark.parametrize(
    ("table", "column", "expected"),
    [
        ("crosses", "operator", {"rates"}),
        ("crosses", "mother", {"panel", "plates", "rates"}),
        ("samples", "well", {"plates", "verdicts"}),
        ("samples", "plant", {"panel", "plates", "verdicts"}),
        ("samples", "sample_id", {"panel", "plates", "samples", "verdicts"}),
    ],
)
def test_a_changed_cell_sets_off_what_depends_on_it(
    season: Season, table: str, column: str, expected: set[str]
) -> None:
    frame = getattr(season, table).copy()
    frame.loc[0, column] = "another"
    assert changed(digests(season), digests(replace(season, **{table: frame}))) == expected


@pytest.mark.parametrize("kind", [Settings, Config, PlanSettings, RateOptions, CheckSettings])
def test_every_default_is_the_declared_one(kind: type) -> None:
    declared = {s.name: s for s in SETTINGS}
    own = {f.name: f for f in fields(kind) if f.name in declared and not declared[f.name].required}
    assert own
    for name, field in own.items():
        if (kind, name) == (PlanSettings, "max_markers_per_cross"):
            continue  # the planner's own limit, which bounds its time
        if name == "columns":
            continue  # made anew for each
        wanted = int(default(name)) if (kind, name) == (PlanSettings, "plate_wells") else default(name)
        assert field.default == wanted, name


def test_the_report_shows_each_number_that_verdicts_and_rates_are_made_with() -> None:
    shown = {s.name for s in method_settings()}
    assert {f.name for f in fields(Settings)} & {s.name for s in SETTINGS} <= shown
    assert not shown & {"buckets", "plate_wells", "crop"}


def test_printed_tags_draw_the_labels_anew(season: Season, monkeypatch: pytest.MonkeyPatch) -> None:
    """Their season is in the codes; nothing else of a run depends on tags.csv."""
    before = digests(season)
    monkeypatch.setattr("crossproof.season.season_digests.code_season", lambda config: "2031")
    assert changed(before, digests(season)) == {"report"}


def test_the_index_is_read_once_while_it_stays_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new_season(tmp_path / "season")
    made = index.build_index(tmp_path / "season")
    reads = []
    read = run_config.read_kept
    monkeypatch.setattr(run_config, "read_kept", lambda path: reads.append(path) or read(path))
    for _ in range(3):
        index.require_unchanged(made)
        index.index_of_run(tmp_path / "season")
    assert len(reads) == 1
    sheet = tmp_path / "season" / "crosses.csv"
    sheet.write_text(sheet.read_text() + "\n")
    assert index.changed_inputs(made) == ["crosses.csv"]
    again = index.build_index(tmp_path / "season")
    assert index.changed_inputs(again) == []
    again.folder.index.unlink()
    assert index.changed_inputs(again) == []
