"""Redirects, proxies and logins kept on the machine: where the client goes, and what it takes along."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from brapi_server import FakeServer, Reply
from exchange_helpers import Make, ids, refusal

SECRET = "t0ken-Secret"


def test_a_redirect_on_the_same_server_keeps_the_token(server: FakeServer, client: Make) -> None:
    server.token = SECRET
    server.replies["old"] = [Reply(301, headers={"Location": f"{server.url}/germplasm"})]
    assert len(ids(client(SECRET), "old")) == 3


def test_a_redirect_to_another_server_goes_without_the_token(
    server: FakeServer, client: Make, start: Callable[[FakeServer], FakeServer]
) -> None:
    other = start(FakeServer(tables={"germplasm": [{"germplasmDbId": "g"}]}))
    server.replies["germplasm"] = [Reply(302, headers={"Location": f"{other.url}/germplasm"})]
    assert ids(client(SECRET)) == ["g"]
    assert server.asked[0][2]["Authorization"] == f"Bearer {SECRET}"
    assert "Authorization" not in other.asked[0][2]
    assert SECRET not in json.dumps(other.asked)


@pytest.mark.parametrize("target", ["file:///etc/passwd", "ftp://127.0.0.1/x", "gopher://127.0.0.1/"])
def test_redirects_off_the_web_are_not_followed(server: FakeServer, client: Make, target: str) -> None:
    server.replies["germplasm"] = [Reply(302, headers={"Location": target})]
    assert "The server redirects to an address that is not followed" in refusal(lambda: ids(client()))


def test_redirects_in_a_circle_end(server: FakeServer, client: Make) -> None:
    server.replies["germplasm"] = [Reply(302, headers={"Location": f"{server.url}/germplasm"})] * 50
    assert "an address that is not followed" in refusal(lambda: ids(client()))
    assert len(server.asked) < 10


def test_updates_are_not_redirected(server: FakeServer, client: Make) -> None:
    for status in (302, 303, 307):
        server.replies["crosses"] = [Reply(status, headers={"Location": f"{server.url}/germplasm"})] * 2
        assert "an address that is not followed" in refusal(lambda: client().put("crosses", {}))
        assert "an address that is not followed" in refusal(lambda: client().post("crosses", []))
    assert server.calls("GET", "germplasm") == []


def test_no_proxy_stands_between_this_machine_and_itself(
    server: FakeServer, client: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    assert len(ids(client(SECRET))) == 3


def test_a_login_kept_on_this_machine_is_not_sent(
    server: FakeServer, client: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The library reads ~/.netrc by itself; for this machine's own addresses as well where it trusts the
    # environment, which is what the last line makes it do.
    kept = tmp_path / "netrc"
    kept.write_text(f"machine 127.0.0.1 login ana password {SECRET}\n", encoding="ascii")
    kept.chmod(0o600)
    monkeypatch.setenv("NETRC", str(kept))
    for token in (None, "mine"):
        found = client(token)
        found._server._session.trust_env = True
        ids(found)
    assert [a[2].get("Authorization") for a in server.asked] == [None, "Bearer mine"]


def test_the_body_of_a_redirect_is_not_read(server: FakeServer, client: Make) -> None:
    there = {"Location": f"{server.url}/germplasm"}
    server.replies["old"] = [Reply(302, b"x" * 40, headers=there, drip=0.05)]
    assert len(ids(client(timeout=1.0), "old")) == 3
