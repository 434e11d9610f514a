"""`crossproof fetch`: a season folder from the records of a BrAPI v2.1 server.

Genotype calls are not fetched: a laboratory's own files carry depths or likelihoods, which BrAPI's allele
matrix mostly does not, and the verdicts are better for them. The folder is made complete under another name
and then renamed, so that it is whole or not there.
"""

from __future__ import annotations

import csv
import io
import os
import re
import shlex
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from crossproof.errors import InputError, Problem, Severity, UsageError, error
from crossproof.exchange.brapi_client import BrapiClient, NotOffered
from crossproof.exchange.brapi_records import LeftOut, Notes, Record
from crossproof.exchange.crosses_in import CrossRow, read_crosses, read_planned
from crossproof.exchange.samples_in import (
    Germplasm,
    Links,
    read_germplasm,
    read_plates,
    read_samples,
)
from crossproof.io.sheets.columns import CROSSES, SAMPLES

_CROSS_COLUMNS = tuple(c for c in CROSSES.names if c != "cross")
_PLANNED_COLUMNS = ("cross_id", "mother", "father")


@dataclass(frozen=True)
class Selection:
    """Which records to fetch, by ids of the server; "" for all.

    `project`: crossing project of crosses and planned crosses. `program`, `study`, `trial`: of samples.
    """

    project: str = ""
    program: str = ""
    study: str = ""
    trial: str = ""

    def samples(self) -> dict[str, str]:
        """Parameters of the samples call."""
        return {"programDbId": self.program, "studyDbId": self.study, "trialDbId": self.trial}


@dataclass(frozen=True)
class Fetched:
    """What a fetch wrote, and what is to be known of it."""

    folder: Path
    crosses: int
    planned: int
    samples: int
    plates: int
    left_out: int
    problems: tuple[Problem, ...]
    said: tuple[str, ...]

    def summary(self) -> str:
        """What was written, and what to do next."""
        lines = [
            f"{self.folder}: {self.crosses} crosses, {self.samples} samples on {self.plates} plates"
            + (f", {self.planned} planned crosses" if self.planned else "")
        ]
        if self.left_out:
            lines.append(f"{self.left_out} records are not in the sheets; left_out.csv has them and why.")
        lines.append(
            "Genotype files are not fetched: put them into genotypes/ and name them in config.yaml, then:\n"
            f"  crossproof check {shlex.quote(str(self.folder))}"
        )
        return "\n".join(lines)


def fetch_season(
    client: BrapiClient, folder: Path, *, selection: Selection | None = None, timezone: str = ""
) -> Fetched:
    """Read a server's records and write them as a season folder.

    `timezone`: IANA name of the nursery's time zone; "" keeps clock times as the server writes them.
    Raises UsageError for a folder that is not empty or a time zone that does not exist, InputError for a
    server that cannot be read or records that are not as BrAPI v2.1 asks (all of them at once); nothing is
    written in either case.
    """
    folder = Path(folder)
    _refuse_full(folder)
    zone = _zone(timezone)
    season = _read(client, selection or Selection(), zone)
    problems = _write(folder, season)
    return Fetched(
        folder,
        len(season.crosses),
        len(season.planned),
        len(season.samples),
        len({r["plate"] for r in season.samples} - {""}),
        len(season.out),
        (*season.notes.problems, *problems),
        tuple(client.said),
    )


@dataclass(frozen=True)
class _Read:
    crosses: list[CrossRow]
    planned: list[dict[str, str]]
    samples: list[dict[str, str]]
    out: list[LeftOut]
    crop: str
    notes: Notes


