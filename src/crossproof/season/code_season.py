"""The season that codes of a folder hold."""

from __future__ import annotations

from crossproof.io.config.season_config import Config
from crossproof.io.records.issued_tags import read_issued
from crossproof.model.tag_numbers import is_season


def code_season(config: Config) -> str:
    """That of the tags printed, else the season of config.yaml where it is four to six digits, else ""."""
    issued, _ = read_issued(config.root)
    if issued is not None:
        return issued.season
    return config.season if is_season(config.season) else ""
