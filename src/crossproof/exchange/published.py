"""What this season made on which server: `published.json` in the season folder.

A record made on a server gets its id there. It is kept here, so that publishing again updates the record and
does not make it a second time. Every record made also carries a reference of ours (`externalReferences`),
by which it is found again where the answer with its id was lost on the way.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from crossproof.errors import InputError, UsageError, error
from crossproof.io.files.atomic import write_json

FILE = "published.json"
SOURCE = "crossproof"
"""The `referenceSource` of our references."""


@dataclass(frozen=True)
class Made:
    """A record made on a server: its id there, and what a cross was when it was made."""

    db_id: str
    cross: str = ""


@dataclass(frozen=True)
class Published:
    """Ids by server and reference; `season`: what begins every reference of this season."""

    path: Path
    season: str
    servers: Mapping[str, Mapping[str, Made]] = field(default_factory=dict)

    def reference(self, *names: str) -> str:
        """The reference of a record: the kind of record and what names it within the season."""
        return "/".join((self.season, *names))

    def on(self, server: str) -> Mapping[str, Made]:
        """Records made on a server, by reference; "" for the only server there is."""
        if not server and len(self.servers) == 1:
            return next(iter(self.servers.values()))
        return self.servers.get(server, {})

    def adding(self, server: str, made: Mapping[str, Made]) -> Published:
        """This and further records, kept on disk."""
        known = {**self.servers, server: {**self.servers.get(server, {}), **made}}
        found = replace(self, servers=known)
        found.keep()
        return found

    def keep(self) -> None:
        """Write the file."""
        servers = {
            server: {
                reference: {"id": m.db_id} | ({"cross": m.cross} if m.cross else {})
                for reference, m in sorted(records.items())
            }
            for server, records in sorted(self.servers.items())
        }
        write_json(self.path, {"season": self.season, "servers": servers})


def read_published(season: Path) -> Published:
    """What the season made; a season that made nothing gets its name, which is kept with the first record.

    Raises InputError for a file that was damaged: without it, records might be made twice.
    """
    path = season / FILE
    if not path.exists():
        return Published(path, uuid.uuid4().hex)
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        servers = {
            str(server): {str(r): _made(m) for r, m in records.items()}
            for server, records in found["servers"].items()
        }
        return Published(path, _text(found["season"]), servers)
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError(
            error(
                FILE,
                "The file that keeps the ids of records made on servers cannot be read.",
                "Take it from a copy of the season; nothing was written or sent.",
            )
        ) from None


def _made(entry: Any) -> Made:
    return Made(_text(entry["id"]), entry.get("cross", ""))


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError("not a text")
    return value


def refuse_other_crosses(known: Mapping[str, Made], crosses: Mapping[str, str]) -> None:
    """Refuse to update crosses that are others than those made under their names.

    `crosses`: what each reference's cross is now. A season folder copied for the next year would otherwise
    overwrite last year's crosses. Raises UsageError with all of them.
    """
    other = [
        error(
            FILE,
            f"A cross of this name was made on the server as {known[reference].cross}; here it is {now}.",
            "If this folder was copied from another season, delete published.json in it. If the record was "
            f"corrected, put {known[reference].db_id} into the column cross_db_id.",
            value=reference.rpartition("/")[2],
        )
        for reference, now in crosses.items()
        if reference in known and known[reference].cross not in ("", now)
    ]
    if other:
        raise UsageError(other)
