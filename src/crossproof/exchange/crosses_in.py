"""Crosses and planned crosses of a BrAPI server as rows of crosses.csv and planned.csv.

The sex of a parent is its `parentType`; the order of parent1 and parent2 means nothing. The operator, the
flowers and the like are `crossAttributes`, for which BrAPI has no names of its own: `ATTRIBUTES` lists those
understood, and every other one becomes a column under its own name.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from crossproof.exchange.brapi_records import LeftOut, Notes, Record
from crossproof.io.results.columns import RESULT_COLUMNS
from crossproof.io.sheets.columns import CROSSES
from crossproof.io.sheets.headings import heading_key

PARENT_TYPES = ("MALE", "FEMALE", "SELF", "POPULATION")

ATTRIBUTES: Mapping[str, tuple[str, ...]] = {
    "operator": ("operator", "pollinator", "pollinated_by", "crossed_by", "crosser", "technician"),
    "flowers": ("flowers", "flower_count", "flowers_pollinated", "number_of_flowers", "no_of_flowers"),
    "pods": ("pods", "pod_count", "pods_harvested", "number_of_pods", "no_of_pods"),
    "seeds": ("seeds", "seed_count", "seeds_harvested", "number_of_seeds", "no_of_seeds"),
    "temperature_c": ("temperature_c", "air_temperature_c"),
    "anthers_removed": ("anthers_removed",),
    "target_hybrids": ("target_hybrids", "hybrids_wanted"),
    "notes": ("notes", "note", "comment", "comments", "remarks"),
}
"""Our column, and the names (without regard to case, spaces and hyphens) under which servers keep it."""

OWN_PREFIX = "crossproof_"
"""Attributes that `crossproof publish` wrote; they are results and are not read back as records."""

_TAKEN = frozenset(
    {*CROSSES.names, *(c.name for t in ("crosses", "verdicts") for c in RESULT_COLUMNS[t])}
    | {"pollination_timestamp", "pollination_events", "pollinations_successful", "cross_db_id"}
    | {"planned_cross_db_id", "crossing_project"}
)
"""Columns that an attribute of the same name must not fill."""

_COLUMN_OF = {name: column for column, names in ATTRIBUTES.items() for name in names}
_UNKNOWN_TYPE = "BrAPI v2.1 has no such type"
_WHY_NOT = {
    "SELF": "a deliberate selfing is not a hand cross",
    "OPEN_POLLINATED": "an open pollination has no father on record",
    "BULK": "a bulk has no single pair of parents",
    "BULK_SELFED": "a bulk has no single pair of parents",
    "BULK_OPEN_POLLINATED": "a bulk has no single pair of parents",
    "DOUBLE_HAPLOID": "doubled haploids are not F1 plants",
}


@dataclass(frozen=True)
class CrossRow:
    """A cross: its parents' germplasm ids, and its row for the sheet."""

    db_id: str
    mother_id: str
    father_id: str
    row: dict[str, str]


def read_crosses(
    records: Sequence[Record], names: Mapping[str, str], zone: ZoneInfo | None, notes: Notes
) -> tuple[list[CrossRow], list[LeftOut]]:
    """Rows of crosses.csv and the records that are none.

    `names`: line name of each germplasm id. `zone`: where the nursery is, for clock times; None keeps the
    time as the server writes it. Wrong types are errors in `notes`.
    """
    rows: list[CrossRow] = []
    out: list[LeftOut] = []
    for record in records:
        db_id = record.text("crossDbId", required=True)
        name = record.text("crossName") or db_id
        kind = record.text("crossType")
        cross = _cross(record, db_id, name, names, zone) if kind in ("", "BIPARENTAL") else None
        if isinstance(cross, CrossRow):
            rows.append(cross)
        else:
            why, remedy = cross or (
                f"The cross type is {kind}: {_WHY_NOT.get(kind, _UNKNOWN_TYPE)}.",
                "No action is needed; set it to BIPARENTAL on the server where it was a hand cross.",
            )
            out.append(left_out("cross", record, db_id, name, why, remedy))
    _unique(rows, notes)
    return rows, out


