"""One genotype file read as its entry in config.yaml says."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from crossproof.errors import PlateError, Problem
from crossproof.io.config.season_config import Config, GenotypeFile
from crossproof.io.genotypes import read_batch
from crossproof.io.intake.name_lists import GivenNames, other_names, read_list
from crossproof.io.records.strangers import marker_strangers
from crossproof.model.genotypes import CallBatch
from crossproof.model.plates import Role

GENERIC = "generic"
OTHER_STRAND = "other"


def given_names(config: Config, file: GenotypeFile, sheet: pd.DataFrame | None) -> GivenNames:
    """What a file's names stand for: its lists, and the marker sheet's other names. Raises PlateError."""
    markers: dict[str, str] = {}
    if sheet is not None and "also_called" in sheet:
        markers = other_names(sheet["marker"].tolist(), sheet["also_called"].fillna("").tolist())
    samples: dict[str, str] = {}
    if file.names_file is not None:
        samples = read_list(file.names_file, shown_as=config.shown(file.names_file))
    if file.marker_names_file is not None:
        own = read_list(file.marker_names_file, shown_as=config.shown(file.marker_names_file))
        markers = markers | {theirs: markers.get(ours, ours) for theirs, ours in own.items()}
    return GivenNames(samples, markers, file.strand == OTHER_STRAND)


def read_entry(
    config: Config, file: GenotypeFile, sheet: pd.DataFrame | None, known_samples: Collection[str]
) -> CallBatch:
    """The calls of one genotype file, under the season's names. Raises PlateError.

    `sheet`: the marker sheet; `known_samples`: samples of the sheets of wells, which prove the layout.
    """
    if file.absent is not None:
        raise PlateError(file.absent)
    return read_batch(
        file.file,
        batch=file.batch,
        layout=file.layout,
        evidence=file.evidence,
        missing=file.missing,
        counted_allele=file.counted_allele,
        marker_sheet=sheet,
        max_markers=config.max_markers,
        shown_as=file.path,
        sheet=file.sheet,
        max_input_gb=config.max_input_gb,
        known_samples=known_samples,
        shape=file.shape,
        given=given_names(config, file, sheet),
        generic=file.alleles == GENERIC,
    )


def marker_problems(
    samples: pd.DataFrame, calls: Mapping[str, CallBatch], sheet: pd.DataFrame | None, config: Config
) -> list[Problem]:
    """Markers of the files that are not those of the others; see `strangers.marker_strangers`."""
    names = {}
    parents = []
    typed: dict[str, set[str]] = {}  # by sample of a parent, the files that it may be in
    columns = (samples[c].to_numpy(dtype=object).tolist() for c in ("role", "sample_id", "batch"))
    for role, sample, asked in zip(*columns, strict=True):
        if role == Role.PARENT:
            typed.setdefault(sample, set()).add(asked)
    for batch, read in calls.items():
        m = read.markers
        names[batch] = [
            str(i) if i not in (".", "") else f"{c}:{p}:{'/'.join(a)}"
            for i, c, p, a in zip(m.ids, m.chrom, m.pos, m.alleles, strict=True)
        ]
        if any(not typed[s].isdisjoint(("", batch)) for s in read.samples if s in typed):
            parents.append(batch)
    found = marker_strangers(
        names,
        {g.batch: g.path for g in config.genotypes},
        declared=set() if sheet is None else set(sheet["marker"]),
        own_parents=parents,
    )
    return [p for problems in found.values() for p in problems]
