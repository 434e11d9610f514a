"""The address of a BrAPI server, the token for it, and where both may go."""

from __future__ import annotations

import os
import urllib.parse

from crossproof.errors import InputError, error

TOKEN_VARIABLE = "CROSSPROOF_BRAPI_TOKEN"
"""Environment variable that holds the token. It is read from nowhere else and written nowhere."""

LOOPBACK = ("localhost", "127.0.0.1", "::1")


def environment_token() -> str | None:
    """The token of the environment, None where there is none.

    Raises InputError for one that no header can carry; the message does not repeat it.
    """
    token = os.environ.get(TOKEN_VARIABLE, "").strip()
    if not token:
        return None
    if not token.isascii() or not token.isprintable() or " " in token:
        # An HTTP library would repeat such a value in its own error text.
        raise InputError(
            error(
                TOKEN_VARIABLE,
                "The token holds a space, a line break or a letter that a token cannot have.",
                "Set it again, without quotation marks and without the word Bearer.",
            )
        )
    return token


def base_url(text: str, *, with_token: bool, plain_http: bool = False) -> str:
    """The address of the server's BrAPI v2 calls; `/brapi/v2` is added where the path names no version.

    Raises InputError for anything but http and https, for a user name or password in the address, and where a
    token would travel over plain http to another machine.
    """
    parts = _web_address(text.strip())
    if with_token and parts.scheme == "http" and parts.hostname not in LOOPBACK and not plain_http:
        raise InputError(
            error(
                f"{parts.scheme}://{parts.hostname}",
                "The token would travel unencrypted.",
                "Use https. On a network you trust, say --plain-http.",
            )
        )
    host = f"[{parts.hostname}]" if ":" in str(parts.hostname) else parts.hostname
    path = parts.path.rstrip("/")
    if "/brapi/v" not in path.lower():
        path += "/brapi/v2"
    return f"{parts.scheme}://{host}{f':{parts.port}' if parts.port else ''}{path}"


def _web_address(text: str) -> urllib.parse.SplitResult:
    """The parts of an http or https address that names a place on a server and nothing more.

    Raises InputError where it is none, or carries a user name, a password, a query or an impossible port.
    """
    try:
        # A space or a foreign letter has no place in an address; the request would fail on it much later.
        parts = urllib.parse.urlsplit(
            text if text.isascii() and text.isprintable() and " " not in text else ""
        )
    except ValueError:
        parts = urllib.parse.urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise InputError(
            error(
                "URL",
                "This is not an http or https address.",
                "Write it like https://server/brapi/v2.",
                value=text.rpartition("@")[2],
            )
        )
    shown = f"{parts.scheme}://{parts.hostname}"
    if parts.username or parts.password:
        raise InputError(
            error(
                shown,
                "The address holds a user name or a password, which would end up in logs.",
                f"Take it out; put a token into the environment variable {TOKEN_VARIABLE}.",
            )
        )
    if parts.query or parts.fragment:
        raise InputError(
            error(shown, "The address has a part after ? or #.", "Give the address up to /brapi/v2 only.")
        )
    try:
        _ = parts.port
    except ValueError:
        raise InputError(
            error(shown, "The port of the address is not a number from 0 to 65535.", "Correct the address.")
        ) from None
    return parts
