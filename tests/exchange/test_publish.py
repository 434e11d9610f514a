"""Verdicts as BrAPI v2.1 JSON: fits the standard, marks what is not final, and keeps what the server has."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from brapi_server import FakeServer, Reply
from click.testing import CliRunner
from finished_season import CROSS, PLATE, SAMPLES, VERDICT, finished, sample
from jsonschema import Draft202012Validator

from crossproof.cli import main
from crossproof.errors import InputError, UsageError
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.fetch import fetch_season
from crossproof.exchange.publish import CAUTION, publication, write_publication
from crossproof.exchange.send import send
from crossproof.exchange.standard import KINDS, faults, schema

Make = Callable[..., BrapiClient]


def known(folder: Path) -> Path:
    """A finished season whose records came from the test's server."""
    samples = [s | {"sample_db_id": f"s-{s['sample_id']}", "plate_db_id": "p-1"} for s in SAMPLES]
    return finished(folder, crosses=[CROSS | {"cross_db_id": "c-1"}], samples=samples)


def attributes(record: dict[str, Any]) -> dict[str, str]:
    return {a["crossAttributeName"]: a["crossAttributeValue"] for a in record["crossAttributes"]}


def everything(made: Any) -> list[tuple[str, dict[str, Any]]]:
    found = []
    for name, body in made.bodies().items():
        kind = {"crosses": "cross", "samples": "sample", "plates": "plate"}[name.split(".")[0]]
        found += [(kind, record) for record in (body.values() if isinstance(body, dict) else body)]
    return found


def test_a_cross(tmp_path: Path) -> None:
    (made,) = publication(finished(tmp_path / "s")).crosses_post
    assert made["crossName"] == "X001"
    assert made["parent1"] == {"germplasmName": "Lark", "parentType": "FEMALE"}
    assert made["parent2"] == {"germplasmName": "Wren", "parentType": "MALE"}
    found = attributes(made)
    assert found["operator"] == "Ana"
    assert found["crossproof_hybrid_rate"] == "0.9980"
    assert found["crossproof_next_step"] == "test stored seeds"
    assert found["crossproof_held"] == "0"
    assert found["crossproof_caution"] == CAUTION
    assert "crossproof_flowers_to_repeat" not in found  # nothing known: no attribute
    assert "pollinationEvents" not in made  # the standard's date-time needs an offset
    assert made["additionalInfo"] == {"pollination": "2025-06-04 09:30"}


def test_a_cross_with_the_servers_own_time(tmp_path: Path) -> None:
    cross = CROSS | {"pollination_timestamp": "2025-06-04T09:30:00+02:00", "cross_db_id": "c-1", "father": ""}
    made = publication(finished(tmp_path / "s", crosses=[cross])).crosses_put["c-1"]
    assert made["pollinationEvents"] == [{"pollinationTimeStamp": "2025-06-04T09:30:00+02:00"}]
    assert "parent2" not in made
    assert "operator" not in attributes(made)  # the server has it


def test_samples_carry_the_verdict_of_their_plant(tmp_path: Path) -> None:
    made = {s["sampleName"]: s for s in publication(finished(tmp_path / "s")).samples_post}
    plant = made["S05"]
    assert (plant["row"], plant["column"], plant["well"], plant["plateName"]) == ("E", 1, "E1", "plate1")
    info = plant["additionalInfo"]
    assert (info["role"], info["cross_id"], info["plant"], info["pod"]) == ("progeny", "X001", "X001-1", "1")
    assert (info["crossproof_verdict"], info["crossproof_decision"]) == ("hybrid", "keep")
    assert (info["crossproof_p_hybrid"], info["crossproof_held"]) == ("0.998000", "no")
    assert info["crossproof_caution"] == CAUTION
    assert made["S01"]["additionalInfo"] == {
        "role": "parent", "line": "Lark", "crossproof_state": "used", "crossproof_plate_state": "used",
    }  # fmt: skip
    assert made["S06"]["additionalInfo"]["role"] == "blank"


