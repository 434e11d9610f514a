"""The client against a real server: waiting, refusals, broken answers, and the token."""

from __future__ import annotations

import json
import shutil
import socket
import ssl
import subprocess
import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from brapi_server import FakeServer, Reply
from exchange_helpers import Make, ids, many, refusal

from crossproof.exchange.brapi_address import TOKEN_VARIABLE
from crossproof.exchange.brapi_client import NotOffered

SECRET = "t0ken-Secret"


def test_the_token_goes_into_the_header_only(server: FakeServer, client: Make) -> None:
    server.token = SECRET
    assert len(ids(client(SECRET))) == 3
    method, path, headers, _ = server.asked[0]
    assert (method, headers["Authorization"]) == ("GET", f"Bearer {SECRET}")
    assert SECRET not in path
    assert SECRET not in repr(client(SECRET))


def test_401_says_how_to_get_in(server: FakeServer, client: Make) -> None:
    server.token = SECRET
    without = refusal(lambda: ids(client()))
    assert "The server asks for a token. (401)" in without
    assert TOKEN_VARIABLE in without
    assert "does not accept the token" in refusal(lambda: ids(client("wrong")))
    assert len(server.asked) == 2


def test_403_is_final(server: FakeServer, client: Make, waits: list[float]) -> None:
    server.replies["germplasm"] = [Reply(403)]
    assert "You do not have the right to do this on the server. (403)" in refusal(lambda: ids(client()))
    assert waits == []


@pytest.mark.parametrize("status", [404, 405, 501])
def test_a_call_not_offered_is_told_apart(server: FakeServer, client: Make, status: int) -> None:
    server.replies["germplasm"] = [Reply(status)]
    with pytest.raises(NotOffered, match=f"does not offer this call. .{status}"):
        ids(client())


def test_429_waits_as_long_as_asked(server: FakeServer, client: Make, waits: list[float]) -> None:
    later = format_datetime(datetime.now(UTC) + timedelta(seconds=40), usegmt=True)
    server.replies["germplasm"] = [
        Reply(429, headers={"Retry-After": "7"}),
        Reply(429, headers={"Retry-After": later}),
        Reply(429, headers={"Retry-After": "soon"}),
    ]
    found = client(backoff=0.5)
    assert len(ids(found)) == 3
    assert waits[0] == 7
    assert 30 < waits[1] <= 40
    assert waits[2] == 0.5 * 2**2
    assert "status 429; trying again in 7 s" in found.said[0]


def test_429_that_asks_for_too_long_ends(server: FakeServer, client: Make, waits: list[float]) -> None:
    server.replies["germplasm"] = [Reply(429, headers={"Retry-After": "86400"})]
    assert "asks us to wait 86,400 s" in refusal(lambda: ids(client()))
    assert waits == []


def test_server_faults_are_tried_again_and_bounded(
    server: FakeServer, client: Make, waits: list[float]
) -> None:
    server.replies["germplasm"] = [Reply(500), Reply(502), Reply(503)]
    assert len(ids(client(backoff=1))) == 3
    assert waits == [1, 2, 4]
    server.replies["germplasm"] = [Reply(503)] * 9
    assert "did not answer in 5 tries (status 503)" in refusal(lambda: ids(client()))
    assert len(server.replies["germplasm"]) == 4


def test_a_time_out_is_tried_again(server: FakeServer, client: Make, waits: list[float]) -> None:
    server.replies["germplasm"] = [Reply(delay=0.6, hang_up=True)]
    assert len(ids(client(timeout=0.3))) == 3
    assert waits == [0.5]
    server.replies["germplasm"] = [Reply(delay=0.5, hang_up=True)] * 2
    text = refusal(lambda: ids(client(timeout=0.15, tries=2)))
    assert "did not answer in 2 tries (no answer in time)" in text


def test_an_answer_that_drips_is_cut_off(server: FakeServer, client: Make) -> None:
    server.replies["germplasm"] = [Reply(body=b"x" * 200, drip=0.02)]
    text = refusal(lambda: ids(client(slowest=0.3, tries=1)))
    assert "did not answer in 1 tries" in text


def test_a_broken_connection_is_tried_again(server: FakeServer, client: Make) -> None:
    short = Reply(body=b'{"metadata"', headers={"Content-Length": "999"}, hang_up=False)
    server.replies["germplasm"] = [Reply(hang_up=True)]
    assert len(ids(client())) == 3
    server.replies["germplasm"] = [short]
    assert len(ids(client(timeout=0.3))) == 3


def test_no_server(client: Make) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{free.getsockname()[1]}/brapi/v2"
        assert "No server answers at this address." in refusal(lambda: ids(client(url=url)))


def test_no_such_name(client: Make) -> None:
    # .invalid never resolves (RFC 6761, section 6.4).
    text = refusal(lambda: ids(client(url="https://server.invalid/brapi/v2", tries=1)))
    assert "There is no server of this name." in text