def _cross(
    record: Record, db_id: str, name: str, names: Mapping[str, str], zone: ZoneInfo | None
) -> CrossRow | tuple[str, str]:
    parents = read_parents(record, names)
    if isinstance(parents[0], str):
        return parents[0], "Have the parents and their parentType corrected on the server."
    (mother_id, mother), (father_id, father) = parents
    row = {"cross_id": name, "mother": mother, "father": father}
    row |= _pollination(record, zone)
    row |= _attributes(record)
    row |= {"cross_db_id": db_id}
    for column, key in (
        ("planned_cross_db_id", "plannedCrossDbId"),
        ("crossing_project", "crossingProjectName"),
    ):
        if value := record.text(key):
            row[column] = value
    return CrossRow(db_id, mother_id, father_id, row)


Parent = tuple[str, str]


def read_parents(record: Record, names: Mapping[str, str]) -> tuple[Parent, Parent] | tuple[str, None]:
    """Germplasm id and name of the mother and of the father, or why they are not known.

    One parent of stated sex fixes the other's; none stated fixes nothing, whatever the order.
    """
    given = _by_type(record, names)
    if isinstance(given, str):
        return given, None
    found, unstated = given
    if "SELF" in found:
        return "A parent is of the type SELF: a selfing is not a hand cross.", None
    if len(unstated) == 1 and len(found.keys() & {"MALE", "FEMALE"}) == 1:
        other = "FEMALE" if "MALE" in found else "MALE"
        found[other] = unstated.pop()
        record.warn(
            "parent1",
            f"One parent has no parentType; the other's makes it the {other}.",
            "Have it filled in on the server.",
        )
    if "FEMALE" not in found:
        return "No parent is stated as FEMALE; the order of parents is not taken for the sex.", None
    if "MALE" not in found:
        record.warn(
            "parent1",
            "No single father is on record; a hybrid can be told from a self, its father not proven.",
            "Have the MALE parent filled in on the server.",
        )
    mother, father = found["FEMALE"], found.get("MALE", ("", ""))
    if mother[1] == father[1]:
        return "Mother and father are the same line.", None
    return mother, father


def _by_type(record: Record, names: Mapping[str, str]) -> tuple[dict[str, Parent], list[Parent]] | str:
    """Parents by their parentType, and those without one; or why they cannot be read."""
    found: dict[str, Parent] = {}
    unstated: list[Parent] = []
    for field in ("parent1", "parent2"):
        parent = record.object(field)
        if parent is None:
            continue
        db_id = parent.text("germplasmDbId")
        who = (db_id, names.get(db_id) or parent.text("germplasmName") or db_id)
        kind = parent.text("parentType")
        if kind and kind not in PARENT_TYPES:
            return f"The parentType {kind!r} is none of BrAPI v2.1's ({', '.join(PARENT_TYPES)})."
        if not who[1] and kind != "POPULATION":
            continue
        if kind == "":
            unstated.append(who)
        elif kind in found:
            return f"Both parents are {kind}."
        else:
            found[kind] = who
    return found, unstated


def _pollination(record: Record, zone: ZoneInfo | None) -> dict[str, str]:
    """Date, time and further facts of the first pollination event."""
    events = record.objects("pollinationEvents")
    cells = {"date": "", "time": ""}
    if stamp := _first_stamp(record, events):
        cells = _clock_cells(record, *stamp, zone)
    elif own := re.fullmatch(
        r"(\d{4}-\d\d-\d\d)(?: (\d\d:\d\d))?", record.free("additionalInfo").get("pollination", "")
    ):
        # As `crossproof publish` writes it, where the offset that a timestamp needs is not known.
        cells = {"date": own.group(1), "time": own.group(2) or ""}
    if len(events) > 1:
        cells["pollination_events"] = str(len(events))
        record.notes.once(
            record.call,
            "Crosses with several pollination events carry the date and time of the first.",
            "The column pollination_events has their number; split the tag where they must be told apart.",
        )
    told = [e.data.get("pollinationSuccessful") for e in events]
    if any(isinstance(t, bool) for t in told):
        cells["pollinations_successful"] = str(sum(t is True for t in told))
    return cells


Stamp = tuple[str, datetime]
"""A moment as the server writes it, and as a date and time."""


def _first_stamp(record: Record, events: Sequence[Record]) -> Stamp | None:
    """When a cross was first pollinated; the deprecated field counts only where there are no events."""
    stamps = sorted((s for e in events if (s := _moment(e, "pollinationTimeStamp"))), key=_instant)
    old = _moment(record, "pollinationTimeStamp")
    if old and not events:
        record.notes.once(
            record.call,
            "The deprecated field pollinationTimeStamp is used where there are no pollinationEvents.",
            "No action is needed; the server may move it to pollinationEvents.",
        )
        return old
    if old and stamps and _instant(old) != _instant(stamps[0]):
        record.warn(
            "pollinationTimeStamp",
            "The deprecated field differs from pollinationEvents, which is used.",
            "Have one of the two corrected on the server.",
        )
    return stamps[0] if stamps else None


