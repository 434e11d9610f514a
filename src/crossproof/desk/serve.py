"""The desk's server: on this machine only, opened in a browser, closed when nobody uses it."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from crossproof.desk.app import make_app
from crossproof.desk.pages import Desk
from crossproof.desk.security import OPENING, Tickets
from crossproof.errors import UsageError, error

LOOPBACK = "127.0.0.1"
LOOK_SECONDS = 1.0


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


def listening(address: str, port: int) -> socket.socket:
    """A socket that listens; raises UsageError where the port is taken."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((address, port))
    except OSError as fault:
        sock.close()
        raise UsageError(
            error(
                "--port", f"The port cannot be used ({fault.strerror}).",
                "Leave --port out for a free one, or name another.", value=port,
            )
        ) from fault  # fmt: skip
    sock.listen(128)
    return sock


def serve_desk(
    root: Path,
    *,
    port: int = 0,
    cores: int = 2,
    idle_minutes: float = 120,
    browser: bool = True,
    say: Callable[[str], None] = print,
) -> None:
    """Serve a desk on a folder until it is interrupted, closed, or left alone for `idle_minutes`.

    A run that the desk started and that still goes is interrupted at the end, as Ctrl+C does; the desk does
    not take itself for left alone while one goes. Raises UsageError where there is no folder, or the port is
    taken.
    """
    if not root.is_dir():
        raise UsageError(error(str(root), "There is no folder of this name.", "Name a folder that is there."))
    sock = listening(LOOPBACK, port)
    desk = Desk(root, sock.getsockname()[1], cores)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(desk, sock, idle_minutes * 60, browser, say))


async def _serve(
    desk: Desk, sock: socket.socket, idle_seconds: float, browser: bool, say: Callable[[str], None]
) -> None:
    last = time.monotonic()

    def on_request() -> None:
        nonlocal last
        last = time.monotonic()

    tickets = Tickets()
    server = server_of(make_app(desk, tickets=tickets, on_request=on_request))
    address = f"http://{LOOPBACK}:{desk.port}{OPENING}"
    say(f"The desk is open on {desk.root}.")
    say(f"In a browser on this machine: {address}{desk.keys.opening}")
    say("Whoever has this address has the desk: give it to nobody. Ctrl+C closes it.")
    serving = asyncio.create_task(server.serve(sockets=[sock]))
    if browser:
        ticket = tickets.make()
        await asyncio.to_thread(_open, address + ticket)
    try:
        while not serving.done() and not desk.closing.is_set():
            if desk.jobs.any:
                on_request()
            if time.monotonic() - last > idle_seconds:
                say(
                    "Nobody has used the desk for a while; it is closed. Everything is in the season folders."
                )
                break
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(desk.closing.wait(), LOOK_SECONDS)
    finally:
        await desk.jobs.stop_all()
        server.should_exit = True
        await serving


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error, OSError):
        webbrowser.open(address)
