"""Who is let in: the browser with the key of this start, from the desk's own pages."""

from __future__ import annotations

import pytest
from desks import OWN, PORT, Visitor
from starlette.testclient import TestClient

from crossproof.desk.app import make_app
from crossproof.desk.pages import Desk
from crossproof.desk.security import FORM_KEY, Keys, Tickets, cookie_name


@pytest.fixture
def visitor(tmp_path):
    return Visitor(tmp_path)


def stranger(visitor):
    return TestClient(visitor.app, base_url=OWN, follow_redirects=False)


def test_nothing_is_answered_without_the_cookie(visitor):
    client = stranger(visitor)
    for path in ("/", "/season/x", "/season/x/results/report.html", "/season/x/run/events"):
        assert client.get(path).status_code == 401
    assert client.post("/seasons", data={"name": "a"}, headers={"origin": OWN}).status_code == 401
    client.cookies.set(cookie_name(PORT), "x" * 32)
    assert client.get("/").status_code == 401


def test_the_opening_address_lets_a_browser_in_and_a_wrong_one_does_not(visitor):
    client = stranger(visitor)
    assert client.get("/open/wrong").status_code == 401
    answer = client.get(f"/open/{visitor.desk.keys.opening}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/").status_code == 200


def test_a_ticket_opens_once(tmp_path):
    tickets = Tickets()
    app = make_app(Desk(tmp_path, PORT), tickets=tickets)
    ticket = tickets.make()
    answers = [TestClient(app, base_url=OWN, follow_redirects=False).get(f"/open/{ticket}") for _ in "12"]
    assert [a.status_code for a in answers] == [303, 401]


def test_each_start_has_keys_of_its_own():
    one, other = Keys(), Keys()
    assert len({one.opening, one.session, one.form, other.opening, other.session, other.form}) == 6


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8123", "127.0.0.1", "127.0.0.1:1", "[::1]:1"])
def test_another_name_for_this_machine_is_refused(visitor, host):
    """DNS rebinding: another site's name that was pointed at this machine."""
    assert visitor.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": f"http://127.0.0.1:{PORT + 1}"},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {},
    ],
)
def test_a_form_from_elsewhere_is_refused_even_with_the_cookie_and_the_key(visitor, tmp_path, headers):
    data = {FORM_KEY: visitor.desk.keys.form, "name": "made"}
    assert visitor.client.post("/seasons", data=data, headers=headers).status_code == 403
    assert not (tmp_path / "made").exists()


@pytest.mark.parametrize("key", ["", "x" * 32])
def test_a_form_without_the_desks_key_is_refused(visitor, tmp_path, key):
    answer = visitor.client.post("/seasons", data={FORM_KEY: key, "name": "made"}, headers={"origin": OWN})
    assert answer.status_code == 403
    assert not (tmp_path / "made").exists()


def test_another_sites_page_may_not_read_or_embed(visitor):
    embedded = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert visitor.get("/", headers=embedded).status_code == 403
    walked = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert visitor.get("/", headers=walked).status_code == 200


@pytest.mark.parametrize("path", ["/", "/nowhere", "/static/desk.js", "/season/none"])
def test_every_answer_has_a_strict_policy(visitor, path):
    headers = visitor.get(path).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in headers


def test_pages_have_no_script_and_no_style_of_their_own(visitor):
    visitor.post("/seasons", {"name": "s"})
    for path in (
        "/",
        "/season/s",
        "/season/s/files",
        "/season/s/problems",
        "/season/s/run",
        "/season/s/results",
    ):
        text = visitor.get(path).text
        assert text.count("<script") == 1
        assert '<script src="/static/desk.js" defer></script>' in text
        assert "style=" not in text
        assert "<style" not in text
        assert " onclick" not in text
        assert "http://" not in text
        assert "https://" not in text


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_do_nothing(visitor, method):
    answer = visitor.client.request(method, "/", headers={"origin": OWN})
    assert answer.status_code == 405


def test_who_is_not_let_in_is_told_nothing_of_the_desk(visitor, tmp_path):
    answers = [stranger(visitor).get("/"), visitor.get("/", headers={"host": "evil.example"})]
    for answer in answers:
        assert answer.status_code in (401, 421)
        assert visitor.desk.keys.form not in answer.text
        assert str(tmp_path) not in answer.text
