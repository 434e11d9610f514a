"""Reading one genotype file, whatever its format, into a `CallBatch`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import PlateError, error
from crossproof.io.files.byte_source import Packing, packing_of, read_pieces
from crossproof.io.files.sniff import FileKind, Sniffed, sniff
from crossproof.io.intake.name_lists import NO_NAMES, GivenNames, renamed
from crossproof.io.intake.table_shape import TableShape
from crossproof.io.problems import MOST_ALIKE, Problems, TooManyProblems
from crossproof.io.tables.layouts import find_layout, marker_info, table_samples
from crossproof.io.tables.marker_tables import load_grid, read_table
from crossproof.io.vcf.bcf import read_bcf, read_bcf_header
from crossproof.io.vcf.header import VcfHeader, read_header
from crossproof.io.vcf.marker_choice import MarkerChoice, marker_scores, thin_rows
from crossproof.io.vcf.records import ASIDE
from crossproof.io.vcf.region_parts import RegionPart, merge_parts
from crossproof.io.vcf.regions import Region, cut, index_path, read_index
from crossproof.io.vcf.text import VcfScan
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers


def read_batch(
    path: Path,
    *,
    batch: str,
    layout: str | None = None,
    evidence: Evidence = Evidence.AUTO,
    missing: Sequence[str] = (),
    counted_allele: str | None = None,
    marker_sheet: pd.DataFrame | None = None,
    read_error: float = 0.01,
    overdispersion: float = 0.02,
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
    table are called A and B, or 1 and 2, at every marker. `read_error` and `overdispersion` are not used
    here: depths are kept as they are.
    Returns the batch, its evidence resolved. Raises PlateError with every problem found.
    """
    path, shown_as = Path(path), shown_as or str(path)
    if shape is not None and shape.encoding is not None:
        # Whoever names the encoding says that it is a text table; only such text may hold zero bytes.
        sniffed = Sniffed(FileKind.TABLE, packing_of(path))
    else:
        sniffed = _sniff(path, shown_as)
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
    sniffed = _sniff(path, shown_as)
    if sniffed.kind is FileKind.VCF:
        return _vcf_header(path, sniffed, shown_as, max_input_gb * 1e9).samples
    problems = Problems(shown_as, alike=True)
    if sniffed.kind is FileKind.BCF:
        return read_bcf_header(path, sniffed.packing, problems, max_input_gb * 1e9).samples
    grid = load_grid(path, sniffed, problems, sheet=sheet, limit_bytes=max_input_gb * 1e9)
    how = find_layout(grid, layout, known_samples or (), known_markers or (), problems)
    return table_samples(grid, how, problems)


def _sniff(path: Path, shown_as: str) -> Sniffed:
    if not path.exists():
        raise PlateError(
            error(shown_as, "There is no such file.", "Check the path in config.yaml, under genotypes.")
        )
    return sniff(path, shown_as=shown_as)


def _vcf_header(path: Path, sniffed: Sniffed, shown_as: str, limit: float) -> VcfHeader:
    problems = Problems(shown_as, alike=True)
    pieces = read_pieces(path, sniffed.packing, shown_as=shown_as, limit_bytes=limit, piece_bytes=1 << 16)
    return read_header(pieces, problems)[0]


def kept_columns(samples: Sequence[str], keep: Collection[str] | None, problems: Problems) -> Ints:
    """Places of the samples to keep, in file order; a problem where none of them is in the file."""
    if keep is None:
        return np.arange(len(samples))
    wanted = set(keep)
    columns = np.array([i for i, s in enumerate(samples) if s in wanted], dtype=np.int64)
    if not len(columns):
        problems.error(
            "None of the samples sheet's samples of this batch is in the file.",
            "Check that the right file is given for the batch, and that sample names are spelt alike.",
            value=", ".join(samples[:3]),
        )
    return columns


def resolve_evidence(asked: Evidence, has_phred: bool, has_depths: bool, problems: Problems) -> Evidence:
    """The evidence to use: as asked, or under `auto` the best there is."""
    if asked is Evidence.AUTO:
        if has_phred:
            return Evidence.LIKELIHOODS
        return Evidence.DEPTHS if has_depths else Evidence.CALLS
    if (asked is Evidence.LIKELIHOODS and not has_phred) or (asked is Evidence.DEPTHS and not has_depths):
        problems.error(
            f"The file has no {'PL or GL' if asked is Evidence.LIKELIHOODS else 'AD'} that evidence: "
            f"{asked.value} needs.",
            "Set evidence: auto for this file in config.yaml, or export that field.",
            value=f"evidence: {asked.value}",
        )
    return asked


