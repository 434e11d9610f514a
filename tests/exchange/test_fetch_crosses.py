"""Crosses of a server as rows of crosses.csv and planned.csv: parents, pollination, attributes, names."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brapi_server import FakeServer, attribute, parent
from exchange_helpers import Make, rows, said

from crossproof.errors import Severity
from crossproof.exchange.fetch import Fetched, fetch_season


def test_sex_is_the_parent_type_whatever_the_order(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["parent1"], cross["parent2"] = cross["parent2"], cross["parent1"]
    fetch()
    assert rows(tmp_path / "season" / "crosses.csv")[0]["mother"] == "Lark"


@pytest.mark.parametrize(
    ("first", "second", "why"),
    [
        (None, None, "No parent is stated as FEMALE; the order of parents is not taken for the sex."),
        ("FEMALE", "FEMALE", "Both parents are FEMALE."),
        ("MALE", "MALE", "Both parents are MALE."),
        ("SELF", None, "A parent is of the type SELF"),
        ("MALE", "POPULATION", "No parent is stated as FEMALE"),
    ],
)
def test_parents_without_a_clear_sex_are_left_out(
    fetch: Callable[..., Fetched],
    server: FakeServer,
    tmp_path: Path,
    first: str | None,
    second: str | None,
    why: str,
) -> None:
    odd = {"crossDbId": "c-2", "parent1": parent("Lark", first), "parent2": parent("Owl", second)}
    server.tables["crosses"].append(odd)
    found = fetch()
    assert (found.crosses, found.left_out) == (1, 1)
    (out,) = rows(tmp_path / "season" / "left_out.csv")
    assert out["record_id"] == "c-2"
    assert why in out["why"]
    assert '"crossDbId": "c-2"' in out["record"]
    assert why in said(found)


def test_one_stated_sex_fixes_the_other(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["parent1"]["parentType"] = None
    found = fetch()
    assert rows(tmp_path / "season" / "crosses.csv")[0]["father"] == "Wren"
    assert "the other's makes it the MALE" in said(found)


def test_pollen_of_a_population_leaves_the_father_open(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["parent1"] = {"parentType": "POPULATION"}
    found = fetch()
    (row,) = rows(tmp_path / "season" / "crosses.csv")
    assert (row["mother"], row["father"]) == ("Lark", "")
    assert "No single father is on record" in said(found)


@pytest.mark.parametrize(
    "kind", ["SELF", "OPEN_POLLINATED", "BULK", "BULK_SELFED", "BULK_OPEN_POLLINATED", "DOUBLE_HAPLOID"]
)
def test_other_cross_types_are_told_not_dropped(
    fetch: Callable[..., Fetched], server: FakeServer, cross: dict[str, Any], tmp_path: Path, kind: str
) -> None:
    server.tables["crosses"].append({**cross, "crossDbId": "c-2", "crossName": "X002", "crossType": kind})
    found = fetch()
    assert found.left_out == 1
    assert f"The cross type is {kind}" in said(found)
    assert rows(tmp_path / "season" / "left_out.csv")[0]["name"] == "X002"


def test_pollination_events_not_the_deprecated_field(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["pollinationTimeStamp"] = "2025-06-01T08:00:00+02:00"
    cross["pollinationEvents"].insert(
        0, {"pollinationTimeStamp": "2025-06-05T11:00:00+02:00", "pollinationSuccessful": True}
    )
    found = fetch()
    (row,) = rows(tmp_path / "season" / "crosses.csv")
    assert (row["date"], row["time"]) == ("2025-06-04", "09:30")
    assert (row["pollination_events"], row["pollinations_successful"]) == ("2", "1")
    assert "The deprecated field differs from pollinationEvents, which is used." in said(found)
    assert "Crosses with several pollination events" in said(found)


def test_the_deprecated_field_where_there_is_nothing_else(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    del cross["pollinationEvents"]
    cross["pollinationTimeStamp"] = "2025-06-01"
    found = fetch()
    (row,) = rows(tmp_path / "season" / "crosses.csv")
    assert (row["date"], row["time"]) == ("2025-06-01", "")
    assert "The deprecated field pollinationTimeStamp is used" in said(found)


def test_universal_time_is_told_and_converted_on_request(
    client: Make, cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["pollinationEvents"] = [{"pollinationTimeStamp": "2025-06-03T22:30:00Z"}]
    found = fetch_season(client(), tmp_path / "as_written")
    assert rows(tmp_path / "as_written" / "crosses.csv")[0]["time"] == "22:30"
    assert "Pollination times are in universal time" in said(found)
    # Nairobi is UTC+3 all year (IANA time zone database).
    found = fetch_season(client(), tmp_path / "local", timezone="Africa/Nairobi")
    row = rows(tmp_path / "local" / "crosses.csv")[0]
    assert (row["date"], row["time"]) == ("2025-06-04", "01:30")
    assert [p for p in found.problems if p.severity is not Severity.NOTE] == []


def test_a_time_without_offset_is_taken_as_the_nurserys(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross["pollinationEvents"] = [{"pollinationTimeStamp": "2025-06-04T09:30:00"}]
    fetch(timezone="Africa/Nairobi")
    assert rows(tmp_path / "season" / "crosses.csv")[0]["time"] == "09:30"


def test_attributes(fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path) -> None:
    cross["crossAttributes"] = [
        attribute("POLLINATED-BY", "Bo"),
        attribute("Number of flowers", "3"),
        attribute("flowers", "4"),
        attribute("temperature_c", "24.5"),
        attribute("date", "yesterday"),
        attribute("hybrid_rate", "a guess"),
        attribute("crossproof_hybrid_rate", "0.5"),
        attribute("empty", ""),
    ]
    found = fetch()
    (row,) = rows(tmp_path / "season" / "crosses.csv")
    assert (row["operator"], row["flowers"], row["temperature_c"]) == ("Bo", "3", "24.5")
    assert (row["server date"], row["server hybrid_rate"], row["date"]) == (
        "yesterday",
        "a guess",
        "2025-06-04",
    )
    assert not any("crossproof" in name or name == "empty" for name in row)
    assert "Two attributes give the column 'flowers'; the first is kept." in said(found)


def test_cell_mistakes_are_told_as_check_tells_them(
    fetch: Callable[..., Fetched], cross: dict[str, Any]
) -> None:
    cross["crossAttributes"] = [attribute("flowers", "two")]
    assert "crosses.csv, row 2, column flowers ('two')" in said(fetch())


def test_names_that_repeat_are_told_apart(
    fetch: Callable[..., Fetched], server: FakeServer, cross: dict[str, Any], tmp_path: Path
) -> None:
    twin = copy.deepcopy(cross) | {"crossDbId": "c-2"}
    twin["parent1"] |= {"germplasmDbId": "wren2"}
    server.tables["crosses"].append(twin)
    server.tables["germplasm"].append({"germplasmDbId": "wren2", "germplasmName": "Wren"})
    found = fetch()
    crosses = rows(tmp_path / "season" / "crosses.csv")
    assert [c["cross_id"] for c in crosses] == ["X001 (c-1)", "X001 (c-2)"]
    assert [c["father"] for c in crosses] == ["Wren (wren)", "Wren (wren2)"]
    assert found.left_out == 1  # the plant that names X001 could be of either
    assert "The cross 'X001' of this plant is not among the crosses fetched." in said(found)


def test_planned_crosses(fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path) -> None:
    def planned(number: int, status: str | None) -> dict[str, Any]:
        pair = {"parent1": parent("Owl", "MALE"), "parent2": parent("Lark", "FEMALE")}
        return {"plannedCrossDbId": f"p{number}", "plannedCrossName": f"P{number}", "status": status, **pair}

    server.tables["plannedcrosses"] = [
        planned(1, "TODO"),
        planned(2, "DONE"),
        planned(3, "SKIPPED"),
        planned(4, None),
    ]
    found = fetch()
    assert found.planned == 2
    assert rows(tmp_path / "season" / "planned.csv") == [
        {"cross_id": "P1", "mother": "Lark", "father": "Owl"},
        {"cross_id": "P4", "mother": "Lark", "father": "Owl"},
    ]
    assert "Its status is DONE." in said(found)
    assert "Its status is SKIPPED." in said(found)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"crossType": "SELF"}, "The cross type is SELF"),
        ({"parent1": parent("Owl", None), "parent2": parent("Lark", None)}, "No parent is stated as FEMALE"),
        ({"parent1": {"parentType": "POPULATION"}}, "The father is not known."),
    ],
)
def test_planned_crosses_that_are_none(
    fetch: Callable[..., Fetched], server: FakeServer, tmp_path: Path, change: dict[str, Any], why: str
) -> None:
    pair = {"parent1": parent("Owl", "MALE"), "parent2": parent("Lark", "FEMALE")}
    server.tables["plannedcrosses"] = [{"plannedCrossDbId": "p1", **pair, **change}]
    found = fetch()
    assert (found.planned, found.left_out) == (0, 1)
    assert why in said(found)
    assert not (tmp_path / "season" / "planned.csv").exists()


def test_the_plan_and_the_project_of_a_cross_are_kept(
    fetch: Callable[..., Fetched], cross: dict[str, Any], tmp_path: Path
) -> None:
    cross |= {"plannedCrossDbId": "p-7", "crossingProjectName": "Beans 2025"}
    fetch()
    (row,) = rows(tmp_path / "season" / "crosses.csv")
    assert (row["planned_cross_db_id"], row["crossing_project"]) == ("p-7", "Beans 2025")
