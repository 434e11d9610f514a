"""What one job read of a file: candidates for the marker choice, on disk, and the merging of all parts.

Merging the parts of a file in file order gives the batch that one pass gives, byte for byte: the choice of
markers is a property of the set of records (`marker_choice`), and notes are written from counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from crossproof.errors import PlateError
from crossproof.io.calls.store import read_arrays, write_arrays
from crossproof.io.vcf.kept_records import Kept, KeptBlock, Places, join_kept
from crossproof.io.vcf.marker_choice import MarkerChoice
from crossproof.io.vcf.records import Tally


@dataclass
class RegionPart:
    """Candidates of some regions of a file.

    `expected`: number of records of the whole file by its index, None where unknown; `notes`: of the header.
    """

    choice: MarkerChoice
    expected: int | None
    notes: tuple[str, ...]


def write_part(folder: Path, part: RegionPart) -> None:
    """Write a part into `folder`, replacing it as a whole."""
    kept = join_kept(part.choice.pieces)
    part.choice.pieces = [kept]
    arrays: dict[str, NDArray[Any]] = {name: getattr(kept.places, name) for name in ("pos", "seq", "score")}
    for k, block in kept.blocks.items():
        arrays[f"rows_{k}"], arrays[f"calls_{k}"] = block.rows, block.calls
        arrays[f"has_phred_{k}"], arrays[f"has_depths_{k}"] = block.has_phred, block.has_depths
        if block.phred is not None:
            arrays[f"phred_{k}"] = block.phred
        if block.depths is not None:
            arrays[f"depths_{k}"] = block.depths
    header = {
        "samples": list(part.choice.samples),
        "limit": part.choice.limit,
        "level": part.choice.level,
        "seen": part.choice.seen,
        "tally": asdict(part.choice.tally),
        "expected": part.expected,
        "notes": list(part.notes),
        "ids": kept.ids,
        "chrom": kept.chrom,
        "unfit": kept.unfit,
        "alleles": [list(a) for a in kept.alleles],
        "blocks": sorted(kept.blocks),
    }
    write_arrays(folder, header, arrays)


def read_part(folder: Path) -> RegionPart:
    """Read a part that `write_part` wrote. Raises StoreError where it is damaged."""
    header, arrays = read_arrays(folder)
    blocks = {
        k: KeptBlock(
            arrays[f"rows_{k}"],
            arrays[f"calls_{k}"],
            arrays.get(f"phred_{k}"),
            arrays.get(f"depths_{k}"),
            arrays[f"has_phred_{k}"],
            arrays[f"has_depths_{k}"],
        )
        for k in header["blocks"]
    }
    kept = Kept(
        header["chrom"],
        header["ids"],
        [tuple(a) for a in header["alleles"]],
        Places.at(header["chrom"], arrays["pos"], arrays["score"], arrays["seq"]),
        blocks,
        header["unfit"],
    )
    return RegionPart(_choice(header, kept), header["expected"], tuple(header["notes"]))


def _choice(header: dict[str, Any], kept: Kept) -> MarkerChoice:
    aside = {why: (count, tuple(places)) for why, (count, places) in header["tally"]["aside"].items()}
    tally = Tally(**{**header["tally"], "aside": aside})
    choice = MarkerChoice(tuple(header["samples"]), header["limit"], tally=tally)
    choice.level, choice.seen = header["level"], header["seen"]
    choice.pieces = [kept] if len(kept) else []
    return choice


def merge_parts(parts: Sequence[RegionPart], *, shown_as: str) -> MarkerChoice:
    """The choice over all parts, given in file order.

    Raises PlateError where the parts hold another number of records than the index promises: then the index
    belongs to another version of the file.
    """
    first = parts[0].choice
    whole = MarkerChoice(first.samples, first.limit)
    for part in parts:
        whole.add_kept(part.choice)
    expected = parts[0].expected
    if expected is not None and whole.tally.records != expected:
        raise PlateError.at(
            shown_as,
            f"The index promises {expected} records, the file has {whole.tally.records} in those places: "
            "the index belongs to another version of the file.",
            "Make the index again (bcftools index -f), or delete it.",
        )
    return whole


__all__ = ["RegionPart", "merge_parts", "read_part", "write_part"]
