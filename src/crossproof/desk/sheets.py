"""The sheets of a season as the desk changes them: checked like the file, the one before kept."""

from __future__ import annotations

import csv
import fnmatch
import io
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace, own_files
from crossproof.desk.memory import config_of
from crossproof.errors import Problem, Severity
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CORRECTIONS, CROSSES, MARKERS, SAMPLES, Table
from crossproof.io.sheets.sheet import parse_sheet
from crossproof.io.sheets.text_rows import TextRows, text_rows
from crossproof.planning.planned import PLANNED_COLUMNS
from crossproof.season.templates import new_season
from crossproof.season.work_folder import season_lock

PLANNED = "planned.csv"
"""The wish list of the next crosses; read without being named in config.yaml."""


class SheetKind(StrEnum):
    """What a sheet is of."""

    CROSSES = "crosses"
    WELLS = "wells"
    MARKERS = "markers"
    ANSWERS = "answers to findings"
    PLANNED = "planned crosses"


TABLES: dict[SheetKind, Table] = {
    SheetKind.CROSSES: CROSSES,
    SheetKind.WELLS: SAMPLES,
    SheetKind.MARKERS: MARKERS,
    SheetKind.ANSWERS: CORRECTIONS,
}


@dataclass(frozen=True)
class SheetPlace:
    """One sheet of a season: its name there, its file, what it is of."""

    name: str
    path: Path
    kind: SheetKind

    @property
    def known(self) -> tuple[str, ...]:
        """The headings that are expected."""
        table = TABLES.get(self.kind)
        if table is None:
            return tuple(PLANNED_COLUMNS)
        return (*table.names, *(h for c in table.columns for h in c.also))

    def bytes(self) -> bytes:
        """What the file holds; nothing where it is not there yet."""
        return self.path.read_bytes() if self.path.exists() else b""


def sheets_of(place: SeasonPlace) -> tuple[SheetPlace, ...]:
    """The sheets that config.yaml names, and the wish list; raises InputError where it cannot be read."""
    config = config_of(place)
    found = [(config.crosses_file, SheetKind.CROSSES)]
    found += [(path, SheetKind.WELLS) for path in config.sample_files]
    if config.markers_file is not None:
        found.append((config.markers_file, SheetKind.MARKERS))
    if config.corrections_file is not None:
        found.append((config.corrections_file, SheetKind.ANSWERS))
    found.append((config.root / PLANNED, SheetKind.PLANNED))
    inside = place.path.resolve()
    return tuple(
        SheetPlace(config.shown(path), path, kind)
        for path, kind in found
        if path.resolve().is_relative_to(inside)  # it writes nowhere else, wherever else may be read
    )


def sheet_named(place: SeasonPlace, name: str) -> SheetPlace:
    """The sheet of this name; raises Refused where the season has none."""
    for sheet in sheets_of(place):
        if sheet.name == name:
            return sheet
    raise Refused(404, "The season has no sheet of this name.", "Choose one on the page Sheets.")


def rows_of(sheet: SheetPlace, data: bytes) -> TextRows | None:
    """The rows of a sheet that can be typed into; None for a workbook."""
    return text_rows(data, shown_as=sheet.name, known=sheet.known)


def problems_with(place: SeasonPlace, sheet: SheetPlace, data: bytes) -> tuple[Problem, ...]:
    """What `check` would say of the season's sheets if a sheet held these bytes; that of the sheet first."""
    with _trial(place) as trial:
        target = trial / sheet.name
        target.unlink(missing_ok=True)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        season = read_season(trial, genotypes_come=True)
    worst = [Severity.ERROR, Severity.WARNING, Severity.NOTE]
    return tuple(
        sorted(season.problems, key=lambda p: (p.file != sheet.name, worst.index(p.severity), p.row or 0))
    )


