"""Verdicts on a server: what it has is kept, what is sent again replaces, nothing is counted unconfirmed."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from brapi_server import FakeServer, Reply
from finished_season import CROSS, SAMPLES, finished, sample

from crossproof.errors import InputError
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.fetch import fetch_season
from crossproof.exchange.publish import publication
from crossproof.exchange.send import send
from crossproof.exchange.standard import faults

Make = Callable[..., BrapiClient]


def known(folder: Path) -> Path:
    """A finished season whose records came from the test's server."""
    samples = [s | {"sample_db_id": f"s-{s['sample_id']}", "plate_db_id": "p-1"} for s in SAMPLES]
    return finished(folder, crosses=[CROSS | {"cross_db_id": "c-1"}], samples=samples)


def attributes(record: dict[str, Any]) -> dict[str, str]:
    return {a["crossAttributeName"]: a["crossAttributeValue"] for a in record["crossAttributes"]}


def test_updates_keep_what_the_server_has(server: FakeServer, client: Make, tmp_path: Path) -> None:
    made = publication(known(tmp_path / "s"))
    before = copy.deepcopy(server.tables)
    sent = send(client(), made, create=False)
    assert (sent.updated, sent.made, sent.confirmed, sent.problems) == (6, 0, 6, ())
    cross, old = server.tables["crosses"][0], before["crosses"][0]
    assert {k: cross[k] for k in old if k != "crossAttributes"} == {
        k: old[k] for k in old if k != "crossAttributes"
    }
    found = attributes(cross)
    assert (found["Operator"], found["Bench side"], found["crossproof_hybrid"]) == ("Ana", "north", "1")
    plant = next(s for s in server.tables["samples"] if s["sampleName"] == "S05")
    assert plant["additionalInfo"]["crossproof_verdict"] == "hybrid"
    assert plant["sampleTimestamp"] == "2025-08-01T08:00:00Z"
    assert server.tables["plates"][0]["plateFormat"] == "PLATE_96"
    assert server.tables["samples"][1] == before["samples"][1]  # S02 is not in the results


def test_publishing_again_replaces(server: FakeServer, client: Make, tmp_path: Path) -> None:
    made = publication(known(tmp_path / "s"))
    send(client(), made, create=False)
    once = copy.deepcopy(server.tables)
    send(client(), made, create=False)
    assert server.tables == once
    names = [a["crossAttributeName"] for a in once["crosses"][0]["crossAttributes"]]
    assert len(names) == len(set(names))


def test_new_records_are_made_only_on_request(server: FakeServer, client: Make, tmp_path: Path) -> None:
    made = publication(finished(tmp_path / "s"))
    assert send(client(), made, create=False).updated == 0
    assert [m for m, *_ in server.asked if m != "GET"] == []
    # The server has another season's records of these names: they are made beside those only when asked.
    sent = send(client(), made, create=True)
    assert (sent.made, sent.updated) == (0, 0)
    assert sorted(p.value for p in sent.problems) == ["S01", "S03", "S05", "S06", "X001", "plate1"]
    assert [m for m, *_ in server.asked if m != "GET"] == []
    sent = send(client(), made, create=True, same_names=True)
    assert (sent.made, sent.confirmed, sent.problems) == (6, 6, ())
    assert [c["crossName"] for c in server.tables["crosses"]] == ["X001", "X001"]


def test_a_season_made_on_a_server_comes_back_the_same(
    client: Make, start: Callable[[FakeServer], FakeServer], tmp_path: Path
) -> None:
    empty = start(FakeServer(tables={"crosses": [], "samples": [], "plates": []}))
    send(client(url=empty.url), publication(finished(tmp_path / "s")), create=True)
    fetched = fetch_season(client(url=empty.url), tmp_path / "back")
    assert fetched.left_out == 0
    shared = {
        "crosses.csv": [
            "cross_id",
            "mother",
            "father",
            "date",
            "time",
            "operator",
            "flowers",
            "pods",
            "seeds",
        ],
        "samples.csv": ["sample_id", "plate", "well", "role", "line", "cross_id", "pod"],
    }
    for name, columns in shared.items():
        before = pd.read_csv(tmp_path / "s" / "results" / name, dtype=str, keep_default_na=False)
        there = tmp_path / "back" / ("samples/plate1.csv" if name == "samples.csv" else name)
        after = pd.read_csv(there, dtype=str, keep_default_na=False)
        pd.testing.assert_frame_equal(after[columns], before[columns])


def test_records_gone_from_the_server_are_told(server: FakeServer, client: Make, tmp_path: Path) -> None:
    server.tables["crosses"][0]["crossDbId"] = "c-9"
    sent = send(client(), publication(known(tmp_path / "s")), create=False)
    assert sent.updated == 5
    assert [p.value for p in sent.problems] == ["c-1"]


