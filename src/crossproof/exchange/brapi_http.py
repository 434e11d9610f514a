"""One request to a BrAPI server: tries, bounds, redirects, and a token that never leaves the header.

Connections, proxies and certificates are those of `requests`, waiting is that of `tenacity`. Answers are
input that anybody may have written: their size and the time they may take are bounded here.
"""

from __future__ import annotations

import json
import socket
import ssl
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Any, NoReturn
from urllib.parse import urljoin, urlsplit

import requests
import tenacity
import urllib3
from requests.adapters import HTTPAdapter

from crossproof import __version__
from crossproof.errors import InputError, error
from crossproof.exchange.brapi_address import LOOPBACK, TOKEN_VARIABLE

NOT_OFFERED = (HTTPStatus.NOT_FOUND, HTTPStatus.METHOD_NOT_ALLOWED, HTTPStatus.NOT_IMPLEMENTED)
REDIRECTS = (301, 302, 303, 307, 308)
NOT_TAKEN = (HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE)
"""Statuses by which a server says that it did nothing, so that even new records may be sent again."""
TRY_AGAIN = (*NOT_TAKEN, 500, 502, 504)
MOST_REDIRECTS = 5
MEGABYTE = 1 << 20
ASK_SERVER = "Tell whoever runs the server. Nothing was written."


class NotOffered(InputError):
    """The server does not have this call."""


class _TryAgain(Exception):
    """A try that failed where another may succeed; `asked`: seconds that the server wants us to wait."""

    def __init__(self, why: str, asked: float | None = None) -> None:
        super().__init__(why)
        self.why, self.asked = why, asked


@dataclass(frozen=True)
class Limits:
    """How long to wait and how much to take.

    `timeout`: seconds without a byte; `slowest`: seconds for one whole answer; `answer_mb`: megabytes of one
    answer; `records`: of one call over all pages; `tries`: of one request; `longest_wait`: seconds that a
    server may ask for between two tries; `backoff`: seconds before the second try, doubled at each further.
    `page_size`: records asked for at once.
    """

    timeout: float = 30.0
    slowest: float = 300.0
    answer_mb: float = 64.0
    records: int = 2_000_000
    tries: int = 5
    longest_wait: float = 120.0
    backoff: float = 0.5
    page_size: int = 1000


class _SystemCertificates(HTTPAdapter):
    """Trusts what this machine trusts as well, such as the certificate of an institute."""

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """As `HTTPAdapter.init_poolmanager`."""
        super().init_poolmanager(*args, **kwargs, ssl_context=ssl.create_default_context())


