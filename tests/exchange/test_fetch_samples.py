"""Samples of a server as rows of sheets of wells: what tells the role, and where the well is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brapi_server import FakeServer
from exchange_helpers import rows, said

from crossproof.exchange.fetch import Fetched


def roles(fetch: Callable[..., Fetched], folder: Path) -> list[tuple[str, str, str]]:
    fetch()
    return [
        (w["role"], w["line"], w.get("cross_id", ""))
        for path in sorted((folder / "season" / "samples").iterdir())
        for w in rows(path)
    ]


@pytest.mark.parametrize(
    ("sample", "germplasm", "role"),
    [
        ({"germplasmDbId": "wren"}, {}, ("parent", "Wren", "")),
        ({"germplasmDbId": "owl"}, {"biologicalStatusOfAccessionCode": "414"}, ("parent", "Owl", "")),
        ({"germplasmDbId": "owl"}, {"pedigree": "Lark/Wren"}, ("progeny", "", "X001")),
        ({"observationUnitDbId": "u-1"}, {}, ("progeny", "", "X001")),
        ({"additionalInfo": {"Role": "parent", "line": "Owl"}}, {}, ("parent", "Owl", "")),
        ({"additionalInfo": {"role": "progeny", "crossDbId": "c-1"}}, {}, ("progeny", "", "X001")),
        ({"sampleType": "NTC"}, {}, ("blank", "", "")),
    ],
)
def test_what_tells_the_role(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path,
    sample: dict[str, Any], germplasm: dict[str, str], role: tuple[str, str, str],
) -> None:  # fmt: skip
    server.tables["observationunits"] = [{"observationUnitDbId": "u-1", "crossDbId": "c-1"}]
    server.tables["germplasm"][2] |= germplasm
    server.tables["samples"] = [{"sampleDbId": "s", "sampleName": "S", **sample}]
    assert roles(fetch, tmp_path) == [role]


@pytest.mark.parametrize(
    ("sample", "germplasm", "why"),
    [
        ({}, {}, "Nothing says whether it is a parent, a progeny plant or a blank."),
        ({"germplasmDbId": "owl"}, {}, "Nothing says whether it is"),
        (
            {"germplasmDbId": "owl"},
            {"pedigree": "Wren/Lark"},
            "0 crosses on record have the pedigree 'Wren/Lark'.",
        ),
        ({"germplasmDbId": "owl"}, {"pedigree": "Lark/Wren//Owl"}, "is not a single cross of two lines"),
        ({"additionalInfo": {"role": "offspring"}}, {}, "additionalInfo.role is 'offspring'"),
        ({"additionalInfo": {"role": "parent"}}, {}, "The parent's line is not given."),
        ({"additionalInfo": {"role": "progeny", "cross_id": "X9"}}, {}, "The cross 'X9' of this plant"),
    ],
)
def test_roles_are_not_guessed(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path,
    sample: dict[str, Any], germplasm: dict[str, str], why: str,
) -> None:  # fmt: skip
    server.tables["germplasm"][2] |= germplasm
    server.tables["samples"].append({"sampleDbId": "s", "sampleName": "S", **sample})
    found = fetch()
    assert found.left_out == 1
    assert why in said(found)
    assert rows(tmp_path / "season" / "left_out.csv")[0]["name"] == "S"


def test_wells_beyond_96_are_kept_and_told(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    server.tables["plates"][0]["plateFormat"] = "PLATE_384"
    server.tables["samples"][4] |= {"row": "P", "column": 24, "well": "P24"}
    found = fetch()
    assert rows(tmp_path / "season" / "samples" / "plate1.csv")[4]["well"] == "P24"
    assert "The plate format 'PLATE_384' is none of BrAPI v2.1's (PLATE_96, TUBES)." in said(found)
    assert "Plate 'plate1' has wells beyond the 8 rows and 12 columns" in said(found)


def test_wells_from_row_and_column_and_tubes(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    del server.tables["samples"][0]["well"]
    server.tables["samples"][1] |= {"well": "17", "row": None, "column": None}
    fetch()
    wells = rows(tmp_path / "season" / "samples" / "plate1.csv")
    assert [w["well"] for w in wells[:3]] == ["A1", "", "C1"]
