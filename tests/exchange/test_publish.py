"""Verdicts as BrAPI v2.1 JSON: fits the standard, marks what is not final, and keeps what the server has."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from brapi_server import FakeServer
from click.testing import CliRunner
from finished_season import CROSS, PLATE, SAMPLES, VERDICT, finished, sample
from jsonschema import Draft202012Validator

from crossproof.cli import main
from crossproof.errors import InputError, UsageError
from crossproof.exchange.publish import CAUTION, publication, write_publication
from crossproof.exchange.standard import KINDS, faults, schema


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


def test_results_older_than_their_inputs_are_written_with_a_warning(tmp_path: Path) -> None:
    season = finished(tmp_path / "s")
    assert "older than the inputs" not in CliRunner().invoke(main, ["publish", str(season)]).output
    (season / "config.yaml").write_text((season / "config.yaml").read_text() + "min_posterior: 0.9\n")
    done = CliRunner().invoke(main, ["publish", str(season)])
    assert (done.exit_code, "older than the inputs" in done.output) == (0, True)