def _no_login(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """Keep `requests` from looking for a login in ~/.netrc."""
    return request


@dataclass
class Connection:
    """Sends requests to the server at `base`, as `base_url` gives it.

    `token`: sent as `Authorization: Bearer`. `sleep`: how to wait, for tests. `said`: what was retried, and
    what callers add.
    """

    base: str
    token: str | None = field(default=None, repr=False)
    limits: Limits = field(default_factory=Limits)
    sleep: Callable[[float], None] = time.sleep
    said: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._session = requests.Session()
        # Through a proxy, plain http to this machine would leave it, and the token with it.
        self._session.trust_env = urlsplit(self.base).hostname not in LOOPBACK
        self._session.auth = _no_login
        self._session.mount("https://", _SystemCertificates())
        # The answer as sent: what is counted is then what arrives.
        self._session.headers.clear()
        self._session.headers.update(
            {
                "Accept": "application/json",
                "Accept-Encoding": "identity",
                "User-Agent": f"crossproof/{__version__}",
            }
        )

    def request(self, method: str, address: str, body: Any = None) -> bytes:
        """The body of the answer; raises InputError, NotOffered where the server lacks the call.

        POST is sent again only where the server says that it did not take the first.
        """
        call = f"{method} {address.removeprefix(self.base + '/')}"
        data = None if body is None else json.dumps(body, allow_nan=False).encode("utf-8")
        backoff = tenacity.wait_exponential(multiplier=self.limits.backoff)

        def wait(state: tenacity.RetryCallState) -> float:
            asked = _fault(state).asked
            return backoff(state) if asked is None else asked

        def tell(state: tenacity.RetryCallState) -> None:
            self.tell(f"{call}: {_fault(state).why}; trying again in {wait(state):g} s")

        tries = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self.limits.tries),
            retry=tenacity.retry_if_exception_type(_TryAgain),
            wait=wait,
            before_sleep=tell,
            sleep=self.sleep,
        )
        try:
            found: bytes = tries(self._once, method, address, data, call)
            return found
        except tenacity.RetryError as ended:
            last = ended.last_attempt
            self.refuse(
                call,
                f"The server did not answer in {last.attempt_number} tries ({_why(last.exception())}).",
                "Try again later, or ask whoever runs the server.",
            )

    def _once(self, method: str, address: str, data: bytes | None, call: str) -> bytes:
        """One try, redirects included; a redirect to another server goes without the token."""
        token = self.token
        for _ in range(MOST_REDIRECTS + 1):
            headers = {"Content-Type": "application/json"} if data is not None else {}
            headers |= {"Authorization": f"Bearer {token}"} if token else {}
            try:
                with self._session.request(
                    method, address, data=data, headers=headers, stream=True, allow_redirects=False,
                    timeout=self.limits.timeout,
                ) as answer:  # fmt: skip
                    if answer.status_code not in REDIRECTS:
                        return self._taken(answer, call, method)
                    target = urljoin(address, answer.headers.get("Location", ""))
                    code = answer.status_code
            except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as fault:
                self._network(fault, call, method)
            old, new = urlsplit(address), urlsplit(target)
            if new.scheme not in ("http", "https") or method != "GET":
                break
            if (old.scheme, old.netloc) != (new.scheme, new.netloc):
                token = None
            address = target
        self.refuse(
            call,
            f"The server redirects to an address that is not followed. ({code})",
            "Give the new http or https address with the command.",
            target,
        )

    def _taken(self, answer: requests.Response, call: str, method: str) -> bytes:
        if answer.status_code >= HTTPStatus.BAD_REQUEST:
            self._status(answer, call, method)
        most, ends = int(self.limits.answer_mb * MEGABYTE), time.monotonic() + self.limits.slowest
        told = answer.headers.get("Content-Length", "")
        size = int(told) if told.isdigit() and int(told) > most else 0
        parts = []
        while size <= most and (part := answer.raw.read1(1 << 16)):
            parts.append(part)
            size += len(part)
            if time.monotonic() > ends:
                raise TimeoutError("the answer came too slowly")
        if size > most:
            self.refuse(
                call,
                f"The answer is larger than {self.limits.answer_mb:g} MB.",
                "Ask for less: one project or study, or a smaller --page-size.",
            )
        return b"".join(parts)

    def _status(self, answer: requests.Response, call: str, method: str) -> NoReturn:
        """Raise for a status that is an error: to try again, or for good."""
        code = answer.status_code
        if code == HTTPStatus.UNAUTHORIZED:
            problem = (
                "The server does not accept the token." if self.token else "The server asks for a token."
            )
            self.refuse(call, f"{problem} (401)", f"Get a token from the server and set {TOKEN_VARIABLE}.")
        if code == HTTPStatus.FORBIDDEN:
            self.refuse(
                call,
                "You do not have the right to do this on the server. (403)",
                "Ask whoever runs it for that right.",
            )
        if code in NOT_OFFERED:
            raise NotOffered(
                error(self.place(call), f"The server does not offer this call. ({code})", ASK_SERVER)
            )
        if code not in (NOT_TAKEN if method == "POST" else TRY_AGAIN):
            self.refuse(call, f"The server refused the request. ({code})", ASK_SERVER, _beginning(answer))
        asked = _retry_after(answer.headers.get("Retry-After"))
        if asked is not None and asked > self.limits.longest_wait:
            self.refuse(
                call,
                f"The server asks us to wait {asked:,.0f} s. ({code})",
                "Run the command again after that time.",
            )
        raise _TryAgain(f"status {code}", asked)

    def _network(self, fault: Exception, call: str, method: str) -> NoReturn:
        """Raise for what went wrong on the way: to try again where that may help, else for good."""
        causes = tuple(_causes(fault))
        for cause in causes:
            if isinstance(cause, ssl.SSLCertVerificationError):
                self.refuse(
                    call,
                    f"The server's certificate cannot be verified ({cause.verify_message}).",
                    "Check the address, and this machine's date and certificates.",
                )
        if any(isinstance(c, ssl.SSLError) for c in causes):
            self.refuse(
                call, "The server does not speak https at this address.", "Check the address and port."
            )
        if any(isinstance(c, socket.gaierror) for c in causes):
            self.refuse(call, "There is no server of this name.", "Check the address and the network.")
        if any(isinstance(c, ConnectionRefusedError) for c in causes):
            self.refuse(call, "No server answers at this address.", "Check the address and the port.")
        slow = (TimeoutError, requests.Timeout, urllib3.exceptions.TimeoutError)
        why = (
            "no answer in time"
            if any(isinstance(c, slow) for c in causes)
            else self.clean(str(causes[-1]) or "the connection was closed")
        )
        if method == "POST":
            self.refuse(
                call,
                f"The connection failed ({why}); whether the server made the records is not known.",
                "Publish again: records that were made are found by their reference, and none is made twice.",
            )
        raise _TryAgain(why) from None

    def place(self, call: str) -> str:
        """Server and call, as a problem names them."""
        return self.clean(f"{self.base}: {call}", 300)

    def clean(self, text: str, most: int = 300) -> str:
        """Text of a server, short and without the token."""
        return (text.replace(self.token, "***") if self.token else text)[:most]

    def tell(self, text: str) -> None:
        """Keep what the user should hear of."""
        if len(self.said) < 200:
            self.said.append(self.clean(text, 400))

    def refuse(self, call: str, problem: str, remedy: str, value: object = "") -> NoReturn:
        """Raise InputError without the token, and without the library's own message, which may hold it."""
        raise InputError(
            error(self.place(call), self.clean(problem), remedy, value=self.clean(str(value)))
        ) from None


