"""A server for each test that asks for one, and a client that does not really wait."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from brapi_server import FakeServer, nursery, running

from crossproof.exchange.brapi_address import TOKEN_VARIABLE
from crossproof.exchange.brapi_client import BrapiClient, Limits
from crossproof.exchange.fetch import Fetched, fetch_season


@pytest.fixture
def server() -> Iterator[FakeServer]:
    with running(nursery()) as found:
        yield found


@pytest.fixture
def start() -> Iterator[Callable[[FakeServer], FakeServer]]:
    """Start further servers."""
    with ExitStack() as stack:
        yield lambda made: stack.enter_context(running(made))


@pytest.fixture
def waits() -> list[float]:
    """Seconds that the client would have waited."""
    return []


@pytest.fixture
def client(server: FakeServer, waits: list[float]) -> Callable[..., BrapiClient]:
    """A client of the test's server; keywords are limits, and `token`."""

    def make(token: str | None = None, url: str = "", **limits: Any) -> BrapiClient:
        return BrapiClient(url or server.url, token, Limits(**{"timeout": 5.0, **limits}), waits.append)

    return make


@pytest.fixture
def cross(server: FakeServer) -> dict[str, Any]:
    """The first cross of the test's server."""
    return server.tables["crosses"][0]


@pytest.fixture
def fetch(client: Callable[..., BrapiClient], tmp_path: Path) -> Callable[..., Fetched]:
    """Fetch the server's season into the folder `season`."""
    return lambda **more: fetch_season(client(), tmp_path / "season", **more)


@pytest.fixture(autouse=True)
def no_token(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