def test_all_wells_of_a_plant_carry_its_verdict(tmp_path: Path) -> None:
    twin = sample("S05b", "E2", "progeny", cross_id="X001", plant="X001-1")
    season = finished(tmp_path / "s", samples=[*SAMPLES, twin], verdicts=[VERDICT | {"samples": "S05;S05b"}])
    made = {s["sampleName"]: s["additionalInfo"] for s in publication(season).samples_post}
    assert made["S05b"]["crossproof_verdict"] == "hybrid"


def test_what_is_not_final_is_marked(tmp_path: Path) -> None:
    held = VERDICT | {"decision": "hold", "reason": "plate held"}
    open_ = VERDICT | {
        "plant": "X001-2", "samples": "S07", "verdict": "undetermined", "decision": "retest",
        "reason": "few markers scored", "settle": "type more markers",
    }  # fmt: skip
    more = sample("S07", "G1", "progeny", cross_id="X001", plant="X001-2")
    plate = PLATE | {"state": "held", "findings": "columns swapped (3 and 10)"}
    season = finished(tmp_path / "s", verdicts=[held, open_], samples=[*SAMPLES, more], plates=[plate])
    made = publication(season)
    assert (made.plants, made.held, made.undetermined, made.held_plates) == (2, 1, 1, 1)
    assert made.summary() == ("1 cross, 5 samples, 2 plants; held: 1 plant, 1 plate; undetermined: 1 plant")
    assert attributes(made.crosses_post[0])["crossproof_held"] == "1"
    info = {s["sampleName"]: s["additionalInfo"] for s in made.samples_post}
    assert (info["S05"]["crossproof_held"], info["S05"]["crossproof_reason"]) == ("yes", "plate held")
    assert info["S05"]["crossproof_plate_findings"] == "columns swapped (3 and 10)"
    assert (info["S07"]["crossproof_determined"], info["S07"]["crossproof_settle"]) == (
        "no",
        "type more markers",
    )
    assert made.plates_post[0]["additionalInfo"]["crossproof_state"] == "held"


def test_positions_beyond_the_standard_lose_nothing(tmp_path: Path) -> None:
    large = [*SAMPLES, sample("S07", "P24", "progeny", cross_id="X001", plant="X001-1")]
    made = publication(finished(tmp_path / "s", samples=large))
    far = {s["sampleName"]: s for s in made.samples_post}["S07"]
    assert "column" not in far
    assert (far["row"], far["well"], far["additionalInfo"]["plate_column"]) == ("P", "P24", "24")
    (plate,) = made.plates_post
    assert "plateFormat" not in plate
    assert plate["additionalInfo"]["wells"] == "384"
    (small,) = publication(finished(tmp_path / "t")).plates_post
    assert (small["plateFormat"], small["additionalInfo"]["wells"]) == ("PLATE_96", "96")


def test_everything_fits_the_schemas(tmp_path: Path) -> None:
    made = [
        *everything(publication(finished(tmp_path / "s"))),
        *everything(publication(known(tmp_path / "t"))),
    ]
    assert {kind for kind, _ in made} == set(KINDS)
    for kind, record in made:
        assert list(Draft202012Validator(schema(kind)).iter_errors(record)) == []


# What the standard says, in the words of reference/open_breeding_api.md and of the public specification:
# each is refused by the schema kept here.
@pytest.mark.parametrize(
    ("kind", "record", "where"),
    [
        ("cross", {}, "'crossName' is a required property"),
        ("cross", {"crossName": "X", "crossType": "TOPCROSS"}, "'TOPCROSS' is not one of"),
        ("cross", {"crossName": "X", "parent1": {"parentType": "female"}}, "'female' is not one of"),
        ("cross", {"crossName": "X", "operator": "Ana"}, "'operator' was unexpected"),
        ("cross", {"crossName": "X", "crossAttributes": [{"crossAttributeName": "n"}]},
         "'crossAttributeValue' is a required property"),
        ("cross", {"crossName": "X", "additionalInfo": {"n": 4}}, "4 is not of type 'string'"),
        ("sample", {"sampleName": "S", "column": 13}, "13 is greater than the maximum of 12"),
        ("sample", {"sampleName": "S", "column": 0}, "0 is less than the minimum of 1"),
        ("sample", {"well": "A1"}, "'sampleName' is a required property"),
        ("plate", {"plateName": "P", "plateFormat": "PLATE_384"}, "'PLATE_384' is not one of"),
        ("plate", {}, "'plateName' is a required property"),
    ],
)  # fmt: skip
def test_the_schemas_refuse(kind: str, record: dict[str, Any], where: str) -> None:
    (found,) = faults(kind, [("name", record)])
    assert where in found.problem


