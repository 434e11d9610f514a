"""The address of a BrAPI server and the token for it: what is refused, and that no message repeats it."""

from __future__ import annotations

import traceback

import pytest
from brapi_server import FakeServer
from exchange_helpers import refusal

from crossproof.errors import InputError
from crossproof.exchange.brapi_address import TOKEN_VARIABLE, base_url, environment_token
from crossproof.exchange.brapi_client import connect

SECRET = "t0ken-Secret"


@pytest.mark.parametrize("token", ["two words", "line\nbreak", "naïve", "bell\x07"])
def test_a_token_that_no_header_carries_is_not_repeated(token: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, token)
    with pytest.raises(InputError) as caught:
        environment_token()
    assert token not in "".join(traceback.format_exception(caught.value))
    monkeypatch.setenv(TOKEN_VARIABLE, f" {SECRET}\n")
    assert environment_token() == SECRET


def test_connect_reads_the_environment(server: FakeServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, SECRET)
    assert connect(server.url).token == SECRET
    assert connect(server.url, page_size=5).limits.page_size == 5


@pytest.mark.parametrize(
    ("given", "base"),
    [
        ("https://server.example", "https://server.example/brapi/v2"),
        ("https://server.example/brapi/v2/", "https://server.example/brapi/v2"),
        ("https://server.example:8443/beans/brapi/v2", "https://server.example:8443/beans/brapi/v2"),
        ("http://[::1]:8080", "http://[::1]:8080/brapi/v2"),
    ],
)
def test_addresses(given: str, base: str) -> None:
    assert base_url(given, with_token=True) == base


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("server.example", "This is not an http or https address."),
        ("file:///etc/passwd", "This is not an http or https address."),
        ("ftp://me:pw@server.example", "This is not an http or https address."),
        ("https://", "This is not an http or https address."),
        ("https://ser ver.example", "This is not an http or https address."),
        ("https://sërver.example", "This is not an http or https address."),
        ("http://[::1", "This is not an http or https address."),
        ("https://me:pw@server.example", "holds a user name or a password"),
        ("https://server.example/brapi/v2?token=pw", "a part after ? or #"),
        ("https://server.example:port", "The port of the address is not a number from 0 to 65535."),
        ("http://server.example", "The token would travel unencrypted."),
    ],
)
def test_addresses_that_are_refused(given: str, said: str) -> None:
    text = refusal(lambda: base_url(given, with_token=True))
    assert said in text
    assert "pw" not in text


def test_plain_http_without_a_token_or_on_request() -> None:
    assert base_url("http://server.example", with_token=False) == "http://server.example/brapi/v2"
    assert base_url("http://server.example", with_token=True, plain_http=True).startswith("http://")