def _read(client: BrapiClient, selection: Selection, zone: ZoneInfo | None) -> _Read:
    notes = Notes()
    project = {"crossingProjectDbId": selection.project}
    crosses = _records(client, "crosses", "crossDbId", notes, project)
    planned = _optional(client, "plannedcrosses", "plannedCrossDbId", notes, project)
    samples = _records(client, "samples", "sampleDbId", notes, selection.samples())
    plates = _optional(client, "plates", "plateDbId", notes, selection.samples())
    known, crop = _germplasm(client, notes, (*crosses, *planned), samples)
    names = _line_names(known, (*crosses, *planned), notes)
    rows, out = read_crosses(crosses, names, zone, notes)
    wishes, out_planned = read_planned(planned, names)
    links = Links(known, rows, read_plates(plates), _units(client, notes, samples))
    wells, out_samples = read_samples(samples, links, notes)
    if not rows and not notes.errors:
        notes.add(
            Severity.ERROR,
            "crosses",
            "",
            "",
            f"None of the {len(crosses)} crosses of the server is a hand cross of two known parents.",
            (out[0].why + " " if out else "") + "Check the project, or correct the records on the server.",
        )
    if notes.errors:
        raise InputError(notes.errors)
    for record in (*out, *out_planned, *out_samples):
        notes.add(Severity.WARNING, record.kind, "", record.name, f"Left out: {record.why}", record.remedy)
    return _Read(rows, wishes, wells, [*out, *out_planned, *out_samples], crop, notes)


def _records(
    client: BrapiClient, path: str, key: str, notes: Notes, parameters: Mapping[str, str]
) -> list[Record]:
    return [
        Record(data, path, number, notes)
        for number, data in enumerate((r for page in client.pages(path, key, parameters) for r in page), 1)
    ]


def _optional(
    client: BrapiClient, path: str, key: str, notes: Notes, parameters: Mapping[str, str]
) -> list[Record]:
    try:
        return _records(client, path, key, notes, parameters)
    except NotOffered:
        notes.once(
            path, f"The server does not offer {path}.", "No action is needed; what it would add is missing."
        )
        return []


def _germplasm(
    client: BrapiClient, notes: Notes, crosses: Sequence[Record], samples: Sequence[Record]
) -> tuple[dict[str, Germplasm], str]:
    """Germplasm that crosses and samples name, and the crop where all are of one."""
    wanted = {r.text("germplasmDbId") for r in samples}
    for record in crosses:
        wanted |= {p.text("germplasmDbId") for n in ("parent1", "parent2") if (p := record.object(n))}
    wanted -= {""}
    found: dict[str, Germplasm] = {}
    crops: set[str] = set()
    try:
        for number, data in enumerate(client.by_ids("germplasm", "germplasmDbId", wanted), 1):
            record = Record(data, "germplasm", number, notes)
            db_id, germplasm = read_germplasm(record)
            found[db_id] = germplasm
            crops.add(record.text("commonCropName"))
    except NotOffered:
        notes.once(
            "germplasm", "The server does not offer germplasm.", "No action is needed; ids stand for names."
        )
    return found, crops.pop() if len(crops) == 1 else ""


def _line_names(known: Mapping[str, Germplasm], crosses: Sequence[Record], notes: Notes) -> dict[str, str]:
    """Name of each germplasm id; one that two ids share is told apart by the id."""
    names = {i: g.name for i, g in known.items()}
    for record in crosses:
        for field in ("parent1", "parent2"):
            if parent := record.object(field):
                db_id, name = parent.text("germplasmDbId"), parent.text("germplasmName")
                if db_id and name:
                    names.setdefault(db_id, name)
    holders: dict[str, list[str]] = {}
    for db_id, name in names.items():
        holders.setdefault(name, []).append(db_id)
    for name, ids in holders.items():
        if len(ids) > 1:
            notes.once(
                "germplasm",
                "Lines that share a name carry the server's id in parentheses.",
                "Rename them on the server, or leave it so.",
                value=name,
            )
            names |= {i: f"{name} ({i})" for i in ids}
    return names


def _units(client: BrapiClient, notes: Notes, samples: Sequence[Record]) -> dict[str, str]:
    """Cross id on the server of each observation unit that a sample names."""
    wanted = {r.text("observationUnitDbId") for r in samples if not r.free("additionalInfo").get("role")} - {
        ""
    }
    found: dict[str, str] = {}
    try:
        units = client.by_ids("observationunits", "observationUnitDbId", wanted)
        for number, data in enumerate(units, 1):
            record = Record(data, "observationunits", number, notes)
            found[record.text("observationUnitDbId")] = record.text("crossDbId")
    except NotOffered:
        notes.once("observationunits", "The server does not offer observationunits.", "No action is needed.")
    return found