@contextmanager
def _trial(place: SeasonPlace) -> Iterator[Path]:
    """A copy of a season to try a sheet in; files are shared with it, none of them is written to."""
    room = place.folder.hidden / "desk"
    room.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix="trial-", dir=room) as temporary:
        trial = Path(temporary)
        for path in own_files(place.path):
            beside = trial / path.relative_to(place.path)
            beside.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(path, beside, follow_symlinks=False)
            except OSError:
                shutil.copyfile(path, beside)
        yield trial


def write_sheet(place: SeasonPlace, sheet: SheetPlace, data: bytes) -> None:
    """Put a sheet in place, and keep the one before; raises BusyError while a run holds the season."""
    with season_lock(place.folder):
        if sheet.path.exists():
            write_bytes(_before(place, sheet), sheet.path.read_bytes())
        write_bytes(sheet.path, data)


def take_sheet_away(place: SeasonPlace, sheet: SheetPlace) -> None:
    """Take a sheet of wells out of the season; what it held is kept."""
    with season_lock(place.folder):
        write_bytes(_before(place, sheet), sheet.path.read_bytes())
        sheet.path.unlink()


def has_before(place: SeasonPlace, sheet: SheetPlace) -> bool:
    """Whether an earlier version of a sheet is kept."""
    return _before(place, sheet).is_file()


def restore(place: SeasonPlace, sheet: SheetPlace) -> None:
    """Exchange a sheet and the one before it."""
    before = _before(place, sheet)
    if not before.is_file():
        raise Refused(404, "No earlier version of this sheet is kept.", "Change the sheet itself.")
    write_sheet(place, sheet, before.read_bytes())


def _before(place: SeasonPlace, sheet: SheetPlace) -> Path:
    return place.folder.hidden / "desk" / "before" / sheet.name


def as_text(data: bytes, sheet: SheetPlace) -> tuple[bytes, tuple[Problem, ...]]:
    """A sheet that was sent, as it goes into the season: a workbook for a text sheet is written as text.

    Returns the bytes, and what could not be read of a workbook.
    """
    if not data.startswith(b"PK") or sheet.path.suffix.lower() == ".xlsx":
        return data, ()
    read = parse_sheet(data, shown_as=sheet.name, known=sheet.known)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(read.headings)
    writer.writerows(read.rows)
    return out.getvalue().encode("utf-8"), read.problems


def new_wells(place: SeasonPlace, name: str) -> SheetPlace:
    """Where a further sheet of wells goes; raises Refused where config.yaml would not find it."""
    config = config_of(place)
    stem = name.rpartition(".")[0] or name
    for pattern in config.samples:
        folder = pattern.rpartition("/")[0]
        written = f"{folder}/{stem}.csv" if folder else f"{stem}.csv"
        if fnmatch.fnmatch(written, pattern) and "*" not in folder:
            path = config.root / written
            if path.exists():
                raise Refused(
                    409, f"There is a sheet {written} already.", "Replace it, or give the file another name."
                )
            if path.resolve().is_relative_to(place.path.resolve()):
                return SheetPlace(written, path, SheetKind.WELLS)
    raise Refused(
        422, "No place for further sheets of wells is named in config.yaml.",
        "Write under samples in config.yaml: [samples/*.csv]",
    )  # fmt: skip


def invented_wells(config: Config) -> tuple[Path, ...]:
    """Sheets of wells that are still the invented example of a new season."""
    with TemporaryDirectory() as temporary:
        example = Path(temporary) / "season"
        new_season(example)
        data = (example / "samples" / "plate1.csv").read_bytes()
    return tuple(p for p in config.sample_files if p.read_bytes() == data)


def take_examples_away(place: SeasonPlace) -> tuple[str, ...]:
    """Take away sheets of wells that are the invented example; returns their names."""
    config = config_of(place)
    gone = []
    for path in invented_wells(config):
        sheet = SheetPlace(config.shown(path), path, SheetKind.WELLS)
        with suppress(FileNotFoundError):
            take_sheet_away(place, sheet)
            gone.append(sheet.name)
    return tuple(gone)
