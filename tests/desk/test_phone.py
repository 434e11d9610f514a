"""A phone reads the worklist and ticks it, with a code that ends; and can do nothing else."""

from __future__ import annotations

import http.client
import re
from urllib.parse import urlsplit

import pytest
from desks import Visitor, words
from starlette.testclient import TestClient

from crossproof.desk.folder import find_season
from crossproof.desk.phone import MOST_WRONG, Phones, _Open, phone_app
from crossproof.desk.ticks import AT_ONCE, Worklist

VERDICTS = """\
plant,cross_id,verdict,decision,place,plate,well
A-2,A,hybrid,keep,"house 1, pot 10",P1,A2
A-1,A,hybrid,keep,"house 1, pot 9",P1,A1
B-1,B,self,cull,,P1,B1
B-2,B,undetermined,retest,"house 2",P1,B2
B-3,B,hybrid,hold,"house 2",P1,B3
<b>x,B,hybrid,keep,"house 3",P1,B4
"""


@pytest.fixture
def season(tmp_path):
    folder = tmp_path / "s"
    (folder / "results").mkdir(parents=True)
    (folder / "config.yaml").write_text("", encoding="utf-8")
    (folder / "results" / "verdicts.csv").write_text(VERDICTS, encoding="utf-8")
    (folder / "results" / "run.json").write_text(
        '{"finished": "2031-07-01T10:00:00+00:00"}', encoding="utf-8"
    )
    return find_season(tmp_path, "s")


@pytest.fixture
def phone(season):
    opened = _Open(season, "192.0.2.7", 9001)
    client = TestClient(phone_app(opened), base_url="http://192.0.2.7:9001", follow_redirects=False)
    return client, opened


def test_plants_come_in_the_order_of_their_places(season):
    page = Worklist(season).page("keep", "", 0)
    assert [t.plant for t in page.tasks] == ["A-1", "A-2", "<b>x"]
    assert page.decisions == (("keep", 3, 0), ("cull", 1, 0), ("retest", 1, 0))
    assert [t.plant for t in Worklist(season).page("keep", "POT 10", 0).tasks] == ["A-2"]
    assert [t.place for t in Worklist(season).page("cull", "", 0).tasks] == ["P1 B1"]


def test_a_tick_is_a_row_of_a_list_that_the_command_done_reads(season):
    worklist = Worklist(season)
    assert worklist.tick("A-1", True)
    assert worklist.tick("B-2", True)
    file = season.path / "field" / "ticked.csv"
    assert file.read_text(encoding="utf-8") == (
        'plant,action,place\nA-1,keep,"house 1, pot 9"\nB-2,sample,house 2\n'
    )
    assert worklist.tick("A-1", False)
    assert file.read_text(encoding="utf-8") == "plant,action,place\nB-2,sample,house 2\n"
    assert not worklist.tick("B-3", True), "for a plant on hold nothing is done"
    assert not worklist.tick("none", True)


def test_a_phone_reads_and_ticks(phone, season):
    client, opened = phone
    page = client.get(f"/{opened.code}")
    assert page.status_code == 200
    assert "3 plants to keep." in words(page)
    assert "&lt;b&gt;x" in page.text
    assert "<b>x" not in page.text
    assert page.headers["content-security-policy"].startswith("default-src 'none'")
    form = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page.text))
    data = {**form, "plant": "A-1", "tick": "yes"}
    answer = client.post(f"/{opened.code}/tick", data=data, headers={"origin": "http://192.0.2.7:9001"})
    assert answer.status_code == 303
    assert 'aria-pressed="true"' in client.get(f"/{opened.code}").text
    assert list(Worklist(season).ticked()) == ["A-1"]


def test_a_tick_from_another_page_is_refused(phone, season):
    client, opened = phone
    data = {"form_key": opened.form_key, "plant": "A-1", "tick": "yes"}
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        assert client.post(f"/{opened.code}/tick", data=data, headers=headers).status_code == 403
    own = {"origin": "http://192.0.2.7:9001"}
    wrong = {**data, "form_key": "x"}
    assert client.post(f"/{opened.code}/tick", data=wrong, headers=own).status_code == 403
    assert client.post(f"/{opened.code}/tick", data={"x": "y" * 5000}, headers=own).status_code == 413
    assert Worklist(season).ticked() == {}


@pytest.mark.parametrize(
    "path", ["/", "/wrong", "/static/desk.css", "/season/s", "/open/x", "/wrong/desk.css"]
)
def test_without_the_code_there_is_nothing(phone, path):
    client, _ = phone
    answer = client.get(path)
    assert answer.status_code == 404
    assert "keep" not in answer.text


def test_the_desks_own_pages_are_not_behind_the_code(phone):
    client, opened = phone
    for path in ("season/s", "season/s/results", "run", "close", "../"):
        assert client.get(f"/{opened.code}/{path}").status_code in (404, 405)


def test_another_name_for_the_machine_is_refused(phone):
    client, opened = phone
    assert client.get(f"/{opened.code}", headers={"host": "evil.example:9001"}).status_code == 421


def test_after_many_wrong_codes_the_address_closes(phone):
    client, opened = phone

    class Server:
        should_exit = False

    opened.server = Server()
    for _ in range(MOST_WRONG - 1):
        client.get("/guess")
    assert not opened.server.should_exit
    client.get("/guess")
    assert opened.server.should_exit


def test_a_phone_is_let_in_by_the_person_at_the_desk_and_shut_out_again(season):
    visitor = Visitor(season.path.parent)
    visitor.desk.phones = Phones("127.0.0.1")
    with visitor.client:
        assert "No phone is let in" in words(visitor.get("/season/s/phone"))
        visitor.post("/season/s/phone", {"what": "on"})
        url = visitor.desk.phones.url
        page = visitor.get("/season/s/phone")
        assert url in page.text
        assert "<svg" in page.text

        def ask():
            parts = urlsplit(url)
            connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=10)
            connection.request("GET", parts.path)
            return connection.getresponse().status

        for _ in range(100):  # the server starts beside the answer
            try:
                status = ask()
                break
            except ConnectionError:
                continue
        assert status == 200
        visitor.post("/season/s/phone", {"what": "off"})
        assert visitor.desk.phones.url == ""
        with pytest.raises(ConnectionError):
            ask()
        visitor.post("/season/s/phone", {"what": "on"})
        assert visitor.desk.phones.url != url
        visitor.post("/season/s/phone", {"what": "off"})


def test_many_plants_come_a_page_at_a_time(season):
    rows = "".join(f"P-{n},C,hybrid,keep,,P1,\n" for n in range(200))
    path = season.folder.results / "verdicts.csv"
    path.write_text(VERDICTS.splitlines(keepends=True)[0] + rows, encoding="utf-8")
    page = Worklist(season).page("keep", "", AT_ONCE)
    assert (len(page.tasks), page.total) == (AT_ONCE, 200)
