"""What several tests of the exchange ask of a client, a refusal, or a season that was fetched."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brapi_server import FakeServer

from crossproof.errors import InputError
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.fetch import Fetched

Make = Callable[..., BrapiClient]


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def said(found: Fetched) -> str:
    return "\n".join(p.sentence() for p in found.problems)


def many(server: FakeServer, count: int) -> None:
    server.tables["germplasm"] = [{"germplasmDbId": f"g{i}"} for i in range(count)]


def ids(client: BrapiClient, call: str = "germplasm", key: str = "germplasmDbId") -> list[str]:
    return [r[key] for page in client.pages(call, key) for r in page]


def refusal(read: Callable[[], Any]) -> str:
    with pytest.raises(InputError) as caught:
        read()
    return "\n".join(p.sentence() for p in caught.value.problems)