def test_https_where_only_http_is_spoken(server: FakeServer, client: Make, waits: list[float]) -> None:
    text = refusal(lambda: ids(client(url=server.url.replace("http:", "https:"))))
    assert "The server does not speak https at this address." in text
    assert waits == []


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not on this machine")
def test_a_certificate_nobody_vouches_for(client: Make, tmp_path: Path) -> None:
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    make = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "1",
        "-subj",
        "/CN=localhost",
    ]
    subprocess.run([*make, "-keyout", key, "-out", certificate], check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    with HTTPServer(("127.0.0.1", 0), BaseHTTPRequestHandler) as httpd:
        httpd.handle_error = lambda *_: None  # the client hangs up, as it should
        httpd.socket = context.wrap_socket(httpd.socket, server_side=True)
        threading.Thread(target=httpd.handle_request, daemon=True).start()
        url = f"https://localhost:{httpd.server_address[1]}/brapi/v2"
        assert "The server's certificate cannot be verified" in refusal(lambda: ids(client(SECRET, url=url)))


def test_pages_are_reported(server: FakeServer, client: Make) -> None:
    many(server, 5)
    found, seen = client(page_size=2), []
    found.on_page = lambda *what: seen.append(what)
    ids(found)
    assert seen == [("reading germplasm", n, 3) for n in (1, 2, 3)]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b'{"metadata": {}, "result": {"data": [', "The answer is not JSON"),
        (b"<html>Welcome</html>", "It is a web page."),
        (b"", "The answer is not JSON"),
        (b'{"metadata": {}, "result": {"data": [{"a": NaN}]}}', "NaN is not a JSON number"),
        (b'\xff\xfe{"', "The answer is not UTF-8 text."),
        (b"[" * 100_000, "nested too deeply"),
        (b"[]", "no object 'result'"),
        (b'{"metadata": {}}', "no object 'result'"),
        (b'{"result": {"data": []}}', "no object 'metadata'"),
        (b'{"metadata": {}, "result": {}}', "no list of records at result.data"),
        (b'{"metadata": {}, "result": {"data": {}}}', "no list of records at result.data"),
        (b'{"metadata": {}, "result": {"data": [1]}}', "no list of records at result.data"),
        (b'{"metadata": {"pagination": []}, "result": {"data": []}}', ""),
        (b'{"metadata": {"pagination": 3}, "result": {"data": []}}', "metadata.pagination is not an object"),
        (
            b'{"metadata": {"pagination": {"totalPages": "2"}}, "result": {"data": []}}',
            "metadata.pagination.totalPages is not a number",
        ),
        (
            b'{"metadata": {"pagination": {"totalPages": true}}, "result": {"data": []}}',
            "metadata.pagination.totalPages is not a number",
        ),
    ],
)
def test_broken_answers(server: FakeServer, client: Make, body: bytes, said: str) -> None:
    server.replies["germplasm"] = [Reply(body=body)]
    if not said:
        assert ids(client()) == []
        return
    text = refusal(lambda: ids(client()))
    assert said in text
    assert "germplasm" in text


def test_a_huge_answer_is_not_taken(server: FakeServer, client: Make) -> None:
    honest = Reply(body=b" " * 3_000_000)
    silent = Reply(body=b" " * 3_000_000, headers={"Content-Length": "", "Connection": "close"})
    for reply in (honest, silent):
        server.replies["germplasm"] = [reply]
        assert "The answer is larger than 1 MB." in refusal(lambda: ids(client(answer_mb=1)))


def test_new_records_are_not_sent_twice(server: FakeServer, client: Make, waits: list[float]) -> None:
    server.replies["crosses"] = [Reply(500, b"database down")]
    assert "The server refused the request. (500)" in refusal(lambda: client().post("crosses", [{}]))
    server.replies["crosses"] = [Reply(hang_up=True)]
    assert "whether the server made the records is not known" in refusal(
        lambda: client().post("crosses", [{}])
    )
    assert (len(server.calls("POST", "crosses")), waits) == (2, [])


def test_the_servers_own_words_are_shown_without_the_token(server: FakeServer, client: Make) -> None:
    server.replies["germplasm"] = [Reply(400, f"bad header Bearer {SECRET} here".encode())]
    text = refusal(lambda: ids(client(SECRET)))
    assert "bad header Bearer *** here" in text
    assert SECRET not in text


def test_status_messages_are_passed_on(server: FakeServer, client: Make) -> None:
    status = [
        {"messageType": "WARNING", "message": "crop is retired"},
        {"messageType": "INFO", "message": "hi"},
    ]
    body = {"metadata": {"status": status}, "result": {"data": []}}
    server.replies["germplasm"] = [Reply(body=json.dumps(body).encode())]
    found = client()
    ids(found)
    assert found.said == ["GET germplasm: the server says: crop is retired"]
