"""Send a publication to a BrAPI server: records are read first, ours put into them, and the whole sent back.

A server may take an update for the whole record, so what it has is kept: of a cross all attributes but ours,
of a sample and a plate all information but ours, and every field of its own that the standard does not name.
What the standard does name is sent as the standard has it, or not at all.

A record is made once: its id is kept in the season (`published.py`), and before any is made the server's
records are read, to find those whose id was lost on the way and those that only share a name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from crossproof.errors import InputError, Problem, UsageError, error, warning
from crossproof.exchange.brapi_client import BrapiClient, NotOffered
from crossproof.exchange.crosses_in import OWN_PREFIX
from crossproof.exchange.publish import Publication
from crossproof.exchange.published import SOURCE, Made, Published
from crossproof.exchange.standard import faults, schema

CHUNK = 100
"""Records in one request."""

KINDS = (
    ("plates", "plate", "plateDbId"),
    ("crosses", "cross", "crossDbId"),
    ("samples", "sample", "sampleDbId"),
)


Kind = tuple[str, str, str]
"""Call, kind of record, and the field of its id."""

_COLUMN = {"cross": "cross_db_id", "sample": "sample_db_id", "plate": "plate_db_id"}


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


def send(client: BrapiClient, made: Publication, *, create: bool, same_names: bool = False) -> Sent:
    """Update the records that have an id of the server; with `create` make the others.

    `same_names`: make a record even where the server has another of its name. What the server does not offer
    is told and left out. Raises InputError where the server refuses, and then says what had been sent
    before; NotOffered where it offers none of the calls.
    """
    sending = _Sending(client, made, made.published)
    refused: list[InputError] = []
    try:
        for kind in KINDS:
            try:
                sending.update(kind, made.bodies()[f"{kind[0]}.put"])
                if create:
                    sending.make(kind, made.bodies()[f"{kind[0]}.post"], same_names)
            except NotOffered as missing:
                refused.append(missing)
                sending.tell(kind[0], f"The server does not offer {kind[0]}; what it would add is missing.",
                             "No action is needed, or ask whoever runs the server.")  # fmt: skip
        if refused and not sending.updated + sending.made:
            raise refused[0]
    except InputError as stopped:
        before = error(
            client.base,
            f"Sending stopped: {sending.updated} records had been updated and {sending.made} made.",
            "Publishing again updates the same records and makes none twice.",
        )
        raise type(stopped)([*stopped.problems, before]) from None
    return Sent(sending.updated, sending.made, sending.confirmed, tuple(sending.problems))


@dataclass
class _Sending:
    """How far sending has come. `plates`: ids of plates by name, for the samples that are made on them."""

    client: BrapiClient
    publication: Publication
    published: Published
    updated: int = 0
    made: int = 0
    confirmed: int = 0
    problems: list[Problem] = field(default_factory=list)
    plates: dict[str, str] = field(default_factory=dict)

    def tell(self, call: str, problem: str, remedy: str, value: str = "") -> None:
        """Note what was not sent."""
        self.problems.append(warning(call, problem, remedy, value=value))

    def update(self, of: Kind, ours: Mapping[str, dict[str, Any]]) -> None:
        """Put our values into the server's records of these ids."""
        call, kind, key = of
        current = {r[key]: r for r in self.client.by_ids(call, key, ours)}
        merged = {}
        for i, record in ours.items():
            if i not in current:
                self.tell(call, "The server has no such record any more; it was not sent.", "Fetch again.", i)
                continue
            found = _merged(kind, current[i], record)
            if isinstance(found, dict):
                merged[i] = found
            else:
                self.tell(
                    call,
                    f"The server's own record is not as BrAPI v2.1 asks; it was left as it is. {found}",
                    "Have it corrected on the server.",
                    i,
                )
        for part in _chunks(list(merged)):
            answer = self.client.put(call, {i: merged[i] for i in part})
            self.updated += len(part)
            self.confirmed += _confirmed(kind, key, answer, {i: ours[i] for i in part})

    def make(self, of: Kind, ours: Sequence[dict[str, Any]], same_names: bool) -> None:
        """Make records, but none that the server has."""
        call, kind, _ = of
        if not ours:
            return
        there, names = self._there(of, {_reference(r) for r in ours})
        self._keep(there)
        self.update(of, {there[_reference(r)]: r for r in ours if _reference(r) in there})
        new = []
        for record in ours:
            if _reference(record) in there:
                continue
            if not same_names and not names.isdisjoint(_names(kind, record)):
                self.tell(
                    call,
                    "The server has a record of this name, which this season did not make; none was made.",
                    f"If it is the same, put its id into the column {_COLUMN[kind]}; if it is another one, "
                    "send with --same-names.",
                    record[f"{kind}Name"],
                )
                continue
            plate = self.plates.get(record.get("plateName", "")) if kind == "sample" else None
            new.append({**record, "plateDbId": plate} if plate else record)
        if new and not self.published.path.exists():
            # Without the season's name on disk, a record whose answer is lost could not be found again.
            self.published.keep()
        for group in _chunks(new):
            answer = self.client.post(call, group)
            self.made += len(group)
            self._keep(self._ids(of, answer, group))
        if kind == "plate":
            made = self.published.on(self.client.base)
            self.plates = {r["plateName"]: made[ref].db_id for r in ours if (ref := _reference(r)) in made}

    def _there(self, of: Kind, wanted: set[str]) -> tuple[dict[str, str], set[tuple[str, ...]]]:
        """Ids of the server's records that carry our references, and the names of all the others."""
        call, kind, key = of
        found: dict[str, str] = {}
        names = set()
        for page in self.client.pages(call, key):
            for record in page:
                ours = wanted & _references(record)
                if ours and isinstance(record.get(key), str):
                    found |= dict.fromkeys(ours, record[key])
                else:
                    names.add(_names(kind, record)[0])
        return found, names

    def _ids(self, of: Kind, answer: Mapping[str, Any], sent: Sequence[dict[str, Any]]) -> dict[str, str]:
        """Ids of the records just made: by our reference, else in the order in which they were sent."""
        call, kind, key = of
        data = answer["result"].get("data")
        given = [r for r in data if isinstance(r, dict)] if isinstance(data, list) else []
        in_order = len(given) == len(sent) and all(
            g.get(f"{kind}Name") == s[f"{kind}Name"] for g, s in zip(given, sent, strict=True)
        )
        by_reference = {reference: g for g in given for reference in _references(g)}
        found = {}
        for place, record in enumerate(sent):
            back = by_reference.get(_reference(record)) or (given[place] if in_order else {})
            self.confirmed += _values(kind, record) <= _values(kind, back)
            if isinstance(back.get(key), str) and back[key]:
                found[_reference(record)] = back[key]
            else:
                self.tell(
                    call,
                    "The server made this record but did not return its id.",
                    "No action is needed: the next publish looks for it on the server.",
                    record[f"{kind}Name"],
                )
        return found

    def _keep(self, ids: Mapping[str, str]) -> None:
        if ids:
            crosses = self.publication.as_made
            made = {r: Made(i, crosses.get(r, "")) for r, i in ids.items()}
            self.published = self.published.adding(self.client.base, made)


