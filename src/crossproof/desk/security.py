"""Who may ask the desk for anything: this machine's own browser, with the key of this start.

A page of another site cannot reach it. The name in the address has to be this machine's (a name that another
site has pointed here is refused), a request that another site's page set off is refused, every form carries a
key that only the desk's own pages know, and nothing at all is answered without the cookie that the opening
address sets. The desk's pages load nothing but the desk's own style and script.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

FORM_KEY = "form_key"
"""Name of the hidden field of every form."""
OPENING = "/open/"
"""Start of the address that opens the desk."""
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
RESULT_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""For a page out of a season folder, which may have come from anywhere: shut in a room of its own, where it
has neither the desk's cookie nor its address, and may ask nobody for anything."""
BARE_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


def _secret() -> str:
    return secrets.token_urlsafe(24)


@dataclass(frozen=True)
class Keys:
    """The secrets of one start of the desk; nothing of them is kept on disk.

    `opening` is in the address that opens the desk as often as wanted, and is shown in the terminal only.
    """

    opening: str = field(default_factory=_secret)
    session: str = field(default_factory=_secret)

    @property
    def form(self) -> str:
        """What every form carries; knowing it does not give the cookie away."""
        return hmac.new(self.session.encode(), b"form", hashlib.sha256).hexdigest()[:32]

    def opens(self, given: str) -> bool:
        """Whether this is the key of the opening address."""
        return hmac.compare_digest(given.encode(), self.opening.encode())

    def is_session(self, given: str) -> bool:
        """Whether this is what the cookie should hold."""
        return hmac.compare_digest(given.encode(), self.session.encode())

    def is_form(self, given: str) -> bool:
        """Whether this is what a form should carry."""
        return hmac.compare_digest(given.encode(), self.form.encode())


@dataclass
class Tickets:
    """Addresses that open the desk once: one is given to the browser, whose arguments others can read."""

    waiting: set[str] = field(default_factory=set)

    def make(self) -> str:
        """A new one."""
        ticket = _secret()
        self.waiting.add(ticket)
        return ticket

    def take(self, given: str) -> bool:
        """Whether this is one that was not used yet; it is now."""
        if given in self.waiting:
            self.waiting.discard(given)
            return True
        return False


def cookie_name(port: int) -> str:
    """Name of the cookie; cookies do not tell ports apart, and two desks may be open."""
    return f"crossproof-desk-{port}"


class Guard:
    """Refuses whatever does not come from this machine's own browser, and sets the headers of every answer.

    `refuse(scope, receive, send, status, sentence)` answers with a page. `on_request` is called for each
    request that is let through.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        keys: Keys,
        port: int,
        refuse: Callable[..., ASGIApp],
        on_request: Callable[[], None],
    ) -> None:
        self.app, self.keys, self.port = app, keys, port
        self.refuse, self.on_request = refuse, on_request
        self.hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer that it is refused."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in BARE_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("content-security-policy", PAGE_POLICY)
            await send(message)

        refused = self.fault(scope)
        if refused is not None:
            await self.refuse(*refused)(scope, receive, with_headers)
            return
        self.on_request()
        await self.app(scope, receive, with_headers)

    def fault(self, scope: Scope) -> tuple[int, str] | None:
        """Status and sentence with which a request is refused; None where it is let through."""
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or headers["host"] not in self.hosts:
            return 421, "This address is not the desk's own."
        reading = scope["method"] in ("GET", "HEAD")
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{host}" for host in self.hosts}:
            return 403, "The request came from a page of another site."
        site = headers.get("sec-fetch-site", "none" if reading else "")
        if not reading and origin is None and site != "same-origin":
            return 403, "The request does not say which page it came from."
        walked_in = reading and headers.get("sec-fetch-mode", "navigate") == "navigate"
        if site in ("cross-site", "same-site") and not walked_in:
            return 403, "The request came from a page of another site."
        path = scope["path"]
        if path.startswith((OPENING, "/static/")):
            return None
        if not self.keys.is_session(self.cookie(headers)):
            return 401, "This browser has not been let in."
        return None

    def cookie(self, headers: Headers) -> str:
        """What the desk's cookie holds, "" where there is none."""
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(headers.get("cookie", ""))
        except CookieError:
            return ""
        held = jar.get(cookie_name(self.port))
        return held.value if held else ""
