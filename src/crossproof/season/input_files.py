"""Which files a season is made of: sheets of records, genotype files with their lists, earlier results."""

from __future__ import annotations

from pathlib import Path

from crossproof.io.config.season_config import Config
from crossproof.io.records.issued_tags import TAGS_FILE
from crossproof.season.past_seasons import previous_files, previous_problems


def record_sheets(config: Config) -> list[Path]:
    """The tables of records: crosses, samples, markers, corrections, and printed tags where there are any."""
    optional = [p for p in (config.markers_file, config.corrections_file) if p is not None]
    printed = config.root / TAGS_FILE
    return [
        config.crosses_file,
        *config.sample_files,
        *optional,
        *([printed] if printed.is_file() else []),
    ]


def input_names(config: Config) -> frozenset[str]:
    """What a run with this configuration reads, files as they are named to the user."""
    return frozenset(config.shown(p) for p in [config.source, *input_files(config)])


def input_files(config: Config) -> list[Path]:
    """The files that a run with this configuration reads, but for the configuration itself."""
    return [
        *record_sheets(config),
        *(g.file for g in config.genotypes if g.absent is None),
        *(p for g in config.genotypes for p in g.lists),
        *(previous_files(config) if not previous_problems(config) else ()),
    ]
