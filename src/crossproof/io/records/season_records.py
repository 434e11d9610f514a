"""A season's records: crosses, wells, markers and corrections, read and checked.

`read_season` is the one entry: it reads everything it can and collects every problem of every file.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from crossproof.errors import Severity
from crossproof.io.config.season_config import Config, read_config
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.checks import check_frames
from crossproof.io.records.crosses import crosses_frame, text, with_extra
from crossproof.io.records.frames import sheet_of_frame, tell_derived
from crossproof.io.records.issued_tags import read_issued
from crossproof.io.records.raw_tables import RawTable, gather
from crossproof.io.records.samples import samples_frame
from crossproof.io.records.season import Season, sort_problems
from crossproof.io.records.tag_checks import book_of, check_parents
from crossproof.io.results.tables import RESULT_COLUMNS
from crossproof.io.sheets.columns import CORRECTIONS, CROSSES, MARKERS, SAMPLES, Table
from crossproof.io.sheets.headings import heading_key, nearest
from crossproof.io.sheets.shape import Sheet
from crossproof.io.sheets.sheet import read_sheet


def read_season(
    folder_or_config: Path,
    *,
    today: dt.date | None = None,
    genotypes_come: bool = False,
    wells_come: bool = False,
    frames: Mapping[str, pd.DataFrame] | None = None,
) -> Season:
    """Read and check all records of a season (its folder, or its config.yaml).

    Dates after `today` (default: the day of the call) are errors. Cross-references between the sheets are
    checked too; genotype files are not opened (see `checks.check_calls`).
    `genotypes_come`: no genotype file need be named yet; `wells_come`: no sheet of wells need be there yet.
    `frames`: tables in memory that stand for the sheets of their names (`crosses`, `samples`, `markers`,
    `corrections`). Raises InputError only where config.yaml itself cannot be used; all else is in
    `Season.problems`.
    """
    given = frames or {}
    config = read_config(
        Path(folder_or_config),
        genotypes_come=genotypes_come,
        wells_come=wells_come,
        given=frozenset(given),
    )
    return check_records(config, given, today=today, wells_come=wells_come)


def check_records(
    config: Config,
    frames: Mapping[str, pd.DataFrame],
    *,
    today: dt.date | None = None,
    wells_come: bool = False,
) -> Season:
    """Check the records of a season whose settings are read: its sheets, or `frames` in their place."""
    notes = Problems(config.source.name)
    if "samples" in frames:
        sample_sheets = [sheet_of_frame(frames["samples"], "samples")]
    else:
        sample_sheets = [_sheet(config, path, SAMPLES) for path in config.sample_files]
    raw_samples = gather(sample_sheets, SAMPLES, config.renames("samples"), notes, reserved=_RESERVED)
    samples = samples_frame(raw_samples, config, notes)
    for wells in sample_sheets:
        if wells.readable and not wells.rows:
            notes.note(Fault("The sheet has no rows.", "Fill it in.", Severity.WARNING), file=wells.file)
    cross_sheet = _one_sheet(config, config.crosses_file, CROSSES, frames)
    assert cross_sheet is not None
    crosses, crosses_whole = _crosses(config, cross_sheet, samples, today or dt.date.today(), notes)
    if "crosses" in frames:
        tell_derived(frames["crosses"], crosses, notes)
    sheets = {"samples": sample_sheets, "crosses": [cross_sheet]}
    raw = {}
    for table, path in ((MARKERS, config.markers_file), (CORRECTIONS, config.corrections_file)):
        sheet = _one_sheet(config, path, table, frames)
        if sheet is not None:
            sheets[table.name] = [sheet]
            raw[table.name] = gather([sheet], table, config.renames(table.name), notes)
    markers = _markers_frame(raw["markers"], notes) if "markers" in raw else None
    corrections = _text_frame(raw["corrections"], CORRECTIONS, notes) if "corrections" in raw else None
    samples_whole = raw_samples.whole and (len(raw_samples) > 0 or not wells_come)
    _check_rates_by(config, crosses, notes)
    notes.extend(
        check_frames(config, crosses, samples, crosses_whole=crosses_whole, samples_whole=samples_whole)
    )
    if not frames:
        _unused_renames(config, sheets, notes)
    return Season(config, crosses, samples, markers, corrections, sort_problems(notes.listed()))


def _crosses(
    config: Config, sheet: Sheet, samples: pd.DataFrame, today: dt.date, notes: Problems
) -> tuple[pd.DataFrame, bool]:
    """The crosses, read against the tags that were printed, and whether their sheet could be read whole."""
    raw = gather([sheet], CROSSES, config.renames("crosses"), notes, reserved=_RESERVED)
    issued, found = read_issued(config.root)
    notes.extend(found)
    if issued is not None:
        raw = book_of(raw, issued, set(samples["cross_id"]), notes)
    crosses = crosses_frame(raw, config, set(samples["line"]) - {""}, today, notes)
    if issued is not None:
        check_parents(raw, crosses["mother"].tolist(), crosses["father"].tolist(), issued, notes)
    if sheet.readable and not sheet.rows:
        # No error: before the season there are parent lines to plan with and no tag yet.
        empty = Fault("The sheet has no crosses.", "Fill in one row per tag.", Severity.WARNING)
        notes.note(empty, file=sheet.file)
    return crosses, raw.whole


_RESERVED = frozenset(
    {heading_key(c.name) for table in ("verdicts", "crosses", "samples") for c in RESULT_COLUMNS[table]}
    | {"hour", "week", "_file", "_row"}
)


def _sheet(config: Config, path: Path, table: Table) -> Sheet:
    renames = config.renames(table.name)
    usual = [h for c in table.columns for h in c.also]
    return read_sheet(path, shown_as=config.shown(path), known=(*table.names, *renames, *usual))


def _one_sheet(
    config: Config, path: Path | None, table: Table, frames: Mapping[str, pd.DataFrame]
) -> Sheet | None:
    if table.name in frames:
        return sheet_of_frame(frames[table.name], table.name)
    return None if path is None else _sheet(config, path, table)


def _markers_frame(raw: RawTable, notes: Problems) -> pd.DataFrame:
    names = raw.plain("marker", notes)
    first: dict[str, int] = {}
    for i, name in enumerate(names):
        if name and name in first:
            fault = Fault(
                f"This marker appears twice; the first is in row {raw.rows[first[name]]}.",
                "Delete one of the two rows.",
            )
            raw.note(notes, i, "marker", fault)
        first.setdefault(name, i)
    inheritance = [i or "nuclear" for i in raw.plain("inheritance", notes)]
    frame = pd.DataFrame(
        {
            "marker": text(names),
            "chrom": text(raw.plain("chrom", notes)),
            "pos": pd.Series(raw.plain("pos", notes), dtype="Int64"),
            "inheritance": text(inheritance),
            "alleles": text(raw.plain("alleles", notes)),
            "counted_allele": text(raw.plain("counted_allele", notes)),
            "generic_alleles": text(raw.plain("generic_alleles", notes)),
            "also_called": text(raw.plain("also_called", notes)),
        }
    )
    return with_extra(frame, raw, len(raw))


def _text_frame(raw: RawTable, table: Table, notes: Problems) -> pd.DataFrame:
    frame = pd.DataFrame({name: text(raw.plain(name, notes)) for name in table.names})
    return with_extra(frame, raw, len(raw))


def _unused_renames(config: Config, sheets: Mapping[str, Sequence[Sheet]], notes: Problems) -> None:
    """Headings that config.yaml names under columns and no sheet has."""
    for table, renames in config.columns.items():
        read = [s for name, group in sheets.items() if table in ("", name) for s in group]
        if not all(s.readable for s in read):
            continue
        there = {heading_key(h): h for s in read for h in s.headings}
        for heading, name in renames.items():
            if heading not in there and (read or not table):
                close = nearest(heading, there)
                notes.error(
                    f"The entry columns names a heading that no sheet has: {heading!r} (for {name}).",
                    f"Did you mean {there[heading_key(close)]!r}?"
                    if close
                    else "Delete it, or write the heading as it is in the sheet.",
                    column="columns",
                    value=heading,
                )


def _check_rates_by(config: Config, crosses: pd.DataFrame, notes: Problems) -> None:
    """Each column of `rates_by` must be in the crosses sheet."""
    names = [c for c in crosses.columns if not c.startswith("_")]
    keys = {heading_key(c) for c in names}
    for name in config.rates_by:
        if heading_key(name) not in keys:
            close = nearest(name, names)
            notes.error(
                "rates_by names a column that the crosses sheet does not have.",
                f"Did you mean {close!r}?" if close else f"Use one of: {', '.join(names)}.",
                column="rates_by",
                value=name,
            )
