"""VCF and BCF files read into a `CallBatch`, in one pass or by regions in several jobs."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.errors import PlateError
from crossproof.io.files.byte_source import Packing, read_pieces
from crossproof.io.files.sniff import FileKind, Sniffed, sniff
from crossproof.io.intake.name_lists import NO_NAMES, GivenNames, kept_columns, renamed
from crossproof.io.problems import MOST_ALIKE, Problems
from crossproof.io.vcf.bcf import read_bcf, read_bcf_header
from crossproof.io.vcf.header import VcfHeader, read_header
from crossproof.io.vcf.marker_choice import MarkerChoice
from crossproof.io.vcf.records import ASIDE
from crossproof.io.vcf.region_parts import RegionPart, merge_parts
from crossproof.io.vcf.regions import Region, cut, index_path, read_index
from crossproof.io.vcf.text import VcfScan
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import CallBatch, Evidence, Markers

_NO_LIMIT = 1e15
_KEPT_FREE = 31 << 20


def sniff_there(path: Path, shown_as: str) -> Sniffed:
    """What a file of config.yaml holds. Raises PlateError where it is not there."""
    if not path.exists():
        raise PlateError.at(
            shown_as, "There is no such file.", "Check the path in config.yaml, under genotypes."
        )
    return sniff(path, shown_as=shown_as)


def header_of(path: Path, sniffed: Sniffed, shown_as: str, limit_bytes: float = _NO_LIMIT) -> VcfHeader:
    """The header of a VCF or BCF file. Raises PlateError."""
    problems = Problems(shown_as, alike=True)
    if sniffed.kind is FileKind.BCF:
        return read_bcf_header(path, sniffed.packing, problems, limit_bytes)
    pieces = read_pieces(
        path, sniffed.packing, shown_as=shown_as, limit_bytes=limit_bytes, piece_bytes=1 << 16
    )
    return read_header(pieces, problems)[0]


def _keep_freed_memory() -> None:
    """Let the C library hand freed memory out again, rather than give it back to the system piece by piece.

    Pieces and their arrays come and go by the thousand, and each new page costs. The GNU C library raises
    what it keeps to the largest block that was ever freed, of up to 32 MiB (mallopt(3), M_MMAP_THRESHOLD);
    nothing is touched of the block below. Other libraries are not the worse for it.
    """
    np.empty(_KEPT_FREE, dtype=np.uint8)


def _pieces(
    path: Path, sniffed: Sniffed, shown_as: str, limit_bytes: float, virtual_offset: int = 0
) -> Iterator[bytes]:
    """Text of a file from a place on, block by block where it has blocks: whole lines are joined later."""
    size = 1 if sniffed.packing is Packing.BGZF else 1 << 22
    return read_pieces(
        path,
        sniffed.packing,
        shown_as=shown_as,
        limit_bytes=limit_bytes,
        piece_bytes=size,
        virtual_offset=virtual_offset,
    )


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
    sniffed, limit = sniff_there(path, shown_as), max_input_gb * 1e9
    problems = Problems(shown_as, alike=True)
    want_phred = evidence in (Evidence.AUTO, Evidence.LIKELIHOODS)
    want_depths = evidence is not Evidence.CALLS
    pieces: Iterator[bytes] = iter(())
    rest = b""
    if sniffed.kind is FileKind.BCF:
        header = read_bcf_header(path, sniffed.packing, problems, limit)
    else:
        _keep_freed_memory()
        pieces = _pieces(path, sniffed, shown_as, limit)
        header, rest = read_header(pieces, problems)
    columns = kept_columns(header.samples, keep_samples, problems)
    problems.raise_if_any()
    samples = tuple(header.samples[i] for i in columns)
    places = panel_places(samples, panel)
    index = None if regions is None else read_index(path, tuple(header.contigs), shown_as=shown_as)
    if sniffed.kind is FileKind.BCF:
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
    scan = VcfScan(header, problems, columns, want_phred, want_depths, known_lines=regions is None)
    choice = MarkerChoice(samples, max_markers, places, tally=scan.tally)
    if regions is None:
        for records in scan.run(pieces, first=rest, line=header.lines + 1):
            choice.add(records)
        if choice.mostly_aside():
            problems.extend(scan.aside.listed()[:MOST_ALIKE])
    elif index is None:
        raise PlateError.at(
            shown_as, "The file's index is gone.", "Make it again (bcftools index), and run again."
        )
    for region in regions or ():
        assert index is not None
        at = index.offset(region)
        pieces = _pieces(path, sniffed, shown_as, limit, at)
        for records in scan.run(pieces, region=(region.contig, region.start, region.end)):
            choice.add(records)
    problems.raise_if_any()
    return RegionPart(choice, None if index is None else index.records, (*sniffed.notes, *header.notes))


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
    out = choice.finish(batch, resolved, parts[0].notes)
    check_names(out.markers, problems)
    problems.raise_if_any()
    out = renamed(out, given, problems)
    problems.raise_if_any()
    return with_marker_sheet(out, marker_sheet)


def regions(path: Path, jobs: int, *, shown_as: str | None = None) -> tuple[tuple[Region, ...], ...]:
    """At most `jobs` lists of regions that together hold every record once, in file order.

    Returns () where the file is no indexed bgzip VCF or BCF: it has to be read in one pass.
    """
    path, shown_as = Path(path), shown_as or str(path)
    sniffed = sniff_there(path, shown_as)
    if sniffed.kind not in (FileKind.VCF, FileKind.BCF) or sniffed.packing is not Packing.BGZF:
        return ()
    if index_path(path) is None:
        return ()
    header = header_of(path, sniffed, shown_as)
    index = read_index(path, tuple(header.contigs), shown_as=shown_as)
    return () if index is None else cut(index, jobs, path.stat().st_size)


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


def panel_places(samples: Sequence[str], panel: Collection[str] | None) -> Ints | None:
    """Places of the panel's samples; None where none of them is here, so that all samples count."""
    places = np.flatnonzero([s in (panel or ()) for s in samples])
    return places if len(places) else None


def check_names(markers: Markers, problems: Problems) -> None:
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
    return replace(batch, markers=replace(batch.markers, chrom=chrom, pos=pos, maternal=maternal, cm=cm))
