"""Send a publication to a BrAPI server: records are read first, ours put into them, and the whole sent back.

A server may take an update for the whole record, so what it has is kept: of a cross all attributes but ours,
of a sample and a plate all information but ours.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

from crossproof.errors import InputError, Problem, UsageError, error, warning
from crossproof.exchange.brapi_client import BrapiClient
from crossproof.exchange.crosses_in import OWN_PREFIX
from crossproof.exchange.publish import Publication
from crossproof.exchange.standard import schema

CHUNK = 100
"""Records in one request."""

KINDS = (
    ("plates", "plate", "plateDbId"),
    ("crosses", "cross", "crossDbId"),
    ("samples", "sample", "sampleDbId"),
)


@dataclass(frozen=True)
class Sent:
    """How many records were updated and made, how many of them the server gave back with our values, and
    what was not sent."""

    updated: int
    made: int
    confirmed: int
    problems: tuple[Problem, ...]

    def summary(self) -> str:
        """The counts as a sentence."""
        return (
            f"{self.updated} records updated, {self.made} made; "
            f"the server gave {self.confirmed} of them back with these results"
        )


def announce(made: Publication, url: str | None, *, create: bool) -> str:
    """What `send` is about to do, in words.

    Raises UsageError without an address, for results older than their inputs, and where nothing is to send.
    """
    if not url:
        raise UsageError(
            error(
                "URL", "There is no server to send to.", "Give its address: crossproof publish DIR URL --send"
            )
        )
    if not made.current:
        raise UsageError(
            error(
                "results/run.json",
                "The results are older than the inputs or settings; nothing was sent.",
                "Run the season again, then publish.",
            )
        )
    bodies = made.bodies()
    lines = []
    new = 0
    for call, _, _ in KINDS:
        known, unknown = len(bodies[f"{call}.put"]), len(bodies[f"{call}.post"])
        new += unknown
        lines.append(f"  {call}: update {known}" + (f", make {unknown}" if create else ""))
    if not create and new:
        lines.append(f"  {new} records have no id of the server and stay here; --create makes them there.")
    if not create and new == sum(len(b) for b in bodies.values()):
        raise UsageError(
            error(
                "results/exchange",
                "No record has an id of the server, so there is nothing to update.",
                "Start from crossproof fetch, or make the records there with --create.",
            )
        )
    return "\n".join([f"To {url}:", *lines])


def send(client: BrapiClient, made: Publication, *, create: bool) -> Sent:
    """Update the records that have an id of the server; with `create` make the others.

    Raises InputError where the server refuses; it then says what had been sent before.
    """
    done = {"updated": 0, "made": 0, "confirmed": 0}
    problems: list[Problem] = []
    bodies = made.bodies()
    try:
        for call, kind, key in KINDS:
            ours: Mapping[str, dict[str, Any]] = bodies[f"{call}.put"]
            current = _current(client, call, key, set(ours)) if ours else {}
            problems += [
                warning(
                    call, "The server has no such record any more; it was not sent.", "Fetch again.", value=i
                )
                for i in ours
                if i not in current
            ]
            merged = {i: _merged(kind, current[i], ours[i]) for i in ours if i in current}
            problems += [
                warning(
                    call,
                    "The server's own record is not as BrAPI v2.1 asks; it was left as it is.",
                    "Have its crossAttributes or additionalInfo corrected on the server.",
                    value=i,
                )
                for i, record in merged.items()
                if record is None
            ]
            merged = {i: record for i, record in merged.items() if record is not None}
            for part in _chunks(list(merged)):
                answer = client.put(call, {i: merged[i] for i in part})
                done["updated"] += len(part)
                done["confirmed"] += _confirmed(kind, key, answer, {i: ours[i] for i in part})
            new: Sequence[dict[str, Any]] = bodies[f"{call}.post"] if create else ()
            for group in _chunks(list(new)):
                answer = client.post(call, group)
                done["made"] += len(group)
                data = answer["result"].get("data")
                done["confirmed"] += min(len(data), len(group)) if isinstance(data, list) else 0
    except InputError as refused:
        before = error(
            client.base,
            f"Sending stopped: {done['updated']} records had been updated and {done['made']} made.",
            "Publishing again updates the same records; look on the server before making records again.",
        )
        raise InputError([*refused.problems, before]) from None
    return Sent(done["updated"], done["made"], done["confirmed"], tuple(problems))


def _chunks(items: list[Any]) -> Iterator[list[Any]]:
    left = iter(items)
    while part := list(islice(left, CHUNK)):
        yield part


def _current(client: BrapiClient, call: str, key: str, wanted: set[str]) -> dict[str, dict[str, Any]]:
    """The server's records of these ids; pages end when all are found."""
    found: dict[str, dict[str, Any]] = {}
    for page in client.pages(call, key):
        found |= {r[key]: r for r in page if r.get(key) in wanted}
        if len(found) == len(wanted):
            break
    return found


def _merged(kind: str, current: Mapping[str, Any], ours: Mapping[str, Any]) -> dict[str, Any] | None:
    """The server's record with our results in it: fields that the standard lets a client send.

    None where the server's own attributes cannot be read, which sending would wipe out.
    """
    kept = {k: v for k, v in current.items() if k in schema(kind)["properties"] and v is not None}
    if kind == "cross":
        before = kept.get("crossAttributes", [])
        if not isinstance(before, list) or not all(isinstance(a, dict) for a in before):
            return None
        others = [a for a in before if not str(a.get("crossAttributeName", "")).startswith(OWN_PREFIX)]
        return {**kept, "crossAttributes": [*others, *ours["crossAttributes"]]}
    info = kept.get("additionalInfo", {})
    if not isinstance(info, dict):
        return None
    others_info = {k: v for k, v in info.items() if not k.startswith(OWN_PREFIX)}
    return {**kept, "additionalInfo": {**others_info, **ours["additionalInfo"]}}


def _confirmed(kind: str, key: str, answer: Mapping[str, Any], sent: Mapping[str, Mapping[str, Any]]) -> int:
    """How many of the records sent the server gave back with all our values."""
    data = answer["result"].get("data")
    given = {r.get(key): r for r in data if isinstance(r, dict)} if isinstance(data, list) else {}
    return sum(_values(kind, ours) <= _values(kind, given.get(i) or {}) for i, ours in sent.items())


def _values(kind: str, record: Mapping[str, Any]) -> set[tuple[str, str]]:
    if kind == "cross":
        listed = record.get("crossAttributes")
        dicts = [a for a in listed if isinstance(a, dict)] if isinstance(listed, list) else []
        return {(str(a.get("crossAttributeName")), str(a.get("crossAttributeValue"))) for a in dicts}
    info = record.get("additionalInfo")
    return {(str(k), str(v)) for k, v in info.items()} if isinstance(info, dict) else set()
