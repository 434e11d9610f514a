"""A phone in the same network: the worklist of one season to read and to tick, and nothing else.

Off until the person at the desk allows it. It has an address of its own, with a code that is made anew each
time and ends with it; whoever has no code gets nothing, and after many wrong ones the address closes.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from urllib.parse import urlencode

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from crossproof.desk.folder import SeasonPlace
from crossproof.desk.security import BARE_HEADERS, PAGE_POLICY
from crossproof.desk.sockets import address_in_network, listening, server_of
from crossproof.desk.texts import desk_templates, style_text
from crossproof.desk.ticks import ACTIONS, AT_ONCE, Worklist
from crossproof.errors import UsageError

MOST_WRONG = 40
"""Requests with a wrong code after which the address closes."""
MOST_BODY = 4000
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
CODE_LETTERS = 12
_TEMPLATES = desk_templates()


@dataclass
class _Open:
    """One open address for phones."""

    season: SeasonPlace
    address: str
    port: int
    code: str = field(default_factory=lambda: "".join(secrets.choice(_LETTERS) for _ in range(CODE_LETTERS)))
    wrong: int = 0
    server: uvicorn.Server | None = None
    task: asyncio.Task[None] | None = None

    @property
    def url(self) -> str:
        """What the phone opens."""
        return f"http://{self.address}:{self.port}/{self.code}"

    @property
    def form_key(self) -> str:
        """What the forms carry."""
        return hmac.new(self.code.encode(), b"tick", hashlib.sha256).hexdigest()[:24]


class Phones:
    """Whether phones are let in, and to which season; to one at a time."""

    def __init__(self, address: str | None = None) -> None:
        self._address = address
        self._open: _Open | None = None

    @property
    def season(self) -> SeasonPlace | None:
        """The season whose worklist phones may read."""
        open_ = self._going()
        return open_.season if open_ else None

    @property
    def url(self) -> str:
        """The address with its code; "" where none is open."""
        open_ = self._going()
        return open_.url if open_ else ""

    def _going(self) -> _Open | None:
        if self._open is not None and self._open.task is not None and self._open.task.done():
            self._open = None
        return self._open

    async def start(self, season: SeasonPlace) -> None:
        """Let phones in to a season's worklist; raises UsageError where this machine is on no network."""
        await self.stop()
        address = self._address or address_in_network()
        if address is None:
            raise UsageError.at(
                "",
                "This machine is on no network that a phone could be on.",
                "Join the network of the phone and try again.",
            )
        sock = listening(address, 0)
        opened = _Open(season, address, sock.getsockname()[1])
        opened.server = server_of(phone_app(opened))
        opened.task = asyncio.create_task(opened.server.serve(sockets=[sock]))
        self._open = opened

    async def stop(self) -> None:
        """Let no phone in any more; the code is void."""
        opened, self._open = self._going(), None
        if opened is not None and opened.server is not None and opened.task is not None:
            opened.server.should_exit = True
            await opened.task


def phone_app(opened: _Open) -> ASGIApp:
    """The application that a phone gets."""
    worklist = Worklist(opened.season)
    hosts = {f"{opened.address}:{opened.port}"}

    def let_in(request: Request) -> None:
        if request.headers.getlist("host") != list(hosts):
            raise HTTPException(421)
        if not hmac.compare_digest(str(request.path_params["code"]).encode(), opened.code.encode()):
            opened.wrong += 1
            if opened.wrong >= MOST_WRONG and opened.server is not None:
                opened.server.should_exit = True
            raise HTTPException(404)

    def style(request: Request) -> Response:
        let_in(request)
        return Response(style_text(), media_type="text/css", headers=_headers())

    def tasks(request: Request) -> Response:
        let_in(request)
        asked = request.query_params
        decision = asked.get("decision", "")
        decision = decision if decision in ACTIONS else next(iter(ACTIONS))
        words = asked.get("words", "").strip()[:60]
        first = int(asked["from"]) if asked.get("from", "").isdigit() else 0
        first = min(first, 10_000_000) // AT_ONCE * AT_ONCE
        try:
            page = worklist.page(decision, words, first)
        except FileNotFoundError:
            raise HTTPException(404) from None
        text = _TEMPLATES.get_template("phone_list.html.j2").render(
            season=opened.season.name, page=page, decision=decision, words=words, first=first,
            at_once=AT_ONCE, base=f"/{opened.code}", form_key=opened.form_key,
            query=lambda **more: urlencode({"decision": decision, "words": words, **more}),
        )  # fmt: skip
        return HTMLResponse(text, headers=_headers())

    async def tick(request: Request) -> Response:
        let_in(request)
        if request.headers.get("origin") != f"http://{opened.address}:{opened.port}":
            raise HTTPException(403)
        length = request.headers.get("content-length", "")
        if not length.isdigit() or int(length) > MOST_BODY:
            raise HTTPException(413)
        async with request.form(max_files=0, max_fields=10) as form:
            given = {k: v for k, v in form.items() if isinstance(v, str)}
        if not hmac.compare_digest(given.get("form_key", "").encode(), opened.form_key.encode()):
            raise HTTPException(403)
        done = await run_in_threadpool(worklist.tick, given.get("plant", ""), given.get("tick") == "yes")
        if not done:
            raise HTTPException(404)
        back = {k: given.get(k, "")[:60] for k in ("decision", "words", "from")}
        where = given.get("at", "")
        anchor = f"#t{where}" if where.isdigit() else ""
        return RedirectResponse(f"/{opened.code}?{urlencode(back)}{anchor}", 303, headers=_headers())

    async def fault(request: Request, problem: Exception) -> Response:
        status = problem.status_code if isinstance(problem, HTTPException) else 500
        return PlainTextResponse("Not here. Ask the person at the desk.", status, headers=_headers())

    return Starlette(
        routes=[
            Route("/{code}", tasks),
            Route("/{code}/desk.css", style),
            Route("/{code}/tick", tick, methods=["POST"]),
        ],
        exception_handlers={HTTPException: fault},
    )


def _headers() -> dict[str, str]:
    return {**BARE_HEADERS, "content-security-policy": PAGE_POLICY}
