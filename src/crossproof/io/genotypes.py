"""Reading one genotype file, whatever its format, into a `CallBatch`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from crossproof.io.files.byte_source import packing_of
from crossproof.io.files.sniff import FileKind, Sniffed
from crossproof.io.intake.name_lists import NO_NAMES, GivenNames
from crossproof.io.intake.table_shape import TableShape
from crossproof.io.problems import Problems, TooManyProblems
from crossproof.io.tables.layouts import find_layout, marker_info, table_samples
from crossproof.io.tables.marker_tables import load_grid, read_table
from crossproof.io.vcf.marker_choice import marker_scores, thin_rows
from crossproof.io.vcf.variant_files import (
    header_of,
    merge_regions,
    panel_places,
    read_region,
    resolve_evidence,
    sniff_there,
)
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence


def read_batch(
    path: Path,
    *,
    batch: str,
    layout: str | None = None,
    evidence: Evidence = Evidence.AUTO,
    missing: Sequence[str] = (),
    counted_allele: str | None = None,
    marker_sheet: pd.DataFrame | None = None,
    max_markers: int | None = 20_000,
    keep_samples: Collection[str] | None = None,
    shown_as: str | None = None,
    panel: Collection[str] | None = None,
    sheet: str | None = None,
    max_input_gb: float = 64.0,
    known_samples: Collection[str] | None = None,
    shape: TableShape | None = None,
    given: GivenNames = NO_NAMES,
    generic: bool = False,
) -> CallBatch:
    """Read all calls of one genotype file.

    Parameters: `layout`: wide, wide-by-marker or long for a table, None to tell it from the content;
    `evidence`: what to make likelihoods from; `missing`: further spellings of a missing call in tables;
    `counted_allele`: for 0/1/2 tables, `first` or `second` allele of the marker sheet; `marker_sheet`: frame
    with marker, chrom, pos, inheritance, alleles and optionally counted_allele; `max_markers`: most markers
    to keep, None for all; `keep_samples`: samples to keep (None: all), in the file's order; `shown_as`: the
    path as the user wrote it; `panel`: samples whose diversity counts in the choice of markers (None: all);
    `sheet`: sheet of a workbook; `max_input_gb`: most the file may unpack to; `known_samples`: names that
    prove the layout of a table (default: `keep_samples`); `shape`: how a table is written, where that is not
    found from its content; `given`: what the file's names stand for; `generic`: whether the alleles of a
    table are called A and B, or 1 and 2, at every marker.
    Returns the batch, its evidence resolved. Raises PlateError with every problem found.
    """
    path, shown_as = Path(path), shown_as or str(path)
    if shape is not None and shape.encoding is not None:
        # Whoever names the encoding says that it is a text table; only such text may hold zero bytes.
        sniffed = Sniffed(FileKind.TABLE, packing_of(path))
    else:
        sniffed = sniff_there(path, shown_as)
    if sniffed.kind in (FileKind.VCF, FileKind.BCF):
        part = read_region(
            path,
            None,
            evidence=evidence,
            max_markers=max_markers,
            keep_samples=keep_samples,
            shown_as=shown_as,
            panel=panel,
            max_input_gb=max_input_gb,
        )
        return merge_regions(
            [part],
            batch=batch,
            evidence=evidence,
            marker_sheet=marker_sheet,
            shown_as=shown_as,
            given=given,
        )
    problems = Problems(shown_as, alike=True)
    resolve_evidence(evidence, False, False, problems)
    problems.raise_if_any()
    out = _table_within(
        problems,
        path,
        sniffed,
        batch=batch,
        layout=layout,
        missing=missing,
        counted_allele=counted_allele,
        info=marker_info(marker_sheet),
        keep_samples=keep_samples,
        known_samples=known_samples if known_samples is not None else keep_samples or (),
        sheet=sheet,
        limit_bytes=max_input_gb * 1e9,
        shape=shape or TableShape(),
        given=given,
        generic=generic,
    )
    return thinned(out, max_markers, panel)


def _table_within(problems: Problems, path: Path, sniffed: Sniffed, **how: Any) -> CallBatch:
    """A marker table; where it has far too many problems, those found until then are raised."""
    try:
        return read_table(path, sniffed, problems=problems, **how)
    except TooManyProblems:
        problems.raise_if_any()
        raise AssertionError from None


def peek_samples(
    path: Path,
    *,
    layout: str | None = None,
    sheet: str | None = None,
    known_samples: Collection[str] | None = None,
    known_markers: Collection[str] | None = None,
    shown_as: str | None = None,
    max_input_gb: float = 64.0,
) -> tuple[str, ...]:
    """Sample names of a genotype file, in its order, without reading its calls where the format allows.

    Raises PlateError where not even that can be read.
    """
    path, shown_as = Path(path), shown_as or str(path)
    sniffed = sniff_there(path, shown_as)
    if sniffed.kind in (FileKind.VCF, FileKind.BCF):
        return header_of(path, sniffed, shown_as, max_input_gb * 1e9).samples
    problems = Problems(shown_as, alike=True)
    grid = load_grid(path, sniffed, problems, sheet=sheet, limit_bytes=max_input_gb * 1e9)
    how = find_layout(grid, layout, known_samples or (), known_markers or (), problems)
    return table_samples(grid, how, problems)


def thinned(batch: CallBatch, limit: int | None, panel: Collection[str] | None) -> CallBatch:
    """At most `limit` markers of a table, chosen as in a VCF; by column order where positions are unknown."""
    if limit is None or len(batch.markers) <= limit:
        return batch
    markers = batch.markers
    pos = np.where(markers.chrom == "", np.arange(1, len(markers) + 1), markers.pos)
    score = np.zeros(len(markers), dtype=np.int32)
    places = panel_places(batch.samples, panel)
    for block in batch.blocks:
        score[block.rows] = marker_scores(block.calls, places)
    rows = thin_rows(markers.chrom.tolist(), pos, score, limit)
    new_row = np.full(len(markers), -1, dtype=np.int64)
    new_row[rows] = np.arange(len(rows))
    blocks = []
    for block in batch.blocks:
        keep = np.flatnonzero(new_row[block.rows] >= 0)
        if len(keep):
            blocks.append(CallBlock(block.k, new_row[block.rows[keep]], block.calls[keep]))
    note = f"{len(markers)} markers thinned to {len(rows)}, evenly along the genome"
    return replace(batch, markers=markers.take(rows), blocks=tuple(blocks), notes=(*batch.notes, note))
