"""Reading one genotype file, whatever its format, into a `CallBatch`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.errors import PlateError, error
from crossproof.io.byte_source import read_pieces
from crossproof.io.marker_choice import MarkerChoice, marker_scores, thin_rows
from crossproof.io.marker_tables import find_layout, load_grid, marker_info, read_table, table_samples
from crossproof.io.problem_list import ProblemList
from crossproof.io.sniff import FileKind, Sniffed, sniff
from crossproof.io.vcf_header import VcfHeader, read_header
from crossproof.io.vcf_text import VcfScan
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
) -> CallBatch:
    """Read all calls of one genotype file.

    Parameters: `layout`: wide, wide-by-marker or long for a table, None to tell it from the content;
    `evidence`: what to make likelihoods from; `missing`: further spellings of a missing call in tables;
    `counted_allele`: for 0/1/2 tables, `first` or `second` allele of the marker sheet; `marker_sheet`: frame
    with marker, chrom, pos, inheritance, alleles and optionally counted_allele; `max_markers`: most markers
    to keep, None for all; `keep_samples`: samples to keep (None: all), in the file's order; `shown_as`: the
    path as the user wrote it; `panel`: samples whose diversity counts in the choice of markers (None: all);
    `sheet`: sheet of a workbook; `max_input_gb`: most the file may unpack to; `known_samples`: names that
    prove the layout of a table (default: `keep_samples`). `read_error` and `overdispersion` are not used
    here: depths are kept as they are.
    Returns the batch, its evidence resolved. Raises PlateError with every problem found.
    """
    path, shown_as = Path(path), shown_as or str(path)
    sniffed = _sniff(path, shown_as)
    if sniffed.kind is FileKind.VCF:
        out = _read_vcf(
            path, sniffed, batch, evidence, max_markers, keep_samples, shown_as, panel, max_input_gb * 1e9
        )
    elif sniffed.kind is FileKind.BCF:
        raise PlateError(error(shown_as, "BCF is not read yet.", "Convert it to VCF."))
    else:
        problems = ProblemList(shown_as)
        resolve_evidence(evidence, False, False, problems)
        problems.raise_if_any()
        out = read_table(
            path,
            sniffed,
            batch=batch,
            layout=layout,
            missing=missing,
            counted_allele=counted_allele,
            info=marker_info(marker_sheet),
            keep_samples=keep_samples,
            known_samples=known_samples if known_samples is not None else keep_samples or (),
            problems=problems,
            sheet=sheet,
            limit_bytes=max_input_gb * 1e9,
        )
        return thinned(out, max_markers, panel)
    return with_marker_sheet(out, marker_sheet)


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
    problems = ProblemList(shown_as)
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
    problems = ProblemList(shown_as)
    pieces = read_pieces(path, sniffed.packing, shown_as=shown_as, limit_bytes=limit, piece_bytes=1 << 16)
    return read_header(pieces, problems)[0]


def kept_columns(
    samples: Sequence[str], keep: Collection[str] | None, problems: ProblemList
) -> NDArray[np.int64]:
    """Places of the samples to keep, in file order; a problem where none of them is in the file."""
    if keep is None:
        return np.arange(len(samples))
    wanted = set(keep)
    columns = np.array([i for i, s in enumerate(samples) if s in wanted], dtype=np.int64)
    if not len(columns):
        problems.add(
            "None of the samples sheet's samples of this batch is in the file.",
            "Check that the right file is given for the batch, and that sample names are spelt alike.",
            value=", ".join(samples[:3]),
        )
    return columns


def resolve_evidence(asked: Evidence, has_phred: bool, has_depths: bool, problems: ProblemList) -> Evidence:
    """The evidence to use: as asked, or under `auto` the best there is."""
    if asked is Evidence.AUTO:
        if has_phred:
            return Evidence.LIKELIHOODS
        return Evidence.DEPTHS if has_depths else Evidence.CALLS
    if (asked is Evidence.LIKELIHOODS and not has_phred) or (asked is Evidence.DEPTHS and not has_depths):
        problems.add(
            f"The file has no {'PL or GL' if asked is Evidence.LIKELIHOODS else 'AD'} that evidence: "
            f"{asked.value} needs.",
            "Set evidence: auto for this file in config.yaml, or export that field.",
            value=f"evidence: {asked.value}",
        )
    return asked


def _read_vcf(
    path: Path,
    sniffed: Sniffed,
    batch: str,
    evidence: Evidence,
    max_markers: int | None,
    keep_samples: Collection[str] | None,
    shown_as: str,
    panel: Collection[str] | None,
    limit: float,
) -> CallBatch:
    problems = ProblemList(shown_as)
    pieces = read_pieces(path, sniffed.packing, shown_as=shown_as, limit_bytes=limit)
    header, rest = read_header(pieces, problems)
    columns = kept_columns(header.samples, keep_samples, problems)
    problems.raise_if_any()
    samples = tuple(header.samples[i] for i in columns)
    scan = VcfScan(
        header,
        problems,
        columns,
        want_phred=evidence in (Evidence.AUTO, Evidence.LIKELIHOODS),
        want_depths=evidence is not Evidence.CALLS,
    )
    choice = MarkerChoice(samples, max_markers, panel_places(samples, panel), tally=scan.tally)
    for records in scan.run(pieces, first=rest, line=header.lines + 1):
        choice.add(records)
    if not scan.tally.records:
        problems.add(
            "The file has a header but no records.", "Export it again; it holds no marker.", row=header.lines
        )
    has_phred, has_depths = choice.has_numeric()
    resolved = resolve_evidence(evidence, has_phred, has_depths, problems)
    problems.raise_if_any()
    out, lines = choice.finish(batch, resolved, (*sniffed.notes, *header.notes))
    check_names(out.markers, lines, problems)
    problems.raise_if_any()
    return out


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


def panel_places(samples: Sequence[str], panel: Collection[str] | None) -> NDArray[np.int64] | None:
    """Places of the panel's samples; None where none of them is here, so that all samples count."""
    if panel is None:
        return None
    wanted = set(panel)
    places = np.array([i for i, s in enumerate(samples) if s in wanted], dtype=np.int64)
    return places if len(places) else None


def check_names(markers: Markers, seq: NDArray[np.int64], problems: ProblemList) -> None:
    """A marker name may stand for one marker only."""
    seen: dict[str, int] = {}
    for i, name in enumerate(markers.ids.tolist()):
        if name == ".":
            continue
        if name in seen:
            j = seen[name]
            problems.add(
                f"Two records carry the marker name {name}: {markers.chrom[j]}:{markers.pos[j]} and "
                f"{markers.chrom[i]}:{markers.pos[i]}.",
                "Give each marker its own name, or '.' for none.",
                column="ID",
                value=name,
            )
        seen[name] = i


def with_marker_sheet(batch: CallBatch, sheet: pd.DataFrame | None) -> CallBatch:
    """The batch with inheritance, and chrom and pos where the file has none, taken from the marker sheet."""
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
    markers = Markers(batch.markers.ids.copy(), chrom, pos, batch.markers.alleles, maternal)
    return CallBatch(batch.batch, markers, batch.samples, batch.blocks, batch.evidence, batch.notes)
