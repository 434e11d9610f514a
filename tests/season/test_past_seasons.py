"""`previous_seasons` of config.yaml: folders checked, results followed."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from crossproof.errors import InputError
from crossproof.io.config.season_config import read_config
from crossproof.season.past_seasons import previous_problems, previous_seasons
from crossproof.season.templates import new_season

sys.path.insert(0, str(Path(__file__).parents[1] / "rates"))
from years_seasons import folder_of, year


def config_with(root: Path, text: str):
    new_season(root / "now")
    path = root / "now" / "config.yaml"
    kept = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("previous_seasons")]
    path.write_text("\n".join(kept) + f"\n{text}\n", "utf-8")
    return read_config(path)


def test_seasons_beside_this_one_are_read_where_that_is_allowed(tmp_path: Path) -> None:
    folder_of(year(0, tags=12), tmp_path)
    config = config_with(tmp_path, "previous_seasons: [../nursery_2028]\nallow_outside: true")
    assert [s.name for s in previous_seasons(config)] == ["nursery_2028"]


def test_every_fault_is_named(tmp_path: Path) -> None:
    folder_of(year(0, tags=12), tmp_path)
    config = config_with(tmp_path, "previous_seasons: [../nursery_2028, ., earlier]")
    said = [(p.value, p.problem) for p in previous_problems(config)]
    assert said == [
        ("../nursery_2028", "This path leads out of the season folder."),
        (".", "This is the season itself."),
        ("earlier", "There is no finished run in this folder."),
    ]
    with pytest.raises(InputError) as refused:
        previous_seasons(config)
    assert len(refused.value.problems) == 3