def test_files_are_the_bodies(tmp_path: Path) -> None:
    season = finished(tmp_path / "s")
    files = write_publication(season, publication(season))
    assert sorted(f.name for f in files) == [
        "crosses.post.json", "crosses.put.json", "miappe.json", "plates.post.json", "plates.put.json",
        "samples.post.json", "samples.put.json",
    ]  # fmt: skip
    assert json.loads((season / "results" / "exchange" / "crosses.put.json").read_text()) == {}
    assert (
        json.loads((season / "results" / "exchange" / "crosses.post.json").read_text())[0]["crossName"]
        == "X001"
    )


def test_a_record_that_fits_no_schema_stops_all(tmp_path: Path) -> None:
    season = finished(tmp_path / "s", samples=[*SAMPLES, sample("", "H1", "blank")])
    with pytest.raises(InputError, match=r"This does not fit BrAPI v2\.1: '' should be non-empty"):
        publication(season)


def test_no_results(tmp_path: Path) -> None:
    season = finished(tmp_path / "s")
    (season / "results" / "verdicts.csv").unlink()
    with pytest.raises(UsageError, match="There are no results to publish"):
        publication(season)


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


def test_the_command_writes_and_sends_only_with_send(server: FakeServer, tmp_path: Path) -> None:
    season = str(known(tmp_path / "s"))
    run = CliRunner().invoke
    done = run(main, ["publish", season, server.url])
    assert done.exit_code == 0, done.output
    assert CAUTION in done.output
    assert server.asked == []
    refused = run(main, ["publish", season, server.url, "--send"], input="n\n")
    assert refused.exit_code == 130
    assert "crosses: update 1" in refused.output
    assert "samples: update 4" in refused.output
    assert server.asked == []
    sent = run(main, ["publish", season, server.url, "--send"], input="y\n")
    assert sent.exit_code == 0, sent.output
    assert "6 records updated, 0 made; the server gave 6 of them back" in sent.output
    assert run(main, ["publish", season, server.url, "--send", "--yes"]).exit_code == 0


def test_the_command_refuses(server: FakeServer, tmp_path: Path) -> None:
    run = CliRunner().invoke
    season = known(tmp_path / "s")
    without = run(main, ["publish", str(season), "--send", "--yes"])
    assert (without.exit_code, "There is no server to send to." in without.output) == (2, True)
    (season / "config.yaml").write_text((season / "config.yaml").read_text() + "min_posterior: 0.9\n")
    old = run(main, ["publish", str(season), server.url, "--send", "--yes"])
    assert (old.exit_code, "older than the inputs" in old.output) == (2, True)
    fresh = finished(tmp_path / "t")
    unknown = run(main, ["publish", str(fresh), server.url, "--send", "--yes"])
    assert (unknown.exit_code, "No record has an id of the server" in unknown.output) == (2, True)
    create = ["publish", str(fresh), server.url, "--send", "--create", "--yes"]
    there = run(main, create)
    assert (there.exit_code, "The server has a record of this name" in there.output) == (1, True)
    made = run(main, [*create, "--same-names"])
    assert made.exit_code == 0, made.output
    assert "crosses: update 0, make 1" in made.output
    again = run(main, create)
    assert again.exit_code == 0, again.output
    assert "crosses: update 1, make 0" in again.output
    assert "6 records updated, 0 made" in again.output


def empty() -> FakeServer:
    return FakeServer(tables={"crosses": [], "samples": [], "plates": []})


Start = Callable[[FakeServer], FakeServer]


def counts(server: FakeServer) -> list[int]:
    return [len(server.tables[call]) for call in ("crosses", "samples", "plates")]


