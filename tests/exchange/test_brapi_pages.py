"""Pages of a BrAPI server: all of them, once, and none that is not what was asked for."""

from __future__ import annotations

import json
from typing import Any

import pytest
from brapi_server import FakeServer, Reply
from exchange_helpers import Make, ids, many, refusal

from crossproof.errors import InputError
from crossproof.exchange.brapi_client import NotOffered


def without_totals(call: str, envelope: dict[str, Any]) -> dict[str, Any]:
    paging = envelope["metadata"]["pagination"]
    return {**envelope, "metadata": {"pagination": {k: paging[k] for k in ("currentPage", "pageSize")}}}


# One request for the first page, then whichever is fewer: the pages that are left, or one per id. A server
# without totals is asked by id, one that knows no filter gives all its pages once.


@pytest.mark.parametrize(("count", "pages"), [(0, 1), (7, 1), (10, 1), (11, 2), (25, 3)])
def test_all_pages_are_read(server: FakeServer, client: Make, count: int, pages: int) -> None:
    many(server, count)
    assert ids(client(page_size=10)) == [f"g{i}" for i in range(count)]
    assert len(server.calls("GET", "germplasm")) == pages


def test_a_server_that_gives_smaller_pages_is_followed(server: FakeServer, client: Make) -> None:
    many(server, 9)
    server.most_per_page = 4
    assert ids(client(page_size=1000)) == [f"g{i}" for i in range(9)]


def test_pages_without_totals_end_with_the_short_one(server: FakeServer, client: Make) -> None:
    many(server, 9)
    server.change = without_totals
    assert ids(client(page_size=4)) == [f"g{i}" for i in range(9)]


def test_a_server_that_ignores_the_page_is_found_out(server: FakeServer, client: Make) -> None:
    many(server, 3)
    server.change = lambda call, e: {
        "metadata": {"pagination": {"totalPages": 5, "pageSize": 3}},
        "result": {"data": server.tables[call]},
    }
    assert "A record was sent twice" in refusal(lambda: ids(client()))


def test_records_that_go_missing_are_found_out(server: FakeServer, client: Make) -> None:
    many(server, 5)

    def fewer(call: str, envelope: dict[str, Any]) -> dict[str, Any]:
        envelope["metadata"]["pagination"]["totalCount"] = 6
        return envelope

    server.change = fewer
    assert "announced 6 records and gave 5" in refusal(lambda: ids(client()))


def test_another_page_than_asked_is_refused(server: FakeServer, client: Make) -> None:
    many(server, 5)

    def from_one(call: str, envelope: dict[str, Any]) -> dict[str, Any]:
        envelope["metadata"]["pagination"]["currentPage"] += 1
        return envelope

    server.change = from_one
    assert "The server answered page 2 instead." in refusal(lambda: ids(client(page_size=2)))


def test_records_are_bounded(server: FakeServer, client: Make) -> None:
    many(server, 30)
    assert "There are more than 20 records." in refusal(lambda: ids(client(page_size=10, records=20)))


def test_a_call_that_ends_on_a_later_page_is_no_call_not_offered(server: FakeServer, client: Make) -> None:
    many(server, 25)
    whole = server.page("germplasm", {"pageSize": ["10"]})
    server.replies["germplasm"] = [Reply(body=json.dumps(whole).encode()), Reply(404)]
    with pytest.raises(InputError) as caught:
        ids(client(page_size=10))
    assert not isinstance(caught.value, NotOffered)
    told = caught.value.problems[0]
    assert "page 1" in told.file
    assert told.problem == "The server gave 10 records and then said that there is no such call."


@pytest.mark.parametrize(
    ("wanted", "filters", "totals", "requests"),
    [
        (["g3"], True, True, 1),
        (["g3", "g77"], True, True, 2),
        (["g77", "g88", "g99"], True, True, 1 + 3),
        (["g77", "g88", "gone"], True, True, 1 + 3),
        ([f"g{i}" for i in range(50, 70)], True, True, 7),
        (["g15", "gone"], True, False, 1 + 2),
        (["g77", "gone"], False, True, 1 + 10),
        (["g77", "gone"], False, False, 1 + 11),
        ([], True, True, 0),
    ],
)
def test_a_few_ids_are_not_paged_for(
    server: FakeServer, client: Make, wanted: list[str], filters: bool, totals: bool, requests: int
) -> None:
    many(server, 100)
    server.filters = filters
    if not totals:
        server.change = without_totals
    found = client(page_size=10).by_ids("germplasm", "germplasmDbId", wanted)
    assert sorted(r["germplasmDbId"] for r in found) == sorted(set(wanted) - {"gone"})
    assert len(server.calls("GET", "germplasm")) == requests