@pytest.mark.parametrize("odd", ["none", [1], {"crossAttributeName": "Operator"}])
def test_attributes_that_cannot_be_read_are_not_wiped_out(
    server: FakeServer, client: Make, tmp_path: Path, odd: Any
) -> None:
    server.tables["crosses"][0]["crossAttributes"] = odd
    server.tables["plates"][0]["additionalInfo"] = ["free text"]
    sent = send(client(), publication(known(tmp_path / "s")), create=False)
    assert (sent.updated, sorted(p.value for p in sent.problems)) == (4, ["c-1", "p-1"])
    assert server.tables["crosses"][0]["crossAttributes"] == odd
    assert server.tables["plates"][0]["additionalInfo"] == ["free text"]


def test_many_records_go_in_parts(server: FakeServer, client: Make, tmp_path: Path) -> None:
    wells = [f"{r}{c}" for c in range(1, 25) for r in "ABCDEFGHIJ"]
    samples = [sample(f"W{w}", w, "blank", sample_db_id=f"id{w}") for w in wells]
    server.tables["samples"] = [{"sampleDbId": f"id{w}", "sampleName": f"W{w}"} for w in wells]
    sent = send(client(), publication(finished(tmp_path / "s", samples=samples)), create=False)
    assert (sent.updated, sent.confirmed) == (240, 240)
    assert [len(b) for b in server.calls("PUT", "samples")] == [100, 100, 40]


def test_what_the_server_does_not_confirm_is_not_counted(
    server: FakeServer, client: Make, tmp_path: Path
) -> None:
    server.replies["plates"] = [
        Reply(body=json.dumps({"metadata": {}, "result": {"data": server.tables["plates"]}}).encode()),
        Reply(body=b'{"metadata": {}, "result": {}}'),
    ]
    sent = send(client(), publication(known(tmp_path / "s")), create=False)
    assert (sent.updated, sent.confirmed) == (6, 5)


def test_a_stop_says_what_was_sent(server: FakeServer, client: Make, tmp_path: Path) -> None:
    made = publication(known(tmp_path / "s"))
    server.replies["samples"] = [Reply(403)]
    with pytest.raises(InputError) as caught:
        send(client(), made, create=False)
    told = "\n".join(p.sentence() for p in caught.value.problems)
    assert "(403)" in told
    assert "Sending stopped: 2 records had been updated and 0 made." in told


def test_fields_outside_the_standard_come_back_as_they_were(
    server: FakeServer, client: Make, tmp_path: Path
) -> None:
    own = {"breedersColour": "red", "nested": {"a": None, "b": [1, None]}, "flag": None}
    for call in ("crosses", "samples", "plates"):
        for record in server.tables[call]:
            record |= own
    server.tables["samples"][4]["additionalInfo"] |= {"tray": 4, "seen": None}
    before = copy.deepcopy(server.tables)
    assert send(client(), publication(known(tmp_path / "s")), create=False).confirmed == 6
    for call in ("crosses", "samples", "plates"):
        for now, old in zip(server.tables[call], before[call], strict=True):
            assert {k: now[k] for k in own} == {k: old[k] for k in own}
    info = server.tables["samples"][4]["additionalInfo"]
    assert (info["tray"], info["seen"], info["crossproof_verdict"]) == (4, None, "hybrid")


def test_what_the_standard_names_is_sent_as_the_standard_has_it(
    server: FakeServer, client: Make, tmp_path: Path
) -> None:
    cross = server.tables["crosses"][0]
    cross["parent1"]["observationUnitDbId"] = None
    cross["pollinationEvents"][0] |= {"pollinationSuccessful": None}
    cross["externalReferences"] = [{"referenceId": "r", "referenceSource": None}]
    send(client(), publication(known(tmp_path / "s")), create=False)
    for call, kind in (("crosses", "cross"), ("samples", "sample"), ("plates", "plate")):
        for body in server.calls("PUT", call):
            assert faults(kind, body.items()) == []


def test_a_server_record_against_the_standard_is_left_alone(
    server: FakeServer, client: Make, tmp_path: Path
) -> None:
    server.tables["crosses"][0]["crossType"] = "TOPCROSS"
    sent = send(client(), publication(known(tmp_path / "s")), create=False)
    (told,) = sent.problems
    assert (sent.updated, told.value) == (5, "c-1")
    assert "'TOPCROSS' is not one of" in told.problem
    assert server.calls("PUT", "crosses") == []


def test_a_server_without_plates_gets_the_rest(server: FakeServer, client: Make, tmp_path: Path) -> None:
    del server.tables["plates"]
    sent = send(client(), publication(known(tmp_path / "s")), create=False)
    assert (sent.updated, sent.confirmed) == (5, 5)
    assert [p.problem for p in sent.problems] == [
        "The server does not offer plates; what it would add is missing."
    ]
    server.tables.clear()
    with pytest.raises(InputError, match="The server does not offer this call"):
        send(client(), publication(known(tmp_path / "s")), create=False)
