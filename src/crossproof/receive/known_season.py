"""What the season knows when a file arrives: wells, markers, the calls that are there already."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from crossproof.errors import PlateError
from crossproof.io.config.season_config import Config
from crossproof.io.entry_reader import read_entry
from crossproof.io.intake.name_lists import composed, other_names
from crossproof.io.records.season import Season
from crossproof.model.plates import parse_well

LARGE = 100e6
"""Files larger than this (bytes) are not read to compare names and alleles."""


@dataclass(frozen=True)
class Sample:
    """One row of a sheet of wells."""

    name: str
    batch: str
    plate: str
    well: str


@dataclass(frozen=True)
class Known:
    """The season's names.

    `samples`: wells for which no file is there yet; `taken`: sample -> batch of the file that holds it;
    `markers`: marker -> alleles ((), where not known); `aliases`: other name -> marker; `generic`: markers
    of which the marker sheet says what A and B stand for; `counted`: those of which it says what 2 counts.
    `batches`: batches of config.yaml. `unread`: files that were too large or could not be read.
    """

    config: Config
    samples: tuple[Sample, ...]
    taken: Mapping[str, str]
    markers: Mapping[str, tuple[str, ...]]
    aliases: Mapping[str, str]
    generic: frozenset[str]
    counted: frozenset[str]
    batches: tuple[str, ...]
    others: int
    unread: tuple[str, ...]

    @property
    def plates(self) -> tuple[str, ...]:
        """Plates that wait for a file, in the order of the sheets."""
        return tuple(dict.fromkeys(s.plate for s in self.samples))

    def of_batch(self, batch: str) -> tuple[Sample, ...]:
        """Wells of one batch; those that name no batch belong to any."""
        return tuple(s for s in self.samples if s.batch in (batch, ""))

    def at(self, samples: Sequence[Sample]) -> dict[tuple[str, str], str]:
        """(plate, well) -> sample."""
        return {(s.plate, s.well): s.name for s in samples if s.well}


def known_season(season: Season) -> Known:
    """Gather what is known; the other genotype files are read where they are small enough."""
    config, frame = season.config, season.samples
    names = set(frame["sample_id"])
    markers: dict[str, tuple[str, ...]] = {}
    aliases: dict[str, str] = {}
    generic: set[str] = set()
    counted: set[str] = set()
    if season.markers is not None:
        sheet = season.markers
        for row in sheet.to_dict("records"):
            markers[row["marker"]] = tuple(a for a in row["alleles"].replace("/", " ").split() if a)
            if row["generic_alleles"]:
                generic.add(row["marker"])
            if row["counted_allele"]:
                counted.add(row["marker"])
        aliases = other_names(sheet["marker"].tolist(), sheet["also_called"].tolist())
    taken: dict[str, str] = {}
    unread = []
    for file in config.genotypes:
        if file.absent is not None or file.file.stat().st_size > LARGE:
            unread.append(file.path)
            continue
        try:
            batch = read_entry(config, file, season.markers, names)
        except PlateError:
            unread.append(file.path)
            continue
        taken.update(dict.fromkeys(batch.samples, file.batch))
        for name, alleles in zip(batch.markers.ids, batch.markers.alleles, strict=True):
            known = markers.get(str(name), ())
            markers[str(name)] = tuple(dict.fromkeys((*known, *alleles)))
    waiting = _waiting(frame, taken, {g.batch for g in config.genotypes})
    return Known(
        config,
        waiting,
        taken,
        markers,
        aliases,
        frozenset(generic),
        frozenset(counted),
        tuple(g.batch for g in config.genotypes),
        len(config.genotypes) - len(unread),
        tuple(unread),
    )


def _waiting(frame: pd.DataFrame, taken: Mapping[str, str], there: Collection[str]) -> tuple[Sample, ...]:
    rows = zip(frame["sample_id"], frame["batch"], frame["plate"], frame["well"], strict=True)
    return tuple(
        Sample(composed(name), batch, plate, well_key(well))
        for name, batch, plate, well in rows
        if name and ((batch and batch not in there) or (not batch and name not in taken))
    )


def well_key(text: str) -> str:
    """A well in one spelling (A01 as A1), "" where the text is no well."""
    try:
        return parse_well(text).name if text else ""
    except ValueError:
        return ""