def read_region(
    path: Path,
    regions: Sequence[Region] | None,
    *,
    evidence: Evidence = Evidence.AUTO,
    max_markers: int | None = 20_000,
    keep_samples: Collection[str] | None = None,
    shown_as: str | None = None,
    panel: Collection[str] | None = None,
    max_input_gb: float = 64.0,
) -> RegionPart:
    """Candidates of some regions of an indexed VCF or BCF file, for `merge_regions`.

    Parameters: `regions`: one of the lists that `regions()` gave, None for the whole file; the others as
    `read_batch`, and alike for all parts of a file. Raises PlateError with every problem found.
    """
    path, shown_as = Path(path), shown_as or str(path)
    sniffed = _sniff(path, shown_as)
    limit = max_input_gb * 1e9
    problems = Problems(shown_as, alike=True)
    want_phred = evidence in (Evidence.AUTO, Evidence.LIKELIHOODS)
    want_depths = evidence is not Evidence.CALLS
    if sniffed.kind is FileKind.BCF:
        header = read_bcf_header(path, sniffed.packing, problems, limit)
        columns = kept_columns(header.samples, keep_samples, problems)
        problems.raise_if_any()
        places = panel_places([header.samples[i] for i in columns], panel)
        index = None
        if regions is not None:
            index = read_index(path, tuple(header.contigs), shown_as=shown_as)
        return read_bcf(
            path,
            sniffed.packing,
            columns=columns.tolist(),
            header=header,
            limit=max_markers,
            panel=None if places is None else places.tolist(),
            want_phred=want_phred,
            want_depths=want_depths,
            regions=regions,
            expected=None if index is None else index.records,
            problems=problems,
            limit_bytes=limit,
        )
    pieces = read_pieces(path, sniffed.packing, shown_as=shown_as, limit_bytes=limit)
    header, rest = read_header(pieces, problems)
    columns = kept_columns(header.samples, keep_samples, problems)
    problems.raise_if_any()
    samples = tuple(header.samples[i] for i in columns)
    scan = VcfScan(header, problems, columns, want_phred, want_depths, known_lines=regions is None)
    choice = MarkerChoice(samples, max_markers, panel_places(samples, panel), tally=scan.tally)
    expected = None
    if regions is None:
        for records in scan.run(pieces, first=rest, line=header.lines + 1):
            choice.add(records)
        if choice.mostly_aside():
            problems.extend(scan.aside.listed()[:MOST_ALIKE])
    else:
        index = read_index(path, tuple(header.contigs), shown_as=shown_as)
        if index is None:
            raise PlateError(
                error(shown_as, "The file's index is gone.", "Make it again (bcftools index), and run again.")
            )
        expected = index.records
        for region in regions:
            pieces = read_pieces(
                path,
                sniffed.packing,
                shown_as=shown_as,
                limit_bytes=limit,
                virtual_offset=index.offset(region),
            )
            for records in scan.run(pieces, region=(region.contig, region.start, region.end)):
                choice.add(records)
    problems.raise_if_any()
    return RegionPart(choice, expected, (*sniffed.notes, *header.notes))


def merge_regions(
    parts: Sequence[RegionPart],
    *,
    batch: str,
    evidence: Evidence = Evidence.AUTO,
    marker_sheet: pd.DataFrame | None = None,
    shown_as: str,
    given: GivenNames = NO_NAMES,
) -> CallBatch:
    """The batch of all parts of a file, given in the order of `regions()`; equal to one pass over the file.

    Raises PlateError where the file has no records, lacks the evidence asked for, or does not fit its index.
    """
    problems = Problems(shown_as, alike=True)
    alone = len(parts) == 1 and parts[0].expected is None
    choice = parts[0].choice if alone else merge_parts(parts, shown_as=shown_as)
    if choice.mostly_aside():
        for note in choice.tally.notes():
            if ASIDE in note:
                problems.error(note.replace(ASIDE, "records cannot be used: "), "Export the file again.")
    elif not choice.tally.records:
        problems.error("The file has a header but no records.", "Export it again; it holds no marker.")
    elif not choice.pieces:
        problems.error("Every record has more alleles than can be judged.", "Export it with fewer alleles.")
    has_phred, has_depths = choice.has_numeric()
    resolved = resolve_evidence(evidence, has_phred, has_depths, problems)
    problems.raise_if_any()
    out, seq = choice.finish(batch, resolved, parts[0].notes)
    check_names(out.markers, seq, problems)
    problems.raise_if_any()
    out = renamed(out, given, problems)
    problems.raise_if_any()
    return with_marker_sheet(out, marker_sheet)


