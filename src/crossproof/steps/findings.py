"""Findings of the plate checks as the later steps use them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from crossproof.season_index import SeasonIndex
from crossproof.work_folder import read_json


@dataclass(frozen=True)
class FindingsOfSeason:
    """Plain rows of all findings, and whose plants wait for an answer.

    `by_plate`, `by_cross`, `by_line`, `by_sample`: sentences for the `findings` column of each table.
    `mixed`: samples in which mixed DNA was found.
    """

    rows: tuple[dict[str, Any], ...] = ()
    by_plate: dict[str, list[str]] = field(default_factory=dict)
    by_cross: dict[str, list[str]] = field(default_factory=dict)
    by_line: dict[str, list[str]] = field(default_factory=dict)
    by_sample: dict[str, list[str]] = field(default_factory=dict)
    held_plates: frozenset[str] = frozenset()
    held_samples: frozenset[str] = frozenset()
    mixed: frozenset[str] = frozenset()


def read_findings(index: SeasonIndex) -> FindingsOfSeason:
    """All findings of the season, as the examine jobs wrote them."""
    rows: list[dict[str, Any]] = []
    for bucket in index.slices()["examine"]:
        rows += (read_json(index.folder.work("examine", f"{bucket}.json")) or {}).get("findings", [])
    return FindingsOfSeason(tuple(rows))
