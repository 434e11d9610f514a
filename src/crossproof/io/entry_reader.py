"""One genotype file read as its entry in config.yaml says."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from crossproof.errors import PlateError
from crossproof.io.config.season_config import Config, GenotypeFile
from crossproof.io.genotypes import read_batch
from crossproof.io.intake.name_lists import GivenNames, other_names, read_list
from crossproof.model.genotypes import CallBatch

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
