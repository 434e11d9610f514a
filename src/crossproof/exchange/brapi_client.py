"""A client for BrAPI v2.1 servers: pages, retries, bounds, and a token that never leaves the header.

Answers of a server are input that anybody may have written. Their size and number are bounded, their shape is
checked, and what cannot be used becomes a `Problem` that says which call gave it.
"""

from __future__ import annotations

import http.client
import json
import socket
import ssl
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, NoReturn

from crossproof import __version__
from crossproof.errors import InputError, error
from crossproof.exchange.brapi_address import TOKEN_VARIABLE, base_url, environment_token, opener

NOT_OFFERED = (404, 405, 501)
TRY_AGAIN = (429, 500, 502, 503, 504)
MOST_PAGES = 100_000
MEGABYTE = 1 << 20


class NotOffered(InputError):
    """The server does not have this call."""


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


@dataclass
class BrapiClient:
    """Reads from and writes to one server.

    `base`: as `base_url` gives it. `token`: sent as `Authorization: Bearer`. `sleep`: how to wait, for tests.
    `said`: what the server told in its status messages, and what was retried. `on_page`: called with what is
    read, the page and how many there are (0: not known).
    """

    base: str
    token: str | None = field(default=None, repr=False)
    limits: Limits = field(default_factory=Limits)
    sleep: Callable[[float], None] = time.sleep
    said: list[str] = field(default_factory=list)
    on_page: Callable[[str, int, int], None] = lambda what, page, pages: None

    def __post_init__(self) -> None:
        self._opener = opener(self.base)

    def get(self, path: str, parameters: Mapping[str, str | int] | None = None) -> dict[str, Any]:
        """The envelope of one answer; raises InputError, NotOffered where the server lacks the call."""
        query = urllib.parse.urlencode({k: v for k, v in (parameters or {}).items() if v != ""})
        address = f"{self.base}/{path}" + (f"?{query}" if query else "")
        return self._envelope(self._request("GET", address, None), f"GET {path}")

    def put(self, path: str, body: Any) -> dict[str, Any]:
        """Update records; sent again after a fault, since doing it twice changes nothing."""
        return self._envelope(self._request("PUT", f"{self.base}/{path}", body), f"PUT {path}")

    def post(self, path: str, body: Any) -> dict[str, Any]:
        """Make records; never sent twice unless the server says it did not take the first."""
        return self._envelope(self._request("POST", f"{self.base}/{path}", body), f"POST {path}")

    def pages(
        self, path: str, key: str, parameters: Mapping[str, str | int] | None = None
    ) -> Iterator[list[dict[str, Any]]]:
        """The records of a call, page by page, until the last; `key` is the field that identifies a record.

        Raises InputError where pages overlap, end early or go on without end.
        """
        seen: set[str] = set()
        count, announced = 0, None
        for page in range(MOST_PAGES):
            call = f"GET {path}, page {page}"
            asked = {**(parameters or {}), "page": page, "pageSize": self.limits.page_size}
            envelope = self.get(path, asked)
            data = self._data(envelope, call)
            paging = self._paging(envelope, call)
            if page and paging.get("currentPage", page) != page:
                self._refuse(call, f"The server answered page {paging['currentPage']} instead.", _SERVER)
            names = [r[key] for r in data if isinstance(r.get(key), str)]
            if len(set(names)) != len(names) or seen & set(names):
                self._refuse(
                    call,
                    "A record came twice: pages overlap, or records were changed meanwhile.",
                    "Try again when nobody is writing to the server.",
                )
            seen |= set(names)
            count += len(data)
            if count > self.limits.records:
                self._refuse(
                    call,
                    f"There are more than {self.limits.records:,} records.",
                    "Ask for one project or study.",
                )
            if paging.get("totalCount") is not None:
                announced = paging["totalCount"]
            total = paging.get("totalPages")
            self.on_page(f"reading {path}", page + 1, total or 0)
            yield data
            # Without a total, a page shorter than the server's own page size is the last.
            size = paging.get("pageSize") or self.limits.page_size
            last = page + 1 >= total if total is not None else len(data) < size
            if last or not data:
                break
        else:
            self._refuse(f"GET {path}", f"There are more than {MOST_PAGES:,} pages.", _SERVER)
        if announced is not None and announced != count:
            self._refuse(
                f"GET {path}",
                f"The server announced {announced:,} records and gave {count:,}.",
                "Try again when nobody is writing to the server.",
            )

    def _data(self, envelope: dict[str, Any], call: str) -> list[dict[str, Any]]:
        result = envelope["result"]
        data = result.get("data") if isinstance(result, dict) else None
        if not isinstance(data, list) or not all(isinstance(r, dict) for r in data):
            self._refuse(call, "The answer has no list of records at result.data.", _SERVER)
        return data

    def _paging(self, envelope: dict[str, Any], call: str) -> dict[str, int | None]:
        paging = envelope["metadata"].get("pagination") or {}
        if not isinstance(paging, dict):
            self._refuse(call, "metadata.pagination is no object.", _SERVER)
        names = ("currentPage", "pageSize", "totalCount", "totalPages")
        found: dict[str, int | None] = {n: paging[n] for n in names if paging.get(n) is not None}
        for name, value in found.items():
            if type(value) is not int or value < 0:
                self._refuse(call, f"metadata.pagination.{name} is no number of at least 0.", _SERVER, value)
        return found

    def _envelope(self, raw: bytes, call: str) -> dict[str, Any]:
        try:
            found = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
        except UnicodeDecodeError:
            self._refuse(call, "The answer is not UTF-8 text.", _SERVER)
        except RecursionError:
            self._refuse(call, "The answer is nested too deeply.", _SERVER)
        except ValueError as fault:
            beginning = raw[:60].decode("utf-8", "replace")
            text = f"The answer is no JSON ({fault})." + (
                " It is a web page." if beginning.lstrip()[:1] == "<" else ""
            )
            self._refuse(call, text, "Check the address: it should end in /brapi/v2.", beginning)
        if not isinstance(found, dict) or not isinstance(found.get("result"), dict):
            self._refuse(call, "The answer has no object 'result', as BrAPI v2 asks.", _SERVER)
        if not isinstance(found.get("metadata"), dict):
            self._refuse(call, "The answer has no object 'metadata', as BrAPI v2 asks.", _SERVER)
        status = found["metadata"].get("status")
        for entry in status if isinstance(status, list) else []:
            if isinstance(entry, dict) and entry.get("messageType") in ("ERROR", "WARNING"):
                self._tell(f"{call}: the server says: {self._clean(str(entry.get('message')))}")
        return found

    def _request(self, method: str, address: str, body: Any) -> bytes:
        call = f"{method} {address.removeprefix(self.base + '/')}"
        data = None if body is None else json.dumps(body, allow_nan=False).encode("utf-8")
        for attempt in range(1, self.limits.tries + 1):
            wait, why = self.limits.backoff * 2 ** (attempt - 1), ""
            try:
                return self._once(method, address, data, call)
            except urllib.error.HTTPError as answer:
                with answer:
                    asked = _retry_after(answer.headers.get("Retry-After"))
                    self._final(answer, call, asked, method)
                why = f"status {answer.code}"
                wait = wait if asked is None else asked
            except (TimeoutError, ConnectionError, http.client.HTTPException, urllib.error.URLError) as fault:
                why = self._network(fault, call, method)
            if attempt == self.limits.tries:
                self._refuse(
                    call,
                    f"The server did not answer in {attempt} tries ({why}).",
                    "Try again later, or ask who runs the server.",
                )
            self._tell(f"{call}: {why}; trying again in {wait:g} s")
            self.sleep(wait)
        raise AssertionError("every try returns, raises or goes on")

    def _once(self, method: str, address: str, data: bytes | None, call: str) -> bytes:
        request = urllib.request.Request(address, data=data, method=method)
        request.add_header("Accept", "application/json")
        request.add_header("User-Agent", f"crossproof/{__version__}")
        if data is not None:
            request.add_header("Content-Type", "application/json")
        if self.token:
            request.add_header("Authorization", f"Bearer {self.token}")
        most, ends = int(self.limits.answer_mb * MEGABYTE), time.monotonic() + self.limits.slowest
        with self._opener.open(request, timeout=self.limits.timeout) as answer:
            told = answer.headers.get("Content-Length", "")
            parts, size = [], 0
            if told.isdigit() and int(told) > most:
                size = int(told)
            while size <= most and (part := answer.read1(1 << 16)):
                parts.append(part)
                size += len(part)
                if time.monotonic() > ends:
                    raise TimeoutError("the answer came too slowly")
            if size > most:
                self._refuse(
                    call,
                    f"The answer is larger than {self.limits.answer_mb:g} MB.",
                    "Ask for less: one project or study, or a smaller --page-size.",
                )
            if told.isdigit() and size < int(told):
                raise http.client.IncompleteRead(b"", int(told) - size)
        return b"".join(parts)

    def _final(self, answer: urllib.error.HTTPError, call: str, asked: float | None, method: str) -> None:
        """Raise for a status that another try will not change; return for the others."""
        code = answer.code
        if code == 401:
            problem = (
                "The server does not accept the token." if self.token else "The server asks for a token."
            )
            self._refuse(call, f"{problem} (401)", f"Get a token from the server and set {TOKEN_VARIABLE}.")
        if code == 403:
            self._refuse(
                call, "You may not do this on the server. (403)", "Ask who runs the server for the right to."
            )
        if code in NOT_OFFERED:
            raise NotOffered(
                error(self._place(call), f"The server does not offer this call. ({code})", _SERVER)
            )
        if code in (301, 302, 303, 307, 308):
            self._refuse(
                call,
                f"The server sends us elsewhere, where we do not go. ({code})",
                "Give the new address, an http or https one, with the command.",
                self._clean(answer.headers.get("Location") or ""),
            )
        if code not in TRY_AGAIN or (method == "POST" and code not in (429, 503)):
            text = self._clean(_beginning(answer))
            self._refuse(call, f"The server refused the request. ({code})", _SERVER, text)
        if asked is not None and asked > self.limits.longest_wait:
            self._refuse(
                call,
                f"The server asks us to wait {asked:,.0f} s. ({code})",
                "Run the command again after that time.",
            )

    def _network(self, fault: Exception, call: str, method: str) -> str:
        """What went wrong on the way, where another try may help; raises where it cannot."""
        reason = fault.reason if isinstance(fault, urllib.error.URLError) else fault
        if isinstance(reason, ssl.SSLCertVerificationError):
            self._refuse(
                call,
                f"The server's certificate is not valid ({reason.verify_message}).",
                "Check the address and this machine's date and certificates. It is never passed over.",
            )
        if isinstance(reason, ssl.SSLError):
            self._refuse(
                call, "The server does not speak https at this address.", "Check the address and port."
            )
        if isinstance(reason, socket.gaierror):
            self._refuse(call, "There is no server of this name.", "Check the address and the network.")
        if isinstance(reason, ConnectionRefusedError):
            self._refuse(call, "No server answers at this address.", "Check the address and the port.")
        why = (
            "no answer in time"
            if isinstance(reason, TimeoutError)
            else self._clean(str(reason) or "broken off")
        )
        if method == "POST":
            self._refuse(
                call,
                f"The connection failed ({why}); whether the server made the records is not known.",
                "Look on the server before sending again.",
            )
        return why

    def _place(self, call: str) -> str:
        return self._clean(f"{self.base}: {call}", 300)

    def _clean(self, text: str, most: int = 300) -> str:
        """Text of a server, short and without the token."""
        return (text.replace(self.token, "***") if self.token else text)[:most]

    def _tell(self, text: str) -> None:
        if len(self.said) < 200:
            self.said.append(self._clean(text, 400))

    def _refuse(self, call: str, problem: str, remedy: str, value: object = "") -> NoReturn:
        raise InputError(
            error(self._place(call), self._clean(problem), remedy, value=self._clean(str(value)))
        ) from None


_SERVER = "Tell who runs the server; nothing was written."


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")


def _beginning(answer: urllib.error.HTTPError) -> str:
    try:
        return answer.read(2000).decode("utf-8", "replace").strip()
    except (OSError, http.client.HTTPException):
        return ""


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


def connect(url: str, *, plain_http: bool = False, page_size: int = Limits.page_size) -> BrapiClient:
    """A client for the server at `url`, with the environment's token; raises InputError as `base_url`."""
    token = environment_token()
    base = base_url(url, with_token=token is not None, plain_http=plain_http)
    return BrapiClient(base, token, Limits(page_size=page_size))
