"""A season folder from a server: what becomes what, what is left out and said, nothing half written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from brapi_server import FakeServer, Reply, attribute, parent
from click.testing import CliRunner
from exchange_helpers import Make, rows, said

import crossproof as cp
from crossproof.cli import main
from crossproof.errors import InputError, Severity, UsageError
from crossproof.exchange.brapi_address import TOKEN_VARIABLE
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.fetch import Fetched, Selection, fetch_season
from crossproof.season.templates import new_season


def refused(fetch: Callable[..., Fetched], folder: Path, **more: Any) -> str:
    with pytest.raises(InputError) as caught:
        fetch(**more)
    assert list(folder.iterdir()) == []
    return "\n".join(p.sentence() for p in caught.value.problems)


def test_the_sheets(fetch: Callable[..., Fetched], tmp_path: Path) -> None:
    found = fetch()
    assert (found.crosses, found.samples, found.plates, found.left_out) == (1, 6, 1, 0)
    (cross,) = rows(tmp_path / "season" / "crosses.csv")
    assert cross == {
        "cross_id": "X001", "mother": "Lark", "father": "Wren", "date": "2025-06-04", "time": "09:30",
        "operator": "Ana", "flowers": "2", "pods": "1", "seeds": "4",
        "pollination_timestamp": "2025-06-04T09:30:00+02:00", "Bench side": "north", "cross_db_id": "c-1",
    }  # fmt: skip
    wells = rows(tmp_path / "season" / "samples" / "plate1.csv")
    assert [(w["sample_id"], w["well"], w["role"], w["line"], w["cross_id"]) for w in wells] == [
        ("S01", "A1", "parent", "Lark", ""),
        ("S02", "B1", "parent", "Lark", ""),
        ("S03", "C1", "parent", "Wren", ""),
        ("S04", "D1", "parent", "Wren", ""),
        ("S05", "E1", "progeny", "", "X001"),
        ("S06", "F1", "blank", "", ""),
    ]
    assert {w["sample_db_id"] for w in wells} == {f"s-S0{i}" for i in range(1, 7)}
    assert 'crop: "bean"' in (tmp_path / "season" / "config.yaml").read_text()


def test_the_folder_is_a_season_once_genotypes_are_there(
    fetch: Callable[..., Fetched], tmp_path: Path
) -> None:
    fetch()
    folder = tmp_path / "season"
    new_season(tmp_path / "new")
    (folder / "genotypes" / "plate1.csv").write_bytes(
        (tmp_path / "new" / "genotypes" / "plate1.csv").read_bytes()
    )
    config = (folder / "config.yaml").read_text().replace("#genotypes:", "genotypes:")
    config = config.replace("#  - {batch: B01, path: genotypes/plate1.vcf.gz}",
                            "  - {batch: B01, path: genotypes/plate1.csv, layout: wide}")  # fmt: skip
    (folder / "config.yaml").write_text(config)
    season = cp.read_season(folder)
    assert [p for p in season.problems if p.severity is not Severity.NOTE] == []
    own = ["plant", "verdict", "decision", "p_hybrid", "contrast_het", "lod"]
    pd.testing.assert_frame_equal(cp.verify(season)[own], cp.verify(tmp_path / "new")[own])
    assert season.crosses.loc[0, ["mother", "father", "operator", "hour"]].tolist() == [
        "Lark",
        "Wren",
        "Ana",
        9.5,
    ]


def test_a_server_without_samples_yet(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    server.tables["samples"] = []
    found = fetch()
    assert found.samples == 0
    assert (tmp_path / "season" / "samples" / "wells.csv").read_text().startswith("sample_id,")
    assert "The sheet has no rows." in said(found)


def test_units_that_the_server_does_not_offer(fetch: Callable[..., Fetched], server: FakeServer) -> None:
    server.tables["samples"].append({"sampleDbId": "s", "sampleName": "S", "observationUnitDbId": "u-1"})
    found = fetch()
    assert found.left_out == 1
    assert "The server does not offer observationunits." in said(found)


@pytest.mark.parametrize(
    ("call", "change", "where"),
    [
        ("crosses", {"crossDbId": 7}, "crosses, record 1, column crossDbId ('7'): The field is not text"),
        ("crosses", {"crossDbId": None}, "crosses, record 1, column crossDbId: The field is missing."),
        ("crosses", {"parent1": "Lark"}, "column parent1 ('Lark'): The field is not an object"),
        ("crosses", {"parent1": {"germplasmName": 1}}, "column parent1.germplasmName ('1'): The field is"),
        ("crosses", {"crossAttributes": {}}, "column crossAttributes: The field is not a list of objects"),
        ("samples", {"sampleName": ""}, "samples, record 1, column sampleName: The field is missing."),
        ("samples", {"column": "1"}, "record 1, column column ('1'): The field is not a whole number"),
        ("samples", {"column": True}, "column column ('True'): The field is not a whole number"),
        ("samples", {"additionalInfo": []}, "column additionalInfo: The field is not an object"),
        ("plates", {"plateName": None}, "plates, record 1, column plateName: The field is missing."),
    ],
)  # fmt: skip
def test_records_that_are_not_as_the_standard_asks(
    fetch: Callable[..., Fetched],
    server: FakeServer,
    tmp_path: Path,
    call: str,
    change: dict[str, Any],
    where: str,
) -> None:
    server.tables[call][0] |= change
    assert where in refused(fetch, tmp_path)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"crossType": "TOPCROSS"}, "The cross type is TOPCROSS: BrAPI v2.1 has no such type."),
        ({"parent2": parent("Lark", "female")}, "The parentType 'female' is none of BrAPI v2.1's"),
        ({"parent2": parent("Wren", "FEMALE")}, "Mother and father are the same line."),
        ({"parent2": None}, "No parent is stated as FEMALE"),
    ],
)
def test_one_odd_cross_stops_no_other(
    fetch: Callable[..., Fetched], server: FakeServer, cross: dict[str, Any], change: dict[str, Any], why: str
) -> None:
    server.tables["crosses"].append({**cross, "crossDbId": "c-2", "crossName": "X002", **change})
    found = fetch()
    assert (found.crosses, found.left_out) == (1, 1)
    assert why in said(found)


def test_one_odd_cell_stops_nothing(
    fetch: Callable[..., Fetched], server: FakeServer, cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["pollinationEvents"] = [{"pollinationTimeStamp": "4.6."}]
    server.tables["samples"][0]["well"] = "Z99"
    server.tables["samples"][1]["well"] = "H12"
    server.tables["samples"][2] |= {"well": None, "row": "Q9"}
    found = fetch()
    assert "pollinationEvents[0].pollinationTimeStamp ('4.6.'): This is not a date and time" in said(found)
    assert "samples/plate1.csv, row 2, column well ('Z99'): This is not a well position." in said(found)
    assert "The well differs from row and column (B1); the well is kept." in said(found)
    assert "Row 'Q9' and column 1 are not a well." in said(found)
    assert [w["well"] for w in rows(tmp_path / "season" / "samples" / "plate1.csv")][:3] == ["Z99", "H12", ""]


def test_all_mistakes_come_at_once(fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path) -> None:
    server.tables["crosses"][0]["crossName"] = 1
    server.tables["samples"][2]["well"] = 5
    text = refused(fetch, tmp_path)
    assert "crosses, record 1" in text
    assert "samples, record 3" in text


def test_a_server_without_hand_crosses(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    server.tables["crosses"][0]["crossType"] = "SELF"
    assert "None of the 1 crosses of the server is a hand cross" in refused(fetch, tmp_path)


def test_calls_that_are_not_offered(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    for call in ("plannedcrosses", "plates", "germplasm"):
        del server.tables[call]
    for sample in server.tables["samples"]:
        sample["plateName"] = "plate1"
    found = fetch()
    assert found.crosses == 1
    assert rows(tmp_path / "season" / "crosses.csv")[0]["mother"] == "Lark"
    assert "The server does not offer germplasm." in said(found)
    del server.tables["samples"]
    with pytest.raises(InputError, match="does not offer this call"):
        fetch_season(BrapiClient(server.url), tmp_path / "other")
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize("call", ["crosses", "samples", "plates", "germplasm"])
def test_nothing_half_is_written(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path, call: str
) -> None:
    server.replies[call] = [Reply(403)]
    assert "(403)" in refused(fetch, tmp_path)


def test_a_full_folder_is_left_alone(client: Make, server: FakeServer, tmp_path: Path) -> None:
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    with pytest.raises(UsageError, match=r"The folder is not empty\. Nothing was written\."):
        fetch_season(client(), folder)
    assert [p.name for p in folder.iterdir()] == ["mine.txt"]
    assert server.asked == []
    with pytest.raises(UsageError, match="There is already a file of this name"):
        fetch_season(client(), folder / "mine.txt")
    (folder / "mine.txt").unlink()
    fetch_season(client(), folder)
    assert (folder / "config.yaml").exists()


def test_plate_names_cannot_leave_the_folder(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    server.tables["plates"] = [
        {"plateDbId": f"p{i}", "plateName": name}
        for i, name in enumerate(("../../evil", "/etc/cron", "..", "a b", "a/b", "A_B"))
    ]
    for i, sample in enumerate(server.tables["samples"]):
        sample["plateDbId"] = f"p{i}"
    fetch()
    found = sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*.csv"))
    assert found == ["season/crosses.csv"] + [
        f"season/samples/{n}.csv" for n in ("A_B_3", "a_b", "a_b_2", "etc_cron", "evil", "no_plate")
    ]


def test_selection_goes_to_the_server(fetch: Callable[..., Fetched], server: FakeServer) -> None:
    fetch(selection=Selection(project="cp 1", program="pr", study="st", trial="tr"))
    paths = {p.split("?")[0].rpartition("/")[2]: p for _, p, _, _ in server.asked}
    assert "crossingProjectDbId=cp+1" in paths["crosses"]
    assert "programDbId=pr&studyDbId=st&trialDbId=tr" in paths["samples"]
    assert "programDbId" not in paths["crosses"]


def test_an_unknown_time_zone(fetch: Callable[..., Fetched], tmp_path: Path) -> None:
    assert "There is no such time zone." in refused(fetch, tmp_path, timezone="Middle/Earth")
    assert "There is no such time zone." in refused(fetch, tmp_path, timezone="../../etc/passwd")


def test_the_command(server: FakeServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    server.token = "t0ken"
    target = str(tmp_path / "season")
    denied = CliRunner().invoke(main, ["fetch", server.url, target])
    assert denied.exit_code == 2
    assert "(401)" in denied.output
    monkeypatch.setenv(TOKEN_VARIABLE, "t0ken")
    done = CliRunner().invoke(main, ["fetch", server.url, target, "--page-size", "2"])
    assert done.exit_code == 0, done.output
    assert "1 crosses, 6 samples on 1 plates" in done.output
    assert "Genotype files are not fetched" in done.output
    written = "".join(p.read_text() for p in tmp_path.rglob("*") if p.is_file())
    assert "t0ken" not in written + done.output
    assert "127.0.0.1" not in written
    server.tables["crosses"][0]["crossAttributes"] = [attribute("flowers", "two")]
    assert CliRunner().invoke(main, ["fetch", server.url, str(tmp_path / "other")]).exit_code == 1


def test_what_a_server_says_cannot_steer_the_terminal(server: FakeServer, tmp_path: Path) -> None:
    escape = "\x1b]0;owned\x07"

    def told(call: str, envelope: dict[str, Any]) -> dict[str, Any]:
        envelope["metadata"]["status"] = [{"messageType": "ERROR", "message": escape}]
        return envelope

    server.change = told
    server.tables["crosses"].append({"crossDbId": escape, "crossType": escape})
    done = CliRunner().invoke(main, ["fetch", server.url, str(tmp_path / "season")])
    assert done.exit_code == 0, done.output
    assert "owned" in done.output
    assert "\x1b" not in done.output
    assert "\x07" not in done.output


def test_numbers_and_other_values_where_text_is_due(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path
) -> None:
    info = server.tables["samples"][4]["additionalInfo"]
    info |= {"pod": 7, "plant": None, "tray": [1, 2], "inbreeding": 0.5}
    found = fetch()
    well = next(w for w in rows(tmp_path / "season" / "samples" / "plate1.csv") if w["sample_id"] == "S05")
    assert (well["pod"], well["inbreeding"]) == ("7", "0.5")
    told = said(found)
    assert "additionalInfo.pod is a number where BrAPI v2.1 has text; it is read as text." in told
    assert "additionalInfo.tray is a list and not text; it is passed over." in told
    assert "additionalInfo.plant" not in told


def test_germplasm_of_a_large_collection_is_asked_for_by_id(
    server: FakeServer, client: Make, tmp_path: Path
) -> None:
    many = [{"germplasmDbId": f"g{i:03}", "germplasmName": f"Line {i}"} for i in range(300)]
    server.tables["germplasm"] = [*many, *server.tables["germplasm"]]
    fetch_season(client(page_size=10), tmp_path / "season")
    assert len(server.calls("GET", "germplasm")) == 1 + 2
    assert rows(tmp_path / "season" / "crosses.csv")[0]["mother"] == "Lark"
    assert 'crop: "bean"' in (tmp_path / "season" / "config.yaml").read_text()