def regions(path: Path, jobs: int, *, shown_as: str | None = None) -> tuple[tuple[Region, ...], ...]:
    """At most `jobs` lists of regions that together hold every record once, in file order.

    Returns () where the file is no indexed bgzip VCF or BCF: it has to be read in one pass.
    """
    path, shown_as = Path(path), shown_as or str(path)
    sniffed = _sniff(path, shown_as)
    if sniffed.kind not in (FileKind.VCF, FileKind.BCF) or sniffed.packing is not Packing.BGZF:
        return ()
    if index_path(path) is None:
        return ()
    header = (
        read_bcf_header(path, sniffed.packing, Problems(shown_as, alike=True), 1e15)
        if sniffed.kind is FileKind.BCF
        else _vcf_header(path, sniffed, shown_as, 1e15)
    )
    index = read_index(path, tuple(header.contigs), shown_as=shown_as)
    return () if index is None else cut(index, jobs, path.stat().st_size)


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
    return CallBatch(
        batch.batch,
        markers.take(rows),
        batch.samples,
        tuple(blocks),
        batch.evidence,
        (*batch.notes, note),
    )


def panel_places(samples: Sequence[str], panel: Collection[str] | None) -> Ints | None:
    """Places of the panel's samples; None where none of them is here, so that all samples count."""
    if panel is None:
        return None
    wanted = set(panel)
    places = np.array([i for i, s in enumerate(samples) if s in wanted], dtype=np.int64)
    return places if len(places) else None


def check_names(markers: Markers, seq: Ints, problems: Problems) -> None:
    """A marker name may stand for one marker only."""
    seen: dict[str, int] = {}
    for i, name in enumerate(markers.ids.tolist()):
        if name == ".":
            continue
        if name in seen:
            j = seen[name]
            problems.error(
                f"Two records carry the marker name {name}: {markers.chrom[j]}:{markers.pos[j]} and "
                f"{markers.chrom[i]}:{markers.pos[i]}.",
                "Give each marker its own name, or '.' for none.",
                column="ID",
                value=name,
            )
        seen[name] = i


def with_marker_sheet(batch: CallBatch, sheet: pd.DataFrame | None) -> CallBatch:
    """The batch with inheritance, map positions, and chrom and pos where the file has none, taken from the
    marker sheet."""
    if sheet is None or not len(sheet):
        return batch
    names = sheet["marker"].astype(str)
    place = {name: i for i, name in enumerate(names)}
    at = np.array([place.get(str(i), -1) for i in batch.markers.ids], dtype=np.int64)
    found = at >= 0
    maternal = batch.markers.maternal.copy()
    if "inheritance" in sheet:
        says = (sheet["inheritance"].astype(str).str.strip().str.lower() == "maternal").to_numpy()
        maternal[found] |= says[at[found]]
    chrom, pos = batch.markers.chrom.copy(), batch.markers.pos.copy()
    for i in np.flatnonzero(found & np.array([c == "" for c in chrom], dtype=bool)):
        if "chrom" in sheet and not pd.isna(sheet["chrom"].iloc[at[i]]):
            chrom[i] = str(sheet["chrom"].iloc[at[i]])
        if "pos" in sheet and not pd.isna(sheet["pos"].iloc[at[i]]):
            pos[i] = int(sheet["pos"].iloc[at[i]])
    cm = batch.markers.cm.copy()
    if "cm" in sheet:
        cm[found] = pd.to_numeric(sheet["cm"], errors="coerce").to_numpy(dtype=np.float64)[at[found]]
    markers = Markers(batch.markers.ids.copy(), chrom, pos, batch.markers.alleles, maternal, cm)
    return CallBatch(batch.batch, markers, batch.samples, batch.blocks, batch.evidence, batch.notes)
