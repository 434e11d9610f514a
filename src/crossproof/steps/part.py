"""One region of a large indexed genotype file, read by a job of its own."""

from __future__ import annotations

from crossproof.errors import PlateError
from crossproof.io.vcf.region_parts import write_part
from crossproof.io.vcf.variant_files import read_region, regions
from crossproof.season.index import SeasonIndex, require_unchanged
from crossproof.season.work_folder import write_kept


def part(index: SeasonIndex, digest: str, number: int) -> None:
    """Read one part of the file with this digest and say how it went."""
    batch = next(name for name, d in index.batches.items() if d == digest and name in index.parts)
    file = next(g for g in index.config.genotypes if g.batch == batch)
    said = index.folder.work("parts", digest, f"{number}.json")
    if index.folder.calls(digest).exists():
        write_kept(said, {"state": "read before"})
        return
    try:
        lists = regions(file.file, index.parts[batch], shown_as=file.path)
        if number >= len(lists):
            write_kept(said, {"state": "empty" if lists else "no index", "parts": len(lists)})
            return
        print(f"reading {file.path}, part {number + 1} of {len(lists)}", flush=True)
        found = read_region(
            file.file,
            lists[number],
            evidence=file.evidence,
            max_markers=index.config.max_markers,
            shown_as=file.path,
            max_input_gb=index.config.max_input_gb,
        )
    except PlateError as refused:
        write_kept(said, {"state": "not trusted", "problem": str(refused)})
        return
    require_unchanged(index, [index.config.shown(file.file)])
    write_part(index.folder.part(digest, number), found)
    write_kept(said, {"state": "read", "parts": len(lists)})