def _clock_cells(record: Record, text: str, moment: datetime, zone: ZoneInfo | None) -> dict[str, str]:
    """Date and time of day on the nursery's clock; a date alone has no time of day."""
    timed = len(text) > len("2031-06-04")
    if timed and zone is not None and moment.tzinfo is not None:
        moment = moment.astimezone(zone)
    elif timed and moment.tzinfo is not None and not moment.utcoffset():
        record.notes.once(
            record.call,
            "Pollination times are in universal time (UTC), not on the nursery's clock.",
            "Fetch again with --timezone, such as Africa/Nairobi, to compare hours of the day.",
        )
    return {
        "date": moment.date().isoformat(),
        "time": moment.strftime("%H:%M") if timed else "",
        "pollination_timestamp": text,
    }


def _moment(record: Record, name: str) -> Stamp | None:
    text = record.text(name)
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        record.warn(
            name,
            "This is not a date and time; the cross is kept without it.",
            "Have it written like 2031-06-04T09:30:00+02:00, or fill in the date in crosses.csv.",
        )
        return None
    return text, moment


def _instant(stamp: Stamp) -> datetime:
    """For ordering only: a time without an offset counts as UTC beside others."""
    return stamp[1] if stamp[1].tzinfo else stamp[1].replace(tzinfo=UTC)


def _attributes(record: Record) -> dict[str, str]:
    cells: dict[str, str] = {}
    for attribute in record.objects("crossAttributes"):
        name, value = attribute.text("crossAttributeName"), attribute.text("crossAttributeValue")
        key = heading_key(name)
        if not key or not value or key.startswith(OWN_PREFIX):
            continue
        column = _COLUMN_OF.get(key) or (f"server {name}" if key in _TAKEN else name)
        if cells.get(column, value) != value:
            attribute.warn(
                "crossAttributeName",
                f"Two attributes give the column {column!r}; the first is kept.",
                "Have one of the two deleted on the server.",
            )
            continue
        cells[column] = value
    return cells


def _unique(rows: list[CrossRow], notes: Notes) -> None:
    """Names that several crosses share are made tags of their own with the server's id."""
    count: dict[str, int] = {}
    for cross in rows:
        count[cross.row["cross_id"]] = count.get(cross.row["cross_id"], 0) + 1
    for cross in rows:
        name = cross.row["cross_id"]
        if count[name] > 1:
            cross.row["cross_id"] = f"{name} ({cross.db_id})"
            notes.once(
                "crosses",
                "Crosses that share a name carry the server's id in parentheses.",
                "Rename them on the server, or leave it so.",
                value=name,
            )


def read_planned(
    records: Sequence[Record], names: Mapping[str, str]
) -> tuple[list[dict[str, str]], list[LeftOut]]:
    """Rows of planned.csv: crosses still to be made (TODO, the standard's own word for it, or no status)."""
    rows: list[dict[str, str]] = []
    out: list[LeftOut] = []
    for record in records:
        db_id = record.text("plannedCrossDbId", required=True)
        name = record.text("plannedCrossName") or db_id
        status = record.text("status")
        kind = record.text("crossType")
        if status not in ("", "TODO"):
            out.append(left_out("planned cross", record, db_id, name, f"Its status is {status}.", "Nothing."))
            continue
        if kind not in ("", "BIPARENTAL"):
            why = f"The cross type is {kind}: {_WHY_NOT.get(kind, _UNKNOWN_TYPE)}."
            out.append(left_out("planned cross", record, db_id, name, why, "Nothing."))
            continue
        parents = read_parents(record, names)
        if isinstance(parents[0], str) or not parents[1][1]:
            why = parents[0] if isinstance(parents[0], str) else "The father is not known."
            remedy = "Have the parents and their parentType corrected on the server."
            out.append(left_out("planned cross", record, db_id, name, why, remedy))
            continue
        rows.append({"cross_id": name, "mother": parents[0][1], "father": parents[1][1]})
    return rows, out


def left_out(kind: str, record: Record, db_id: str, name: str, why: str, remedy: str) -> LeftOut:
    """A record for left_out.csv, whole, so that nothing of it is lost."""
    return LeftOut(
        kind, db_id, name, why, remedy, json.dumps(record.data, ensure_ascii=False, sort_keys=True)[:20_000]
    )
