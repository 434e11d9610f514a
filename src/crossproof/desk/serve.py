"""The desk's server: on this machine only, opened in a browser, closed when nobody uses it."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
import webbrowser
from collections.abc import Callable
from pathlib import Path

from crossproof.desk.app import make_app
from crossproof.desk.pages import Desk
from crossproof.desk.security import OPENING, Tickets
from crossproof.desk.sockets import LOOPBACK, Listening, listening, server_of
from crossproof.errors import UsageError

LOOK_SECONDS = 1.0


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
        raise UsageError.at(str(root), "There is no folder of this name.", "Name a folder that is there.")
    sock = listening(LOOPBACK, port)
    desk = Desk(root, sock.getsockname()[1], cores)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(desk, sock, idle_minutes * 60, browser, say))


async def _serve(
    desk: Desk, sock: Listening, idle_seconds: float, browser: bool, say: Callable[[str], None]
) -> None:
    last = time.monotonic()

    def on_request() -> None:
        nonlocal last
        last = time.monotonic()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        with contextlib.suppress(RuntimeError, ValueError):  # not in the main thread
            asyncio.get_running_loop().add_signal_handler(number, desk.closing.set)
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
        await desk.phones.stop()
        await desk.jobs.stop_all()
        server.should_exit = True
        await serving


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error, OSError):
        webbrowser.open(address)
