"""The summary in the terminal: counts, people with their caution, findings, and names that are no markup."""

from __future__ import annotations

import io
from pathlib import Path

import pandas as pd
import pytest
from rich.console import Console

from crossproof.rates.tables.season import CAUTION_SHORT
from crossproof.runner.summary import season_summary

PLANTS = [
    ("C1", "hybrid", "keep"),
    ("C1", "hybrid", "keep"),
    ("C2", "hybrid", "hold"),
    ("C2", "self", "cull"),
    ("C2", "undetermined", "retest"),
]


@pytest.fixture
def results(tmp_path: Path) -> Path:
    pd.DataFrame(PLANTS, columns=["cross_id", "verdict", "decision"]).to_csv(
        tmp_path / "verdicts.csv", index=False
    )
    people = {
        "operator": ["Ana[/]", "\x1b[31mBo", ""],
        "tags": [6, 1, 2],
        "determined": [30, 3, 0],
        "selfing_rate": [0.104, 0.5, None],
        "selfing_rate_low": [0.05, 0.2, None],
        "selfing_rate_high": [0.2, 0.8, None],
        "judgement": ["", "too few", "too few"],
    }
    pd.DataFrame(people).to_csv(tmp_path / "operators.csv", index=False)
    found = pd.DataFrame({"plate": ["P1", "P2"], "findings": ["", "rotated by 180 degrees [bold]"]})
    found.to_csv(tmp_path / "plates.csv", index=False)
    return tmp_path


def shown(results: Path) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=120, highlight=False, force_terminal=False).print(season_summary(results))
    return [line.rstrip() for line in out.getvalue().splitlines()]


def test_plants_are_counted_by_verdict_and_decision(results: Path) -> None:
    lines = [line.split() for line in shown(results)]
    assert ["5", "plants"] in lines
    assert ["hybrid", "2", "1", "3"] in lines  # two kept, one held
    assert ["self", "1", "1"] in lines
    assert ["undetermined", "1", "1"] in lines
    assert ["outcross", "0"] in lines
    assert any(line[:6] == ["Keep", "2", "plants", "of", "1", "cross."] for line in lines)


def test_people_stand_with_limits_and_a_caution(results: Path) -> None:
    text = "\n".join(shown(results))
    assert "10 %   5 % to 20 %" in text
    assert CAUTION_SHORT in text
    few = next(line for line in text.splitlines() if "Bo" in line)
    assert "too few plants or tags to say more" in few
    nobody = next(line for line in text.splitlines() if "nobody named" in line)
    assert "- to -" in nobody


def test_names_are_text(results: Path) -> None:
    text = "\n".join(shown(results))
    assert "Ana[/]" in text
    assert "\x1b" not in text
    assert "P2: rotated by 180 degrees [bold]" in text
    assert "P1:" not in text


def test_missing_tables_leave_the_rest(results: Path, tmp_path: Path) -> None:
    (results / "operators.csv").unlink()
    assert CAUTION_SHORT not in "\n".join(shown(results))
    (results / "verdicts.csv").unlink()
    assert shown(results) == ["There are no verdicts to summarise."]


def test_long_lists_are_cut(results: Path) -> None:
    many = pd.DataFrame({"sample_id": [f"s{i}" for i in range(40)], "findings": "low call rate"})
    many.to_csv(results / "samples.csv", index=False)
    lines = shown(results)
    assert sum("low call rate" in line for line in lines) == 11  # with the plate's finding, twelve
    assert any("and 29 more in the report" in line for line in lines)