def test_what_was_made_once_is_updated_ever_after(client: Make, start: Start, tmp_path: Path) -> None:
    there, season = start(empty()), finished(tmp_path / "s")
    for turn in range(3):
        sent = send(client(url=there.url), publication(season, there.url), create=True)
        assert (sent.made, sent.updated, sent.confirmed) == ((6, 0, 6) if turn == 0 else (0, 6, 6))
        assert counts(there) == [1, 4, 1]
    kept = json.loads((season / "published.json").read_text())
    by_name = {r.split("/", 1)[1]: m["id"] for r, m in kept["servers"][there.url].items()}
    assert by_name["cross/X001"] == there.tables["crosses"][0]["crossDbId"]
    assert by_name["sample/B01/S05"] == there.tables["samples"][2]["sampleDbId"]
    # The plate got its id first, and its samples name it.
    assert {s["plateDbId"] for s in there.tables["samples"]} == {by_name["plate/plate1"]}
    # Another server knows nothing of these ids.
    other = start(empty())
    assert send(client(url=other.url), publication(season, other.url), create=True).made == 6
    assert counts(other) == [1, 4, 1]


def test_an_answer_lost_on_the_way_makes_nothing_twice(client: Make, start: Start, tmp_path: Path) -> None:
    there, season = start(empty()), finished(tmp_path / "s")
    write_publication(season, publication(season))  # the season's references are now on disk
    before = publication(season)
    send(client(url=there.url), before, create=True)
    (season / "published.json").write_text(json.dumps({"season": before.published.season, "servers": {}}))
    sent = send(client(url=there.url), publication(season), create=True)
    assert (sent.made, sent.updated) == (0, 6)
    assert counts(there) == [1, 4, 1]


def test_an_answer_without_ids_is_told_and_looked_up_the_next_time(
    client: Make, start: Start, tmp_path: Path
) -> None:
    there, season = start(empty()), finished(tmp_path / "s")
    there.forgets_ids = True
    sent = send(client(url=there.url), publication(season), create=True)
    assert (sent.made, len(sent.problems)) == (6, 6)
    assert sent.problems[0].problem == "The server made this record but did not return its id."
    there.forgets_ids = False
    again = send(client(url=there.url), publication(season), create=True)
    assert (again.made, again.updated, again.problems) == (0, 6, ())


def test_a_copied_season_does_not_overwrite_last_years(client: Make, start: Start, tmp_path: Path) -> None:
    there, season = start(empty()), finished(tmp_path / "s")
    send(client(url=there.url), publication(season), create=True)
    shutil.copytree(season, tmp_path / "next")
    following = finished(tmp_path / "next", crosses=[CROSS | {"father": "Owl", "date": "2026-06-02"}])
    with pytest.raises(UsageError) as caught:
        publication(following)
    (told,) = caught.value.problems
    assert (told.value, told.file) == ("X001", "published.json")
    assert "made on the server as Lark x Wren, 2025-06-04 09:30; here it is Lark x Owl" in told.problem
    (following / "published.json").unlink()
    assert publication(following).crosses_put == {}


@pytest.mark.parametrize("text", ["", "[]", '{"season": "a"}', '{"season": 1, "servers": {}}',
                                  '{"season": "a", "servers": {"u": {"r": {}}}}'])  # fmt: skip
def test_a_damaged_list_of_ids_is_refused(tmp_path: Path, text: str) -> None:
    season = finished(tmp_path / "s")
    (season / "published.json").write_text(text)
    with pytest.raises(InputError, match=r"published\.json.*cannot be read"):
        publication(season)


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


def test_results_older_than_their_inputs_are_written_with_a_warning(tmp_path: Path) -> None:
    season = finished(tmp_path / "s")
    assert "older than the inputs" not in CliRunner().invoke(main, ["publish", str(season)]).output
    (season / "config.yaml").write_text((season / "config.yaml").read_text() + "min_posterior: 0.9\n")
    done = CliRunner().invoke(main, ["publish", str(season)])
    assert (done.exit_code, "older than the inputs" in done.output) == (0, True)
