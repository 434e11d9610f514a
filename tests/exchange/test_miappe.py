"""A season in the terms of MIAPPE v1.2."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from crossproof.exchange.miappe import MOST_LISTED, miappe_block
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.season.templates import new_season


@pytest.fixture
def season(tmp_path: Path) -> Season:
    new_season(tmp_path / "s")
    return read_season(tmp_path / "s")


def test_the_block(season: Season) -> None:
    block = miappe_block(season.crosses, season.samples, title="bean 2025")
    assert block["miappeVersion"] == "1.2"
    assert block["study"]["startDate"] == block["study"]["endDate"] == "2025-06-04"
    # The checklist's own form for material from a crossing: "mother_accession X father_accession".
    assert block["biologicalMaterials"] == {
        "count": 3,
        "listed": [
            {"biologicalMaterialId": "Lark", "materialSourceId": "Lark"},
            {"biologicalMaterialId": "Wren", "materialSourceId": "Wren"},
            {"biologicalMaterialId": "X001-1", "materialSourceId": "Lark X Wren"},
        ],
    }
    (event,) = block["events"]["listed"]
    assert event == {
        "eventType": "hand pollination", "eventDate": "2025-06-04T09:30", "eventDescription": "cross X001",
    }  # fmt: skip
    assert block["samples"]["count"] == 5  # the blank is no sample of a plant
    assert block["samples"]["listed"][4] == {"sampleId": "S05", "biologicalMaterialId": "X001-1"}


def test_what_is_not_known(season: Season) -> None:
    crosses = season.crosses.assign(father="", date="", time="")
    block = miappe_block(crosses, season.samples)
    assert block["biologicalMaterials"]["listed"][2]["materialSourceId"] == "Lark X UNKNOWN"
    assert block["events"] == {"count": 0, "listed": []}
    assert block["study"]["startDate"] == ""


def test_ids_and_dates_of_the_server(season: Season) -> None:
    samples = season.samples.assign(
        germplasm_db_id=["g1", "g1", "g2", "g2", "", ""], sample_timestamp="2025-08-01T08:00:00Z"
    )
    block = miappe_block(season.crosses, samples)
    assert [m["materialSourceId"] for m in block["biologicalMaterials"]["listed"][:2]] == ["g1", "g2"]
    assert block["samples"]["listed"][0]["collectionDate"] == "2025-08-01T08:00:00Z"


def test_dates_are_iso_8601(season: Season) -> None:
    for crosses in (season.crosses, season.crosses.assign(time="")):
        (event,) = miappe_block(crosses, season.samples)["events"]["listed"]
        assert re.fullmatch(r"\d{4}-\d\d-\d\d(T\d\d:\d\d)?", event["eventDate"])


def test_a_big_season_stays_small(season: Season) -> None:
    crosses = season.crosses.iloc[[0] * 5000].reset_index(drop=True)
    crosses["cross_id"] = [f"C{i}" for i in range(len(crosses))]
    samples = season.samples.iloc[[4] * 20000].reset_index(drop=True)
    samples["plant"] = samples["sample_id"] = [f"P{i}" for i in range(len(samples))]
    block = miappe_block(crosses, samples)
    assert block["events"]["count"] == 5000
    assert block["samples"]["count"] == 20000
    assert len(block["samples"]["listed"]) == MOST_LISTED
    assert block["samples"]["all"] == "results/samples.csv"
    assert len(json.dumps(block)) < 20_000
    assert len(miappe_block(crosses, samples, most=None)["samples"]["listed"]) == 20000
