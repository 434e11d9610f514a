"""Into how many jobs the reading of genotype files and the judging of crosses is cut."""

from __future__ import annotations

import os
from pathlib import Path

from crossproof.io.vcf.regions import index_path

LEAST_BUCKETS = 4
FILES_PER_BUCKET = 8
PART_BYTES = 256 << 20
"""Size of the parts in which a large indexed genotype file is read."""
PART_BYTES_VARIABLE = "CROSSPROOF_PART_BYTES"
MOST_PARTS = 16


def parts_of(path: Path) -> int:
    """Number of jobs to read a genotype file in: several for a large one with an index beside it."""
    if not path.exists() or index_path(path) is None:
        return 1
    piece = int(os.environ.get(PART_BYTES_VARIABLE, PART_BYTES))
    return min(MOST_PARTS, path.stat().st_size // piece)


def suitable_buckets(files: int) -> int:
    """Number of buckets for a season that starts with this many genotype files.

    Each bucket is a job or two, so a small season has few. The number is kept as the season grows, so that
    no file or cross moves to another bucket.
    """
    return max(LEAST_BUCKETS, 1 << max(files // FILES_PER_BUCKET - 1, 0).bit_length())
