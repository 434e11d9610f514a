"""Reading a large indexed genotype file by region, in several jobs.

Each job leaves its part in the cache and says so in work/parts; the file's ingest job puts them together. The
parts together are, byte for byte, what one pass over the file gives. Whatever stands in the way of a part (an
index that is gone, a file that cannot be trusted) is left to that one pass, which says all that is wrong.
"""

from __future__ import annotations

import shutil

import pandas as pd

from crossproof.io.calls.store import StoreError
from crossproof.io.config.season_config import GenotypeFile
from crossproof.io.entry_reader import given_names
from crossproof.io.vcf.region_parts import read_part
from crossproof.io.vcf.variant_files import merge_regions
from crossproof.model.genotypes import CallBatch
from crossproof.season.index import SeasonIndex
from crossproof.season.work_folder import read_kept


def joined_parts(
    index: SeasonIndex, file: GenotypeFile, digest: str, sheet: pd.DataFrame | None
) -> CallBatch | None:
    """The file put together from its parts; None where it has none or not all were read."""
    count = index.parts.get(file.batch, 0)
    said = [read_kept(index.folder.work("parts", digest, f"{p}.json")) or {} for p in range(count)]
    read = [p for p, s in enumerate(said) if s.get("state") == "read"]
    if not read or len(read) != said[read[0]]["parts"]:
        return None
    try:
        parts = [read_part(index.folder.part(digest, p)) for p in read]
    except (FileNotFoundError, StoreError):
        return None
    return merge_regions(
        parts,
        batch=file.batch,
        evidence=file.evidence,
        marker_sheet=sheet,
        shown_as=file.path,
        given=given_names(index.config, file, sheet),
    )


def forget_parts(index: SeasonIndex, digest: str) -> None:
    """Delete the parts of a file that has been put together."""
    shutil.rmtree(index.folder.part(digest, 0).parent, ignore_errors=True)
