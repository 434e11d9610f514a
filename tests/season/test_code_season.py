"""The season that codes hold: that of printed tags, else a season of config.yaml that is a number."""

from __future__ import annotations

import pytest
from nursery import make_nursery

from crossproof.io.config.season_config import read_config
from crossproof.season.code_season import code_season


@pytest.mark.parametrize(
    ("printed", "said", "season"),
    [
        (True, "", "2027"),
        (True, "2026", "2027"),
        (False, "2026", "2026"),
        (False, "spring", ""),
        (False, "", ""),
    ],
)
def test_season_of_the_codes(tmp_path, printed, said, season):
    folder = make_nursery(tmp_path / "n", printed=printed)
    config = folder / "config.yaml"
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace('#season: ""', f'season: "{said}"'), encoding="utf-8")
    assert code_season(read_config(folder)) == season
