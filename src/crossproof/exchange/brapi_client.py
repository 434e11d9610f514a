"""A client for BrAPI v2.1 servers: pages, and the shape of every answer checked.

What cannot be used becomes a `Problem` that says which call gave it.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn
from urllib.parse import urlencode

from crossproof.exchange.brapi_address import base_url, environment_token
from crossproof.exchange.brapi_http import ASK_SERVER, Connection, Limits, NotOffered

__all__ = ["BrapiClient", "Limits", "NotOffered", "connect"]

MOST_PAGES = 100_000
FEW_IDS = 20
"""Records that are asked for one by one where the server does not say how many pages it has."""


@dataclass
class BrapiClient:
    """Reads from and writes to one server; the fields are those of `Connection`.

    `on_page`: called with what is read, the page and how many there are (0: not known).
    """

    base: str
    token: str | None = field(default=None, repr=False)
    limits: Limits = field(default_factory=Limits)
    sleep: Callable[[float], None] = time.sleep
    on_page: Callable[[str, int, int], None] = lambda what, page, pages: None

    def __post_init__(self) -> None:
        self._server = Connection(self.base, self.token, self.limits, self.sleep)

    @property
    def said(self) -> list[str]:
        """What the server told in its status messages, and what was retried."""
        return self._server.said

    def get(self, path: str, parameters: Mapping[str, str | int] | None = None) -> dict[str, Any]:
        """The envelope of one answer; raises InputError, NotOffered where the server lacks the call."""
        query = urlencode({k: v for k, v in (parameters or {}).items() if v != ""})
        address = f"{self.base}/{path}" + (f"?{query}" if query else "")
        return self._envelope(self._server.request("GET", address), f"GET {path}")

    def put(self, path: str, body: Any) -> dict[str, Any]:
        """Update records; sent again after a fault, since doing it twice changes nothing."""
        return self._envelope(self._server.request("PUT", f"{self.base}/{path}", body), f"PUT {path}")

    def post(self, path: str, body: Any) -> dict[str, Any]:
        """Make records; never sent twice unless the server says it did not take the first."""
        return self._envelope(self._server.request("POST", f"{self.base}/{path}", body), f"POST {path}")

    def pages(
        self, path: str, key: str, parameters: Mapping[str, str | int] | None = None
    ) -> Iterator[list[dict[str, Any]]]:
        """The records of a call, page by page, until the last; `key` is the field that identifies a record.

        Raises InputError where pages overlap, end early or go on without end; NotOffered for the first page
        only, since a server that gave one has the call.
        """
        return (data for data, _ in self._pages(path, key, parameters or {}))

    def _pages(
        self, path: str, key: str, parameters: Mapping[str, str | int]
    ) -> Iterator[tuple[list[dict[str, Any]], int | None]]:
        """As `pages`, each page with how many are left (None where the server does not say)."""
        seen: set[str] = set()
        count, announced = 0, None
        for page in range(MOST_PAGES):
            call = f"GET {path}, page {page}"
            asked = {**parameters, "page": page, "pageSize": self.limits.page_size}
            envelope = self._page(path, asked, call, count)
            data = self._data(envelope, call)
            paging = self._paging(envelope, call)
            if page and paging.get("currentPage", page) != page:
                self._refuse(call, f"The server answered page {paging['currentPage']} instead.", ASK_SERVER)
            self._all_new(data, key, seen, call)
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
            yield data, None if total is None else max(0, total - page - 1)
            # Without a total, a page shorter than the server's own page size is the last.
            size = paging.get("pageSize") or self.limits.page_size
            last = page + 1 >= total if total is not None else len(data) < size
            if last or not data:
                break
        else:
            self._refuse(f"GET {path}", f"There are more than {MOST_PAGES:,} pages.", ASK_SERVER)
        if announced is not None and announced != count:
            self._refuse(
                f"GET {path}",
                f"The server announced {announced:,} records and gave {count:,}.",
                "Try again when nobody is writing to the server.",
            )

    def by_ids(self, path: str, key: str, wanted: Iterable[str]) -> Iterator[dict[str, Any]]:
        """The records whose field `key` is among `wanted`, in no order; ids that are not there are left out.

        The call is read page by page until all are found, or asked for one id after the other where that
        takes fewer requests than the pages that are left. Raises as `pages`.
        """
        missing = set(wanted)
        for page, left in self._pages(path, key, {}) if missing else ():
            yield from self._wanted(page, key, missing)
            if not missing:
                return
            if len(missing) < (FEW_IDS + 1 if left is None else left):
                break
        else:
            return
        for one in sorted(missing):
            filtered = True
            for page, _ in self._pages(path, key, {key: one}):
                filtered = filtered and all(r.get(key) == one for r in page)
                yield from self._wanted(page, key, missing)
                if not missing:
                    return
            if not filtered:
                # The server passed over the parameter and gave everything: what is missing is not there.
                return

    def _wanted(self, page: list[dict[str, Any]], key: str, missing: set[str]) -> list[dict[str, Any]]:
        """The records of a page that are missing, which they then no longer are."""
        found = [r for r in page if isinstance(r.get(key), str) and r[key] in missing]
        missing -= {r[key] for r in found}
        return found

    def _page(self, path: str, asked: Mapping[str, str | int], call: str, count: int) -> dict[str, Any]:
        try:
            return self.get(path, asked)
        except NotOffered:
            if not asked["page"]:
                raise
            self._refuse(
                call,
                f"The server gave {count:,} records and then said that there is no such call.",
                "Try again later, or ask whoever runs the server.",
            )

    def _all_new(self, data: list[dict[str, Any]], key: str, seen: set[str], call: str) -> None:
        """Add the records' names to those seen; refuse one that came before."""
        names = [r[key] for r in data if isinstance(r.get(key), str)]
        if len(set(names)) != len(names) or seen & set(names):
            self._refuse(
                call,
                "A record was sent twice: pages overlap, or records were changed meanwhile.",
                "Try again when nobody is writing to the server.",
            )
        seen |= set(names)

    def _data(self, envelope: dict[str, Any], call: str) -> list[dict[str, Any]]:
        result = envelope["result"]
        data = result.get("data") if isinstance(result, dict) else None
        if not isinstance(data, list) or not all(isinstance(r, dict) for r in data):
            self._refuse(call, "The answer has no list of records at result.data.", ASK_SERVER)
        return data

    def _paging(self, envelope: dict[str, Any], call: str) -> dict[str, int | None]:
        paging = envelope["metadata"].get("pagination") or {}
        if not isinstance(paging, dict):
            self._refuse(call, "metadata.pagination is not an object.", ASK_SERVER)
        names = ("currentPage", "pageSize", "totalCount", "totalPages")
        found: dict[str, int | None] = {n: paging[n] for n in names if paging.get(n) is not None}
        for name, value in found.items():
            if type(value) is not int or value < 0:
                self._refuse(
                    call, f"metadata.pagination.{name} is not a number of at least 0.", ASK_SERVER, value
                )
        return found

    def _envelope(self, raw: bytes, call: str) -> dict[str, Any]:
        try:
            found = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
        except UnicodeDecodeError:
            self._refuse(call, "The answer is not UTF-8 text.", ASK_SERVER)
        except RecursionError:
            self._refuse(call, "The answer is nested too deeply.", ASK_SERVER)
        except ValueError as fault:
            beginning = raw[:60].decode("utf-8", "replace")
            text = f"The answer is not JSON ({fault})." + (
                " It is a web page." if beginning.lstrip()[:1] == "<" else ""
            )
            self._refuse(call, text, "Check the address: it should end in /brapi/v2.", beginning)
        if not isinstance(found, dict) or not isinstance(found.get("result"), dict):
            self._refuse(call, "The answer has no object 'result', which BrAPI v2 requires.", ASK_SERVER)
        if not isinstance(found.get("metadata"), dict):
            self._refuse(call, "The answer has no object 'metadata', which BrAPI v2 requires.", ASK_SERVER)
        status = found["metadata"].get("status")
        for entry in status if isinstance(status, list) else []:
            if isinstance(entry, dict) and entry.get("messageType") in ("ERROR", "WARNING"):
                message = self._server.clean(str(entry.get("message")))
                self._server.tell(f"{call}: the server says: {message}")
        return found

    def _refuse(self, call: str, problem: str, remedy: str, value: object = "") -> NoReturn:
        self._server.refuse(call, problem, remedy, value)


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a JSON number")


def connect(url: str, *, plain_http: bool = False, page_size: int = Limits.page_size) -> BrapiClient:
    """A client for the server at `url`, with the environment's token; raises InputError as `base_url`."""
    token = environment_token()
    base = base_url(url, with_token=token is not None, plain_http=plain_http)
    return BrapiClient(base, token, Limits(page_size=page_size))