def _chunks(items: list[Any]) -> Iterator[list[Any]]:
    left = iter(items)
    while part := list(islice(left, CHUNK)):
        yield part


def _reference(ours: Mapping[str, Any]) -> str:
    """The reference of a record of ours that is to be made."""
    return str(ours["externalReferences"][0]["referenceId"])


def _references(record: Mapping[str, Any]) -> set[str]:
    """References of ours that a record of the server carries."""
    listed = record.get("externalReferences")
    dicts = [r for r in listed if isinstance(r, dict)] if isinstance(listed, list) else []
    return {str(r.get("referenceId")) for r in dicts if r.get("referenceSource") == SOURCE}


def _names(kind: str, record: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """What two records of a kind must not share: its own, and what a server may have of it.

    A sample's name may come again on another plate, but a server need not say the plate's name.
    """
    name = str(record.get(f"{kind}Name") or "")
    if kind != "sample":
        return [(name,)]
    plate = str(record.get("plateName") or "")
    return [(name, plate), (name, "")]


def _merged(kind: str, current: Mapping[str, Any], ours: Mapping[str, Any]) -> dict[str, Any] | str:
    """The server's record with our results in it, or what is wrong with the server's.

    Fields that the standard does not name are sent back as they are; so are values of additionalInfo that
    are no text. A null is nothing, and the standard has none. The id stands beside the record, not in it.
    """
    standard = schema(kind)["properties"]
    kept = {k: _without_nulls(v) for k, v in current.items() if k in standard and v is not None}
    own = {k: v for k, v in current.items() if k not in standard and k != f"{kind}DbId"}
    info, attributes = current.get("additionalInfo") or {}, kept.get("crossAttributes", [])
    if not isinstance(info, dict):
        return "additionalInfo is not an object."
    if not isinstance(attributes, list) or not all(isinstance(a, dict) for a in attributes):
        return "crossAttributes is not a list of objects."
    if kind == "cross":
        others = [a for a in attributes if not str(a.get("crossAttributeName", "")).startswith(OWN_PREFIX)]
        kept["crossAttributes"] = [*others, *ours["crossAttributes"]]
    else:
        info = {k: v for k, v in info.items() if not k.startswith(OWN_PREFIX)} | ours["additionalInfo"]
    wrong = faults(kind, [("", {**kept, "additionalInfo": _texts(info)})])
    if wrong:
        return f"{wrong[0].column}: {wrong[0].problem}"
    return {**own, **kept} | ({"additionalInfo": info} if info else {})


def _texts(info: Mapping[str, Any]) -> dict[str, str]:
    return {k: v for k, v in info.items() if isinstance(v, str)}


def _without_nulls(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_nulls(v) for k, v in value.items() if v is not None}
    if isinstance(value, list):
        return [_without_nulls(v) for v in value if v is not None]
    return value


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