def _fault(state: tenacity.RetryCallState) -> _TryAgain:
    fault = state.outcome.exception() if state.outcome else None
    assert isinstance(fault, _TryAgain)
    return fault


def _why(fault: BaseException | None) -> str:
    assert isinstance(fault, _TryAgain)
    return fault.why


def _causes(fault: BaseException) -> Iterator[BaseException]:
    """A fault and all it was made from, the outermost first."""
    seen: list[BaseException] = []
    waiting: list[object] = [fault]
    while waiting:
        one = waiting.pop(0)
        if isinstance(one, BaseException) and one not in seen:
            seen.append(one)
            yield one
            waiting += [one.__cause__, one.__context__, getattr(one, "reason", None), *one.args]


def _beginning(answer: requests.Response) -> str:
    try:
        text: str = answer.raw.read1(2000).decode("utf-8", "replace")
    except (OSError, urllib3.exceptions.HTTPError):
        return ""
    return text.strip()


def _retry_after(text: str | None) -> float | None:
    """Seconds of a Retry-After header (RFC 9110, section 10.2.3: seconds or a date), None if unreadable."""
    if not text:
        return None
    if text.strip().isdigit():
        return float(text.strip())
    try:
        when = parsedate_to_datetime(text)
    except ValueError:
        return None
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return max(0.0, (when - datetime.now(UTC)).total_seconds())