def _write(folder: Path, season: _Read) -> list[Problem]:
    """Write the folder beside its place, check it as a user's sheets are checked, and move it there."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    temporary = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
    try:
        files = {"crosses.csv": _sheet(_CROSS_COLUMNS, [c.row for c in season.crosses])}
        for name, rows in _by_plate(season.samples).items():
            files[f"samples/{name}.csv"] = _sheet(SAMPLES.names, rows)
        if not season.samples:
            files["samples/wells.csv"] = _sheet(SAMPLES.names, [])
        if season.planned:
            files["planned.csv"] = _sheet(_PLANNED_COLUMNS, season.planned)
        if season.out:
            files["left_out.csv"] = _sheet(tuple(LeftOut.__dataclass_fields__), [vars(o) for o in season.out])
        files["genotypes/README.txt"] = _READ_ME
        files["config.yaml"] = _config(season.crop)
        for name, text in files.items():
            path = temporary / name
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="")
        problems = _checked(temporary)
        os.chmod(temporary, 0o755)
        _refuse_full(folder)
        if folder.exists():
            folder.rmdir()
        os.rename(temporary, folder)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    return problems


def _checked(folder: Path) -> list[Problem]:
    """What `crossproof check` will say of the sheets, with an empty file in the place of the genotypes."""
    from crossproof.io.records.season_records import read_season

    stand_in, config = folder / "genotypes" / "none.csv", folder / "stand_in.yaml"
    stand_in.write_text("sample_id\n", encoding="utf-8")
    config.write_text(
        "crosses: crosses.csv\nsamples: [samples/*.csv]\n"
        "genotypes:\n  - {batch: none, path: genotypes/none.csv}\n",
        encoding="utf-8",
    )
    try:
        return list(read_season(config).problems)
    finally:
        stand_in.unlink()
        config.unlink()


def _by_plate(rows: Sequence[dict[str, str]]) -> dict[str, list[dict[str, str]]]:
    """Rows by the name of their file; a plate's name may hold anything, a file's may not."""
    plates: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        plates.setdefault(row["plate"], []).append(row)
    files: dict[str, list[dict[str, str]]] = {}
    taken: set[str] = set()
    for plate, members in plates.items():
        stem = re.sub(r"[^A-Za-z0-9_.-]+", "_", plate).strip("._-")[:80] or "no_plate"
        name, turn = stem, 1
        while name.casefold() in taken:
            turn += 1
            name = f"{stem}_{turn}"
        taken.add(name.casefold())
        files[name] = members
    return files


def _sheet(columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> str:
    """A CSV sheet: our columns that hold anything, or are needed, then the server's own."""
    used = {c for row in rows for c, v in row.items() if v}
    needed = {"cross_id", "mother", "father", "date", "time", "operator", "flowers", "pods", "seeds"}
    needed |= {"sample_id", "batch", "plate", "well", "role", "line", "plant"}
    heads = [c for c in columns if c in used or c in needed]
    heads += [c for c in dict.fromkeys(c for row in rows for c in row) if c in used and c not in columns]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows([row.get(c, "") for c in heads] for row in rows)
    return out.getvalue()


def _config(crop: str) -> str:
    shown = re.sub(r"[^\w .()-]", " ", crop)[:80]
    return f"""\
# Fetched from a BrAPI v2.1 server. File names count from this folder.
crosses: crosses.csv
samples: [samples/*.csv]

# Genotype files are not fetched. Put them into genotypes/, write one line for each, and delete the # signs;
# the names of the samples in the files must be those of the column sample_id.
#genotypes:
#  - {{batch: B01, path: genotypes/plate1.vcf.gz}}

{f'crop: "{shown}"' if shown.strip() else '#crop: ""'}
"""


_READ_ME = """\
Put the genotype files of the season here and name them in config.yaml under genotypes:
  - {batch: B01, path: genotypes/plate1.vcf.gz}
"""


def _refuse_full(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        what = "The folder is not empty." if folder.is_dir() else "There is already a file of this name."
        raise UsageError(
            error(str(folder), f"{what} Nothing was written.", "Choose the name of a new folder.")
        )


def _zone(name: str) -> ZoneInfo | None:
    if not name:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            error(
                "--timezone",
                "There is no such time zone.",
                "Write it like Africa/Nairobi; where no name is known, install the package tzdata.",
                value=name,
            )
        ) from None
