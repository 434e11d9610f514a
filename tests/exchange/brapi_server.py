"""A small BrAPI v2.1 server for tests: pages, faults on demand, and updates that it remembers.

All records are invented. Field names and envelopes follow the public BrAPI v2.1 specification.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

KEYS = {
    "crosses": "crossDbId",
    "plannedcrosses": "plannedCrossDbId",
    "samples": "sampleDbId",
    "plates": "plateDbId",
    "germplasm": "germplasmDbId",
    "observationunits": "observationUnitDbId",
}


@dataclass
class Reply:
    """One answer in the place of the server's own. `drip`: seconds before each byte of the body."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    delay: float = 0.0
    drip: float = 0.0
    hang_up: bool = False


@dataclass
class FakeServer:
    """`tables`: records by call. `replies`: answers to give first, by call. `asked`: every request.
    `filters`: whether it heeds the standard's parameter that asks for one record by its id.
    `forgets_ids`: whether it makes records and leaves their ids out of its answer."""

    url: str = ""
    port: int = 0
    token: str | None = None
    most_per_page: int = 1000
    filters: bool = True
    forgets_ids: bool = False
    tables: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    replies: dict[str, list[Reply]] = field(default_factory=dict)
    asked: list[tuple[str, str, dict[str, str], Any]] = field(default_factory=list)
    change: Callable[[str, dict[str, Any]], Any] = lambda call, envelope: envelope

    def calls(self, method: str, call: str) -> list[Any]:
        """Bodies of the requests to a call."""
        return [b for m, p, _, b in self.asked if m == method and urlsplit(p).path == f"/brapi/v2/{call}"]

    def page(self, call: str, query: dict[str, list[str]]) -> dict[str, Any]:
        """One page of a table."""
        records = self.tables[call]
        if self.filters and (one := query.get(KEYS[call])):
            records = [r for r in records if r[KEYS[call]] in one]
        size = min(int(query.get("pageSize", ["1000"])[0]), self.most_per_page)
        number = int(query.get("page", ["0"])[0])
        total = max(1, -(-len(records) // size))
        paging = {"currentPage": number, "pageSize": size, "totalCount": len(records), "totalPages": total}
        data = records[number * size : (number + 1) * size]
        return {"metadata": {"pagination": paging, "status": [], "datafiles": []}, "result": {"data": data}}


@contextmanager
def running(server: FakeServer) -> Iterator[FakeServer]:
    """Serve on a free port of this machine until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_: object) -> None:
            return

        def do_GET(self) -> None:
            self.answer(None)

        def do_PUT(self) -> None:
            self.answer(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))

        def do_POST(self) -> None:
            self.answer(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))

        def answer(self, body: Any) -> None:
            server.asked.append((self.command, self.path, dict(self.headers), body))
            parts = urlsplit(self.path)
            call = parts.path.removeprefix("/brapi/v2/")
            if waiting := server.replies.get(call):
                self.give(waiting.pop(0))
            elif server.token and self.headers.get("Authorization") != f"Bearer {server.token}":
                self.give(Reply(401, b'{"metadata": {}}'))
            elif call not in server.tables:
                self.give(Reply(404, b"not here"))
            else:
                if body is not None:
                    update(server, call, body)
                envelope = server.change(call, server.page(call, parse_qs(parts.query)))
                if self.command == "PUT":
                    known = [r for r in server.tables[call] if r[KEYS[call]] in body]
                    envelope = {"metadata": {}, "result": {"data": known}}
                if self.command == "POST":
                    made = server.tables[call][-len(body) :]
                    if server.forgets_ids:
                        made = [{k: v for k, v in r.items() if k != KEYS[call]} for r in made]
                    envelope = {"metadata": {}, "result": {"data": made}}
                self.give(Reply(body=json.dumps(envelope).encode()))

        def give(self, reply: Reply) -> None:
            time.sleep(reply.delay)
            if reply.hang_up:
                self.close_connection = True
                return
            try:
                self.send_response(reply.status)
                for name, value in {"Content-Length": str(len(reply.body)), **reply.headers}.items():
                    self.send_header(name, value)
                self.end_headers()
                for i in range(0, len(reply.body), 1 if reply.drip else len(reply.body) or 1):
                    self.wfile.write(reply.body[i : i + 1] if reply.drip else reply.body)
                    time.sleep(reply.drip)
            except (BrokenPipeError, ConnectionResetError):
                self.close_connection = True

    httpd = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    httpd.daemon_threads = True
    httpd.block_on_close = False
    server.port = httpd.server_address[1]
    server.url = f"http://127.0.0.1:{server.port}/brapi/v2"
    thread = threading.Thread(target=httpd.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        httpd.shutdown()
        httpd.server_close()


def update(server: FakeServer, call: str, body: Any) -> None:
    """Take an update (the whole record, as a server may) or new records."""
    table, key = server.tables[call], KEYS[call]
    if isinstance(body, dict):
        server.tables[call] = [{key: r[key], **body[r[key]]} if r[key] in body else r for r in table]
    else:
        table += [{key: f"new{i}", **r} for i, r in enumerate(body, len(table))]


def parent(name: str, kind: str | None) -> dict[str, Any]:
    """A parent of a cross; the id is the name in lower case."""
    return {"germplasmDbId": name.lower(), "germplasmName": name, "parentType": kind}


def attribute(name: str, value: str) -> dict[str, str]:
    """A cross attribute."""
    return {"crossAttributeName": name, "crossAttributeValue": value}


def nursery() -> FakeServer:
    """Two lines, one cross with one progeny plant, a blank; matches the calls of `crossproof new`."""
    cross = {
        "crossDbId": "c-1",
        "crossName": "X001",
        "crossType": "BIPARENTAL",
        "parent1": parent("Wren", "MALE"),
        "parent2": parent("Lark", "FEMALE"),
        "pollinationEvents": [
            {"pollinationNumber": "1", "pollinationTimeStamp": "2025-06-04T09:30:00+02:00"}
        ],
        "crossAttributes": [
            attribute("Operator", "Ana"),
            attribute("Flower count", "2"),
            attribute("pods", "1"),
            attribute("seeds", "4"),
            attribute("Bench side", "north"),
        ],
        "additionalInfo": {"colour": "white"},
    }
    wells = [
        ("S01", "A", 1, "lark", {}),
        ("S02", "B", 1, "lark", {}),
        ("S03", "C", 1, "wren", {}),
        ("S04", "D", 1, "wren", {}),
        ("S05", "E", 1, None, {"role": "progeny", "cross_id": "X001", "pod": "1", "plant": "X001-1"}),
        ("S06", "F", 1, None, {"role": "blank"}),
    ]
    samples = [
        {
            "sampleDbId": f"s-{name}",
            "sampleName": name,
            "plateDbId": "p-1",
            "row": row,
            "column": column,
            "well": f"{row}{column:02d}",
            "germplasmDbId": germplasm,
            "additionalInfo": info,
            "sampleTimestamp": "2025-08-01T08:00:00Z",
        }
        for name, row, column, germplasm, info in wells
    ]
    germplasm = [
        {"germplasmDbId": n.lower(), "germplasmName": n, "commonCropName": "bean"}
        for n in ("Lark", "Wren", "Owl")
    ]
    return FakeServer(
        tables={
            "crosses": [cross],
            "plannedcrosses": [],
            "samples": samples,
            "plates": [{"plateDbId": "p-1", "plateName": "plate1", "plateFormat": "PLATE_96"}],
            "germplasm": germplasm,
        }
    )
