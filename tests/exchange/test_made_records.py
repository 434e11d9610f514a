"""Records made on a server: each once, found again, and never those of another season."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from brapi_server import FakeServer
from finished_season import CROSS, finished

from crossproof.errors import InputError, UsageError
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.publish import publication, write_publication
from crossproof.exchange.send import send

Make = Callable[..., BrapiClient]


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
