"""Where the desk listens, and the server that answers there."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from crossproof.errors import UsageError

LOOPBACK = "127.0.0.1"
Listening = socket.socket


class _Server(uvicorn.Server):
    """A server that leaves signals to whoever runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def server_of(app: ASGIApp) -> uvicorn.Server:
    """A server for an application, quiet, that speaks HTTP and nothing else."""
    return _Server(
        uvicorn.Config(
            app, log_level="error", access_log=False, server_header=False, date_header=False, ws="none",
            lifespan="off", proxy_headers=False, timeout_graceful_shutdown=2, timeout_keep_alive=30,
        )
    )  # fmt: skip


def listening(address: str, port: int) -> Listening:
    """A socket that listens; raises UsageError where the port is taken."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((address, port))
    except OSError as fault:
        sock.close()
        raise UsageError.at(
            "--port",
            f"The port cannot be used ({fault.strerror}).",
            "Leave --port out for a free one, or name another.",
            value=port,
        ) from fault
    sock.listen(128)
    return sock


def address_in_network() -> str | None:
    """This machine's address in the network it is on; None where it is on none. Sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # of RFC 5737, nobody's: only the way out is looked up
            found = str(sock.getsockname()[0])
        except OSError:
            return None
    return None if found.startswith(("127.", "0.")) else found
